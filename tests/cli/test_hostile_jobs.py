"""Jobs that are none end in one line and exit code 2, whatever they hold."""

from collections.abc import Callable
from pathlib import Path

import pytest

from hotbench.cli import run

PROFILE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
LONG_BYTES = 1 << 30


def sparse(path: Path) -> None:
    """One line of a gigabyte that takes no disk."""
    with path.open("wb") as file:
        file.truncate(LONG_BYTES)


def climbing(path: Path) -> None:
    """More layers than a job can have."""
    moves = (f"G1 Z{0.1 * k:.1f}\nG1 X{k % 2} E{0.01 * k:.2f}\n" for k in range(1, 110_000))
    path.write_text("M109 S210\nG1 X0 Y0 F600\n" + "".join(moves), encoding="ascii")


def holding(text: bytes) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        path.write_bytes(text)

    return write


@pytest.mark.parametrize(
    ("write", "said"),
    [
        (holding(b""), "no moves"),
        (holding(b"; nothing\n"), "no moves"),
        (holding(b"G1 X0 Y0 F600\nG1 XNaN E1\n"), "line 2"),
        (holding(b"G1 X0 Y0 F600\nG4 S-5\n"), "time would run backwards"),
        (holding(b"G1 X0 Y0 F-600\n"), "time would not move forward"),
        (holding(bytes(range(256)) * 400), "not text"),
        (sparse, "longer than"),
        (climbing, "too many layers"),
    ],
)
def test_one_line(
    write: Callable[[Path], None], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.gcode"
    write(job)
    assert run(["rehearse", str(job), "--profile", str(PROFILE)]) == 2
    shown = capsys.readouterr()
    assert not shown.out
    assert len(shown.err.splitlines()) == 1
    assert said in shown.err
