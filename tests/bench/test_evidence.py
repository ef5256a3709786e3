"""A profile's safe rates against its own runs: what was tampered with is refused, one line each."""

from pathlib import Path

import pytest
from declared_ladders import LEVEL_K, ladder

from hotbench.bench.analysis import FitOptions
from hotbench.bench.claims import smoothing_of
from hotbench.bench.evidence import unlike_its_rates
from hotbench.bench.profiling import build_file, check_file
from hotbench.core.errors import FellShort
from hotbench.profile.yaml_io import read_profile


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


TAMPERED = [
    ("confidence: 0.95", "confidence: 0.9999", "a confidence of 0.9999"),
    ("coverage: 0.99", "coverage: 0.9999", "at a coverage of 0.9999"),
    ("cause: controller fault", "cause: loop tracking", "its ramps say by controller fault"),
    ("fan: 0.0", "fan: 1.0", "stands at fan 1, its ramps ran at fan 0"),
    ("temperature_C: 205.0", "temperature_C: 290.0", "stands at 290 °C, its ramps ran from 205 to"),
    ("fault_spread: 0.05", "fault_spread: 0.2", "its ramps bear out"),
    ("fault_deviation_K: 8.5", "fault_deviation_K: 7.0", "its ramps bear out"),
    ("procedure: ramp", "procedure: step", "states procedure 'step', its folder 'ramp'"),
    ("outcome: complete", "outcome: fault", "states outcome 'fault', its folder 'complete'"),
    ("      simulated: true", "      simulated: false", "states simulated 'False'"),
]


@pytest.mark.parametrize(("old", "new", "said"), TAMPERED)
def test_what_was_tampered_with_is_refused(
    built: Path, tmp_path: Path, old: str, new: str, said: str
) -> None:
    lines = damaged(built, tmp_path, old, new)
    assert any(said in line for line in lines)
    assert all(line.startswith("refuse: ") and "\n" not in line for line in lines)


def test_a_rate_raised_by_a_hundredth(built: Path, tmp_path: Path) -> None:
    rate = read_profile(built / "machine.yaml").slew[0].rate_K_per_s
    (line,) = damaged(built, tmp_path, f"rate_K_per_s: {rate}", f"rate_K_per_s: {1.01 * rate:.5g}")
    assert f"its ramps bear out {rate:.3g} K/s" in line


def test_a_slower_rate_than_the_ramps_bear_out_is_no_offence(built: Path, tmp_path: Path) -> None:
    text = (built / "machine.yaml").read_text("utf-8")
    rate = read_profile(built / "machine.yaml").slew[0].rate_K_per_s
    slower = text.replace(f"rate_K_per_s: {rate}", f"rate_K_per_s: {0.98 * rate:.5g}", 1)
    (tmp_path / "m.yaml").write_text(slower, "utf-8")
    assert check_file(tmp_path / "m.yaml", built / "runs").facts["accepted"]


def test_look_ahead_shorter_than_the_safe_rates_make_it(built: Path) -> None:
    profile = read_profile(built / "machine.yaml")
    (row,) = list(smoothing_of(profile.slew, 205.0, 220.0))
    assert unlike_its_rates(profile.model_copy(update={"smoothing": (row,)})) == []
    short = row.model_copy(update={"look_ahead_s": 0.5 * row.look_ahead_s})
    (line,) = unlike_its_rates(profile.model_copy(update={"smoothing": (short,)}))
    assert line.startswith("refuse: smoothing[heating, from 205 °C, to 220 °C]: ")
    steep = row.model_copy(update={"slope_K_per_s": 2.0 * row.slope_K_per_s})
    (line,) = unlike_its_rates(profile.model_copy(update={"smoothing": (steep,)}))
    assert "the safe rate on its way is" in line


def test_rates_whose_runs_are_elsewhere_are_left_to_the_digests(
    built: Path, tmp_path: Path
) -> None:
    result = check_file(built / "machine.yaml", tmp_path)
    assert not any("slew[" in line for line in result.facts["runs"])
