"""A profile's safe rates against its own runs: what was tampered with is refused, one line each."""

from pathlib import Path

import pytest
from declared_ladders import LEVEL_K, ladder

from hotbench.bench.analysis import FitOptions
from hotbench.bench.profiling import build_file, check_file
from hotbench.core.errors import FellShort


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with runs/ramp and the profile made of it."""
    at = tmp_path_factory.mktemp("evidence")
    folder = ladder(at / "runs" / "ramp", fault_deviation_K=LEVEL_K, fault_spread=0.05)
    build_file([folder], at / "machine.yaml", FitOptions())
    return at


def damaged(built: Path, tmp_path: Path, old: str, new: str) -> list[str]:
    """What the check says of the runs once one text of the profile was changed."""
    text = (built / "machine.yaml").read_text("utf-8")
    assert old in text
    (tmp_path / "m.yaml").write_text(text.replace(old, new, 1), "utf-8")
    result = check_file(tmp_path / "m.yaml", built / "runs")
    with pytest.raises(FellShort, match="the check refuses this profile"):
        result.raise_if_short()
    lines: list[str] = result.facts["runs"]
    return lines


def test_what_was_built_agrees_with_its_runs(built: Path) -> None:
    result = check_file(built / "machine.yaml", built / "runs")
    assert result.facts["runs"] == []
    result.raise_if_short()


def test_more_ramps_than_the_runs_hold(built: Path, tmp_path: Path) -> None:
    (line,) = damaged(built, tmp_path, "trials: 6", "trials: 60")
    assert line.startswith("refuse: slew[heating, 205 °C, fan 0]: states 60 ramps and 0 faults, ")
    assert "its runs hold 6 and 0" in line


def test_a_rate_that_no_ramp_came_near(built: Path, tmp_path: Path) -> None:
    text = (built / "machine.yaml").read_text("utf-8")
    rate = next(line for line in text.splitlines() if "rate_K_per_s" in line)
    (line,) = damaged(built, tmp_path, rate, "    rate_K_per_s: 9.9")
    assert "claims 9.9 K/s, the fastest clean ramp of its runs is 6.5 K/s" in line


def test_rates_whose_runs_are_elsewhere_are_left_to_the_digests(
    built: Path, tmp_path: Path
) -> None:
    result = check_file(built / "machine.yaml", tmp_path)
    assert not any("slew[" in line for line in result.facts["runs"])
