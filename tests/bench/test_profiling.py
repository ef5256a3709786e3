"""From fits to a profile: what is composed, and what the check of it against the runs finds."""

import shutil
from pathlib import Path

import pytest
from many_runs import write_runs

from hotbench.bench.analysis import FitOptions
from hotbench.bench.profiling import build_file, check_file, show_file
from hotbench.core.errors import FellShort
from hotbench.models.heater import PARAMETERS
from hotbench.models.heater_steps import P
from hotbench.profile.yaml_io import read_profile

LEAST_LAG_s = PARAMETERS[P.LAG].low


def test_a_heater_without_dead_time_builds_a_profile_that_the_check_accepts(
    tmp_path: Path,
) -> None:
    """A board's log shows duty half an interval late; lag and dead time are true all the same."""
    (folder,) = write_runs(tmp_path / "runs", printers=1, each=1, dead_s=0.0)
    build_file([folder], tmp_path / "m.yaml", FitOptions())
    assert check_file(tmp_path / "m.yaml", folder.parent).shortfall is None
    heater = read_profile(tmp_path / "m.yaml").heater
    assert heater is not None
    parameters = heater.parameters
    lag_s = parameters["sensor_lag_s"].value + parameters["dead_time_s"].value
    assert parameters["dead_time_s"].value >= 0.0
    assert (parameters["dead_time_s"].low or 0.0) >= 0.0
    assert lag_s == pytest.approx(0.4, abs=0.04)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A profile of one run, beside that run's folder."""
    root = tmp_path_factory.mktemp("built")
    (folder,) = write_runs(root, printers=1, each=1)
    build_file([folder], root / "machine.yaml", FitOptions())
    return root


@pytest.fixture(name="copied")
def copied_fixture(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "copy")
    return tmp_path / "copy"


def differing(root: Path) -> list[str]:
    result = check_file(root / "machine.yaml", root / "printer-0")
    assert (result.shortfall is None) == (result.facts["runs"] == [])
    return list(result.facts["runs"])


def test_a_profile_is_accepted_beside_its_runs(copied: Path) -> None:
    assert differing(copied) == []
    result = check_file(copied / "machine.yaml", None)
    assert result.facts["accepted"]
    assert result.tables()[0].caption.endswith("machine.yaml: accepted")


def test_one_changed_byte_of_a_run_is_found(copied: Path) -> None:
    samples = copied / "printer-0" / "run-0" / "samples.csv"
    raw = bytearray(samples.read_bytes())
    raw[len(raw) // 2] ^= 1
    samples.write_bytes(raw)
    assert differing(copied) == ["run-0: samples.csv has changed since the fit"]
    with pytest.raises(FellShort, match="refuses this profile"):
        check_file(copied / "machine.yaml", copied / "printer-0").raise_if_short()


@pytest.mark.parametrize("kind", ["cut", "gone", "unreadable"])
def test_runs_that_are_not_whole_are_found(kind: str, copied: Path) -> None:
    folder = copied / "printer-0" / "run-0"
    if kind == "cut":
        with (folder / "samples.csv").open("r+b") as file:
            file.truncate(2000)
    elif kind == "gone":
        shutil.rmtree(folder)
        (copied / "printer-0").mkdir(exist_ok=True)
    else:
        (folder / "datapackage.json").write_text("{", encoding="utf-8")
    lines = differing(copied)
    assert len(lines) == (2 if kind == "cut" else 1)  # cut off, its outcome has changed as well
    assert lines[0].startswith("run-0: ")
    assert all("states outcome" in line for line in lines[1:])


def test_two_builds_write_the_same_bytes(copied: Path) -> None:
    first = (copied / "machine.yaml").read_bytes()
    build_file([copied / "printer-0" / "run-0"], copied / "again.yaml", FitOptions())
    assert (copied / "again.yaml").read_bytes() == first


def test_a_shown_profile_has_its_sections_in_order(copied: Path) -> None:
    tables = show_file(copied / "machine.yaml").tables()
    assert tables[0].caption.startswith("machine profile: ")
    first_words = dict.fromkeys(row[0].split()[0] for row in tables[0].rows)
    assert list(first_words) == ["heats", "cools", "sensor", "holds"]
