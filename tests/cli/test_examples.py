"""Every example that a help text gives is run as it stands, on the simulated printer."""

import shlex
import shutil
from collections.abc import Iterator
from contextlib import chdir
from glob import glob
from pathlib import Path

import click
import pytest

from hotbench.cli import app, run
from hotbench.store.reader import read_run

DATA = Path(__file__).parents[2] / "data_demo"
DEVICE, SIMULATED = "/dev/ttyUSB0", "sim:swift-sleeve"
ELSEWHERE = ("demo", "sim")
"""One takes long and the other serves until interrupted: both are run in tests of their own."""
EXIT = {"tune": (0, 1)}
"""A record made with other gains is held against the tuning's prediction and may well differ."""
LAST = ("fit", "profile build", "report", "profile check", "tune", "compare", "survey")
"""What needs the runs that the other examples record, in this order."""


def examples(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """Every command with each of its examples."""
    for name, command in group.commands.items():
        here = (*path, name)
        if isinstance(command, click.Group):
            yield from examples(command, here)
        else:
            _, *told = (command.help or "").split("Example: ")
            yield from ((" ".join(here), " ".join(text.split())) for text in told or [""])


EXAMPLES = sorted(examples(app), key=lambda pair: LAST.index(pair[0]) if pair[0] in LAST else -1)


COPIED = {
    "compare": {f"runs/{age}-{kind}": kind for age in ("old", "new") for kind in ("step", "ramp")},
    "survey": {"workshop/step": "step"},
}
"""Runs that these examples name, as copies of what the other examples recorded."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A working directory with the files that examples name and do not make."""
    at = tmp_path_factory.mktemp("examples")
    for name in ("before.yaml", "after.yaml", "machine.yaml"):
        shutil.copy(DATA / "example_machine.yaml", at / name)
    (at / "log.csv").write_text(log(at / "kept"))
    (at / "scale.csv").write_text("extrusion,delivered_mass_g\n1,0.3\n")
    moves = ["M104 S220", "G92 E0", "G1 X0 Y0 F6000", "G1 X100 E4 F1200"]
    (at / "vase.gcode").write_text("\n".join(moves) + "\n")
    (at / "demo-run" / "runs").mkdir(parents=True)
    (at / "workshop").mkdir()
    shutil.copy(DATA / "example_machine.yaml", at / "workshop")
    with chdir(at):
        yield at


def log(folder: Path) -> str:
    """What another program might have kept of a hold: seconds, temperature, duty out of 255."""
    assert run(["record", "hold", "--port", SIMULATED, "--out", str(folder)]) == 0
    kept = read_run(folder)
    rows = zip(kept.time_s, kept.temperature_C, 255.0 * kept.duty, strict=True)
    return "t,hotend,pwm\n" + "".join(f"{t:.3f},{T:.2f},{u:.0f}\n" for t, T, u in rows)


def as_typed(example: str) -> list[str]:
    """The example's words as a shell hands them on, at the simulated printer."""
    words = shlex.split(example.replace(DEVICE, SIMULATED))
    return [w for word in words for w in (sorted(glob(word)) if "*" in word else [word])]  # noqa: PTH207


def test_every_command_has_an_example() -> None:
    without = [command for command, example in EXAMPLES if not example]
    assert without == []
    assert all(f"{text} ".startswith(f"hotbench {command} ") for command, text in EXAMPLES)


@pytest.mark.slow
def test_the_examples_work(
    folder: Path, capsys: pytest.CaptureFixture[str], subtests: pytest.Subtests
) -> None:
    """One after the other: each needs what those before it made."""
    for command, example in EXAMPLES:
        if command in ELSEWHERE:
            continue
        for to, kind in COPIED.get(command, {}).items():
            shutil.copytree(folder / "runs" / kind, folder / to, dirs_exist_ok=True)
        _, *arguments = as_typed(example)
        with subtests.test(example):
            code = run(arguments)
            printed = capsys.readouterr()
            assert code in EXIT.get(command, (0,)), printed.err
            assert printed.out.strip(), command


@pytest.mark.parametrize("command", ELSEWHERE)
def test_examples_of_long_commands_are_understood(command: str) -> None:
    example = dict(EXAMPLES)[command]
    _, name, *arguments = as_typed(example)
    context = app.commands[name].make_context(name, arguments)
    assert context.params["printer"] in example
