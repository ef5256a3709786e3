"""Usage errors are one line on standard error and exit code 2."""

import pytest

from hotbench.cli import app, run


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["rcord"], "did you mean 'record'?"),
        (["record", "stp"], "did you mean 'step'?"),
        (["record", "step", "--prt", "x"], "--port"),
        (["record", "step", "--out", "r"], "--port"),
        (["record", "step", "--port", "x", "--out", "r", "--dip", "220"], "220-190"),
        (["record", "step", "--port", "x", "--out", "r", "--fan", "a"], "0,0.5,1"),
        (["fit"], "RUNS"),
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


@pytest.mark.parametrize("path", commands(app), ids=" ".join)
def test_every_command_has_an_example_and_json(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([*path, "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"Example: hotbench {' '.join(path)}" in text
    assert "--json" in text


def test_the_contract_of_commands() -> None:
    first_words = {path[0] for path in commands(app)}
    assert first_words == {
        "demo", "sim", "ports", "check", "record", "import", "fit", "profile",
        "compare", "tune", "rehearse", "report", "runs",
    }  # fmt: skip
