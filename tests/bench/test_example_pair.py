"""The shipped roles file, profile and demo jobs work together, as the README shows."""

import csv
import json
import shlex
from pathlib import Path

import pytest
from job_samples import demo_maker

from hotbench.bench.rehearsing import rehearse_file
from hotbench.bench.scheduling import Outputs
from hotbench.cli import run

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data_demo"
PROFILE = DATA / "example_machine.yaml"
ROLES = DATA / "bracket_roles.yaml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo jobs as the script writes them."""
    at = tmp_path_factory.mktemp("demo-jobs")
    demo_maker().main(at)
    return at


@pytest.mark.parametrize("name", ["bracket", "vase", "bridge-piece"])
def test_the_example_pair_schedules_every_demo_job(name: str, folder: Path, tmp_path: Path) -> None:
    outputs = Outputs(schedule=tmp_path / "schedule.csv")
    told = rehearse_file(
        folder / f"{name}.gcode", PROFILE, roles_file=ROLES, outputs=outputs
    ).plain()
    rows = list(csv.DictReader((tmp_path / "schedule.csv").read_text("utf-8").splitlines()))
    set_C = [float(row["command"][6:]) for row in rows if row["command"].startswith("M10")]
    assert 200.0 <= min(set_C) <= max(set_C) <= 220.0
    heats = {heat["role"]: heat for heat in told["scheduled_surfaces"]}
    for heat in heats.values():
        assert heat["low_C"] < heat["least_C"] <= heat["most_C"] < heat["high_C"]
    if name == "bracket":
        assert heats["support surface"]["surely_inside"] == 1.0
        assert heats["pillar"]["least_C"] >= 217.0


def test_the_readme_lines_run_with_the_shipped_profile(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    lines = [
        line for part in text.splitlines() if (line := part.strip()).startswith("hotbench rehearse")
    ]
    assert len(lines) == 2
    swaps = {
        "demo-run/machine.yaml": str(PROFILE),
        "data_demo/bracket_roles.yaml": str(ROLES),
        "demo-jobs/bracket.gcode": str(folder / "bracket.gcode"),
        "schedule.csv": str(tmp_path / "schedule.csv"),
        "job.svg": str(tmp_path / "job.svg"),
    }
    for line in lines:
        words = [swaps.get(word, word) for word in shlex.split(line)[1:]]
        assert run([*words, "--json"]) == 0
        facts = json.loads(capsys.readouterr().out)
        assert facts["surfaces"]
    assert (tmp_path / "job.svg").stat().st_size > 10_000
    assert facts["scheduled_surfaces"]
