"""Usage errors are one line on standard error and exit code 2; help is quick and fits its width."""

import subprocess
import sys

import click
import pytest

from hotbench.cli import app, run
from hotbench.core.errors import BadInput, FellShort, Stopped

HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "numba", "lmfit", "pydantic", "serial", "rich")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ([], "no command given; known: check, compare"),
        (["record"], "no command given; known: dip, extrude, hold, "),
        (["profile"], "known: build, check, show"),
        (["rcord"], "did you mean 'record'?"),
        (["record", "stp"], "did you mean 'step'?"),
        (["profile", "bild"], "did you mean 'build'?"),
        (["zzzz"], "known: check, compare, demo"),
        (["--verison"], "no such option '--verison'; did you mean '--version'?"),
        (["record", "step", "--prt", "x"], "no such option '--prt'; did you mean '--port'?"),
        (["record", "step", "--prt=x"], "no such option '--prt'; did you mean '--port'?"),
        (["record", "--otu", "r"], "no such option '--otu'"),
        (["record", "step", "--no-valdate"], "did you mean '--no-validate'?"),
        (["ports", "--q"], "known: --json, -h, --help"),
        (["record", "step", "--out", "r"], "--port"),
        (["record", "step", "--port", "x", "--out", "r", "--dip", "220"], "220-190"),
        (["record", "step", "--port", "x", "--out", "r", "--fan", "a"], "0,0.5,1"),
        (["fit"], "RUNS"),
        (["fit", "r", "--out"], "'--out' requires an argument"),
        (["ports", "extra"], "extra"),
        (["sim", "--pty", "--tcp", "0"], "exclude each other"),
    ],
)
def test_one_line(arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert expected in printed.err


def commands(group: object, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name, command in sorted(group.commands.items()):
        found += (
            commands(command, (*path, name)) if hasattr(command, "commands") else [(*path, name)]
        )
    return found


def command_at(path: tuple[str, ...]) -> click.Command:
    command: click.Command = app
    for name in path:
        assert isinstance(command, click.Group)
        command = command.commands[name]
    return command


def long_options(path: tuple[str, ...]) -> list[str]:
    """The visible options of a command that are long enough to be misspelt."""
    return [
        name
        for option in command_at(path).params
        if isinstance(option, click.Option) and not option.hidden
        for name in option.opts
        if len(name) > 5
    ]


@pytest.mark.parametrize("path", commands(app), ids=" ".join)
def test_a_misspelt_option_of_any_command_gets_its_name(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """Its last letter twice."""
    assert long_options(path)
    for name in long_options(path):
        misspelt = name + name[-1]
        assert run([*path, misspelt]) == 2
        said = capsys.readouterr().err
        assert said == f"hotbench: no such option '{misspelt}'; did you mean '{name}'?\n"


@pytest.mark.parametrize("path", [("check",), ("record", "step")], ids=" ".join)
def test_a_hidden_option_is_not_suggested(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "--seeed"]) == 2
    assert "--seed" not in capsys.readouterr().err


@pytest.mark.parametrize("path", commands(app), ids=" ".join)
def test_every_command_has_an_example_and_json(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"Example: hotbench {' '.join(path)}" in text
    assert "--json" in text


@pytest.mark.parametrize("columns", [80, 100])
@pytest.mark.parametrize("path", [(), ("record",), ("profile",), *commands(app)], ids=" ".join)
def test_help_fits_its_width(path: tuple[str, ...], columns: int) -> None:
    command = command_at(path)
    context = click.Context(command, info_name="hotbench", max_content_width=columns)
    context.terminal_width = columns
    lines = command.get_help(context).splitlines()
    assert max(map(len, lines)) <= columns
    assert not any(line != line.rstrip() for line in lines)
    assert lines[0].startswith("Usage: hotbench")
    assert not any(line.endswith("...") for line in lines[1:]), "a summary is cut off"


@pytest.mark.parametrize("path", commands(app), ids=" ".join)
def test_every_option_says_what_it_is(path: tuple[str, ...]) -> None:
    for option in command_at(path).params:
        if isinstance(option, click.Option) and not option.hidden:
            assert option.help is not None, option.name
            assert len(option.help) > 6, f"{option.name}: more than a unit"


@pytest.mark.parametrize("path", [("compare",), ("tune",), ("survey",)], ids=" ".join)
def test_each_example_is_a_paragraph_of_its_own(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "--help"]) == 0
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    firsts = [n for n, line in enumerate(lines) if line.startswith("Example: ")]
    assert len(firsts) == 2
    assert not any(lines[n - 1] for n in firsts)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["check"], "'--port' (Device, socket://host:port, rfc2217://host:port or sim:NAME)"),
        (["check"], "; 'hotbench check --help' shows an example"),
        (["record", "step", "--port", "x"], "'--out' (Run folder to create)"),
        (["rehearse", __file__], "'--profile' (Machine profile)"),
        (["compare", "a.yaml"], "'SECOND'; 'hotbench compare --help' shows an example"),
    ],
)
def test_what_is_missing_is_explained(
    arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert expected in said


@pytest.mark.parametrize("path", [("demo",), ("sim",)], ids=" ".join)
def test_help_names_the_simulated_printers(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "long-melt, plain-block, swift-sleeve" in text


def test_the_contract_of_commands() -> None:
    first_words = {path[0] for path in commands(app)}
    assert first_words == {
        "demo", "sim", "ports", "check", "record", "import", "fit", "profile",
        "compare", "tune", "rehearse", "report", "runs", "survey", "units", "weigh",
    }  # fmt: skip


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["record", "step", "--help"], ["rcord"], ["fit"], ["sim", "--x"]],
    ids=" ".join,
)
def test_nothing_heavy_is_loaded_to_help_or_to_refuse(arguments: list[str]) -> None:
    code = (
        "import sys; from hotbench.cli import run; run(sys.argv[1:]);"
        f"print(*sorted(set(sys.modules) & set({HEAVY!r})), file=sys.stderr)"
    )
    done = subprocess.run(  # noqa: S603 - this interpreter
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True
    )
    assert done.stderr.splitlines()[-1] == ""


