"""What was declared of the board's fault level with a run: kept by it, and used by claims."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from declared_ladders import LEVEL_K, SPREAD, ladder

from hotbench.bench.analysis import FitOptions, analyse, declared
from hotbench.bench.profiling import build_file, check_file
from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.profile.yaml_io import read_profile
from hotbench.store.reader import read_run


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    at = tmp_path_factory.mktemp("declared")
    return ladder(at / "ramp", fault_deviation_K=LEVEL_K, fault_spread=SPREAD)


@pytest.fixture
def run(recorded: Path) -> Run:
    return read_run(recorded)


def with_settings(run: Run, **changed: Any) -> Run:
    return replace(run, info=replace(run.info, settings={**run.info.settings, **changed}))


def test_the_run_keeps_what_was_declared(run: Run) -> None:
    assert run.info.settings["fault_deviation_K"] == LEVEL_K
    assert run.info.settings["fault_spread"] == SPREAD
    # exp(-2.3263 x 0.05): where one board in a hundred faults at this spread.
    assert run.info.settings["abandon_deviation_K"] == pytest.approx(0.8902 * LEVEL_K, rel=1e-3)


def test_the_claim_uses_it_without_a_word(recorded: Path) -> None:
    found = analyse([recorded])
    told = analyse([recorded], FitOptions(fault_deviation_K=LEVEL_K, fault_spread=SPREAD))
    assert found.plain() == told.plain()
    heating = found.slew.of("heating")
    assert heating.method == "tolerance bound"
    assert heating.rate.value > 0.0
    assert "varies by 5 % from ramp to ramp, as declared" in heating.assumptions[0]


def test_what_is_stated_for_the_fit_wins(recorded: Path) -> None:
    stated = ({}, {"fault_spread": 0.3}, {"fault_deviation_K": 0.6 * LEVEL_K})
    found = [analyse([recorded], FitOptions(**given)).slew.of("heating") for given in stated]
    as_recorded, wide, low = (fit.rate.value for fit in found)
    assert wide < as_recorded
    assert low < as_recorded


def test_the_profile_states_what_its_claims_rest_on(recorded: Path, tmp_path: Path) -> None:
    build_file([recorded], tmp_path / "told.yaml", FitOptions())
    options = read_profile(tmp_path / "told.yaml").provenance.options
    assert options == {"fault_deviation_K": LEVEL_K, "fault_spread": SPREAD}
    findings = check_file(tmp_path / "told.yaml", None).facts["findings"]
    assert "slew" not in {found.where for found in findings}


def test_a_spread_that_nobody_declared_is_said_to_be_assumed(tmp_path: Path) -> None:
    folder = ladder(tmp_path / "ramp", fault_deviation_K=LEVEL_K)
    analysis = analyse([folder])
    (said,) = (t for t in analysis.tables() if t.caption == "what the safe rates rest on")
    assert "declare it where it varies by more" in said.rows[0][0]
    build_file([folder], tmp_path / "m.yaml", FitOptions())
    assert read_profile(tmp_path / "m.yaml").provenance.options["assumed_fault_spread"] == 0.1
    (found,) = (
        f for f in check_file(tmp_path / "m.yaml", None).facts["findings"] if f.where == "slew"
    )
    assert found.line.endswith("declare a wider spread, --fault-spread, and build again")
    assert "varies by 10 % at most, which is assumed" in found.line


def test_of_several_declarations_the_most_cautious_counts(run: Run) -> None:
    other = with_settings(run, fault_deviation_K=6.0, fault_spread=0.02)
    silent = with_settings(run, fault_deviation_K=None, fault_spread=None)
    found = declared([run, other, silent], FitOptions())
    assert (found.fault_deviation_K, found.fault_spread) == (6.0, SPREAD)
    assert declared([silent], FitOptions()) == FitOptions()


def test_runs_that_differ_in_it_are_pointed_out(run: Run) -> None:
    from hotbench.bench.analysis import analyse_runs

    other = replace(run, info=replace(run.info, run_id="other"))
    (gap,) = analyse_runs([run, with_settings(other, fault_deviation_K=6.0)]).gaps
    assert gap.why == "runs were recorded with 6 and 8.5 K; the lowest counts"


@pytest.mark.parametrize("value", ["much", float("nan"), -3.0, [6.0]])
def test_a_setting_that_is_no_number_is_refused(run: Run, value: object) -> None:
    with pytest.raises(BadInput, match="'fault_deviation_K' is no number"):
        declared([with_settings(run, fault_deviation_K=value)], FitOptions())


@pytest.mark.parametrize("value", [-0.1, 0.6, float("nan")])
def test_a_spread_out_of_range_is_refused(value: float, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="fault_spread"):
        FitOptions(fault_spread=value)
    with pytest.raises(BadInput, match="spread"):
        ladder(tmp_path / "ramp", fault_deviation_K=LEVEL_K, fault_spread=value)
    assert not (tmp_path / "ramp").exists()
