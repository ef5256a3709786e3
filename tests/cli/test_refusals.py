"""What is plainly not there is refused before anything heavy is loaded."""

import subprocess
import sys
from pathlib import Path

import pytest

from hotbench.bench.names import SIMULATED_PRINTERS
from hotbench.cli import run
from hotbench.sim.printers import PRINTERS
from hotbench.store.reader import read_run

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
        (["record", "step", "--port", "sim:NOBODY", "--out", "x"], "unknown name 'NOBODY'"),
        (["check", "--port", "sim:plain-blok"], "did you mean 'plain-block'?"),
        (["demo", "--printer", "NOBODY"], "known: long-melt, plain-block, swift-sleeve"),
        (["sim", "--printer", "NOBODY"], "simulated printer: unknown name 'NOBODY'"),
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


def test_refusals_name_the_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "runs" / "step").mkdir(parents=True)
    (tmp_path / "runs" / "step" / "datapackage.json").write_text("{}")
    (tmp_path / "file.txt").write_text("text")
    assert run(["fit", str(tmp_path / "runs")]) == 2
    assert f"the runs are below it: {tmp_path}/runs/*" in capsys.readouterr().err
    assert run(["fit", str(tmp_path)]) == 2
    assert f"the runs are below it: {tmp_path}/runs/*" in capsys.readouterr().err
    assert run(["profile", "show", str(tmp_path)]) == 2
    assert "a folder; name the YAML file" in capsys.readouterr().err
    assert run(["fit", str(tmp_path / "file.txt")]) == 2
    assert "file.txt: not a run folder: a file" in capsys.readouterr().err
    hot = ["record", "hold", "--port", "sim:swift-sleeve", "--to", "300"]
    assert run([*hot, "--out", str(tmp_path / "new")]) == 2
    assert "or give a higher --limit-temperature" in capsys.readouterr().err
    assert run(["record", "hold", "--port", "/dev/none", "--out", str(tmp_path / "runs")]) == 2
    assert "folder is not empty" in capsys.readouterr().err, "before the port is opened"


def test_a_recording_tells_how_long_and_how_hot_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short = ["hold", "--to", "60", "--duration", "5"]
    assert run(["record", *short, "--port", "sim:swift-sleeve", "--out", str(tmp_path / "r")]) == 0
    lines = [line.split(maxsplit=1) for line in capsys.readouterr().out.splitlines()]
    told = {words[0]: words[1] for words in lines if len(words) == 2}
    assert told["duration"].split()[1] == "min"
    peak = max(read_run(tmp_path / "r").temperature_C)
    assert told["highest"].split()[1:] == [f"{peak:.1f}", "°C"]


@pytest.mark.wire
def test_a_served_printer_says_where_it_faults_and_what_to_try() -> None:
    code = "from hotbench.cli import main; main()"
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-c", code, "sim", "--tcp", "0"], stdout=subprocess.PIPE, text=True
    ) as served:
        assert served.stdout is not None
        lines = [served.stdout.readline().strip() for _ in range(7)]
        served.terminate()
    told = dict(line.split(": ", 1) for line in lines)
    assert told["fault deviation"] == f"{PRINTERS['swift-sleeve'].fault_deviation_K:g} K"
    assert told["try"] == f"hotbench check --port {told['port']}"


def test_a_list_with_spaces_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    spaced = ["--fan", "0,", "0.5,", "1"]
    assert run(["record", "step", "--port", "sim:plain-block", "--out", "x", *spaced]) == 2
    told = capsys.readouterr().err
    assert "too many arguments for 'hotbench record step' (got 0.5, 1)" in told
    assert "write a list without spaces, such as 0,0.5,1" in told


def test_an_import_without_columns_tells_what_the_file_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text("seconds;hotend\n0,0;24,1\n0,1;24,2\n")
    assert run(["import", str(log), "--out", str(tmp_path / "run")]) == 2
    assert "--column time=NAME; in the file: seconds, hotend" in capsys.readouterr().err
    assert run(["import", str(tmp_path / "gone.csv"), "--out", str(tmp_path / "run")]) == 2
    assert "gone.csv: cannot be read: No such file" in capsys.readouterr().err