@pytest.mark.parametrize(
    ("error", "code", "line"),
    [
        (BadInput("no such thing", where="x.csv"), 2, "x.csv: no such thing"),
        (FellShort("nothing\nidentified"), 1, "nothing identified"),
        (Stopped("heater off"), 130, "heater off"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (click.Abort(), 130, "interrupted"),
        (OSError(28, "No space left on device", "run/samples.csv"), 2, "run/samples.csv: No space"),
        (OSError("odd"), 2, "file: odd"),
    ],
    ids=lambda part: type(part).__name__,
)
def test_every_foreseen_error_is_one_line_with_its_code(
    error: BaseException, code: int, line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    @click.command()
    def failing() -> None:
        raise error

    app.add_command(failing, "failing")
    try:
        assert run(["failing"]) == code
    finally:
        del app.commands["failing"]
    heard = capsys.readouterr()
    assert heard.out == ""
    (said,) = heard.err.strip().splitlines()  # click ends the line on which a terminal shows ^C
    assert said.startswith(f"hotbench: {line}")


def test_a_closed_pipe_is_no_error(capsys: pytest.CaptureFixture[str]) -> None:
    @click.command()
    def closed() -> None:
        raise BrokenPipeError

    app.add_command(closed, "closed")
    try:
        assert run(["closed"]) == 0
    finally:
        del app.commands["closed"]
    assert capsys.readouterr().err == ""


UNANSWERED = """
import sys, threading
from hotbench.bench.names import QUESTIONING
from hotbench.cli import leave
def ask():
    input()
    input()
thread = threading.Thread(target=ask, name=QUESTIONING, daemon=True)
thread.start()
last = ask.__code__.co_firstlineno + 2
while sys._current_frames()[thread.ident].f_lineno != last:
    pass
print("run kept")
leave(130)
"""


def test_a_question_that_nobody_answers_does_not_hold_up_the_end() -> None:
    """Ctrl-C while a mass is asked for: the interpreter itself would abort with code 134."""
    command = [sys.executable, "-c", UNANSWERED]
    pipe = subprocess.PIPE
    with subprocess.Popen(  # noqa: S603 - our own interpreter
        command, stdin=pipe, stdout=pipe, stderr=pipe, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write("y\n")
        process.stdin.flush()
        assert process.wait(timeout=30) == 130
        assert process.stdout.read() == "run kept\n"
        assert process.stderr.read() == ""
