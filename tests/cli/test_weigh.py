"""The commands on weighings and units."""

import json
from pathlib import Path

import pytest

from hotbench.cli import run
from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.store.writer import RunWriter


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    writer = RunWriter(tmp_path / "melt", RunInfo(run_id="melt", procedure="extrude", created=""))
    writer.on_sample(Sample(0.0, 220.0))
    for flow in (2.0, 6.0):
        writer.on_extrusion(Extrusion(220.0, flow, 100.0))
    writer.close()
    return tmp_path / "melt"


def facts(capsys: pytest.CaptureFixture[str], *words: object) -> dict:
    assert run([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_fill_reject_restore_undo(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "scale.csv"
    table.write_text("extrusion;delivered_mass_g\n1;0,298\n2;0,1\n")
    assert facts(capsys, "weigh", "fill", folder, table)["pending"]["mass"] == []
    left_out = facts(capsys, "weigh", "reject", folder, 2, "--reason", "fell off")["rejected"]
    assert [entry["extrusion"] for entry in left_out] == [2]
    assert facts(capsys, "weigh", "restore", folder, 2)["rejected"] == []
    assert facts(capsys, "weigh", "undo", folder)["rejected"][0]["extrusion"] == 2
    assert len(facts(capsys, "weigh", "history", folder)["changes"]) == 2
    assert facts(capsys, "weigh", "list", folder)["extrusions"][0]["delivered_mass_g"] == 0.298


def test_accept_takes_an_edit_in_place(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "extrusions.csv"
    path.write_text(path.read_text().replace("220,6,100,,", "220,6,100,0.297,"))
    assert facts(capsys, "weigh", "accept", folder)["pending"]["mass"] == [1]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("reject", "{}", "1"), "--reason"),
        (("reject", "{}", "9", "--reason", "x"), "no such extrusion"),
        (("undo", "{}"), "no weighing to undo"),
        (("list", "{}/none"), "not a run folder"),
        (("lst", "{}"), "did you mean 'list'"),
    ],
)
def test_bad_input_is_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str
) -> None:
    assert run(["weigh", *(word.format(folder) for word in words)]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


def test_units(capsys: pytest.CaptureFixture[str]) -> None:
    assert facts(capsys, "units", "filament", "--length", 100)["mass_g"] == pytest.approx(0.298255)
    assert facts(capsys, "units", "feed", "--feed", 5)["flow_mm3_per_s"] == pytest.approx(
        12.0264, abs=1e-4
    )
    line = ("units", "line", "--width", 0.45, "--height", 0.2, "--flow", 9)
    assert facts(capsys, *line)["speed_mm_per_s"] == pytest.approx(100.0)
    rate = facts(capsys, "units", "melt-rate", "--melt-density", 1.1, "--mvr", 10)
    assert rate["mfr_g_per_10min"] == pytest.approx(11.0)
    assert run(["units", "feed"]) == 2
