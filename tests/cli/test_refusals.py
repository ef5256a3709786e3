"""What is plainly not there is refused before anything heavy is loaded."""

import subprocess
import sys
from pathlib import Path

import pytest

from hotbench.bench.names import SIMULATED_PRINTERS
from hotbench.sim.printers import PRINTERS

HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "numba", "lmfit", "pydantic", "rich")
REFUSED = """
import sys
from hotbench.cli import run
code = run(sys.argv[1:])
print(code, *sorted(set(sys.modules) & set({heavy!r})))
"""


def test_names_of_printers_are_those_of_the_simulator() -> None:
    assert sorted(PRINTERS) == list(SIMULATED_PRINTERS)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["fit", "gone"], "gone: not a run folder: no such folder"),
        (["report", "gone", "--out", "r.html"], "gone: not a run folder"),
        (["profile", "build", "gone", "--out", "m.yaml"], "gone: not a run folder"),
        (["weigh", "undo", "gone"], "gone: not a run folder"),
        (["rehearse", "gone.gcode", "--profile", "m.yaml"], "m.yaml: no such file"),
        (["rehearse", __file__, "--profile", "m.yaml"], "m.yaml: no such file"),
        (["rehearse", "gone.gcode", "--profile", __file__], "gone.gcode: cannot be read"),
        (["record", "step", "--port", "sim:NOBODY", "--out", "x"], "unknown key 'NOBODY'"),
        (["check", "--port", "sim:plain-blok"], "did you mean 'plain-block'?"),
        (["demo", "--printer", "NOBODY"], "known: long-melt, plain-block, swift-sleeve"),
        (["sim", "--printer", "NOBODY"], "simulated printer: unknown key 'NOBODY'"),
    ],
)
def test_nothing_heavy_is_loaded_for_it(arguments: list[str], told: str, tmp_path: Path) -> None:
    code = REFUSED.format(heavy=HEAVY)
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code, *arguments],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["2"]
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())
