"""Figures of setpoint moves drawn from a real analysis, and left out where nothing is known."""

import numpy as np
import pytest

from hotbench.bench.analysis import Analysis
from hotbench.bench.dips import recorded_dips
from hotbench.bench.predicting import board_of, slew_rows
from hotbench.bench.profiling import build
from hotbench.bench.reporting import slew_sections
from hotbench.bench.slew_figures import cause_picture, dip_pictures, dip_traces, smoothing_picture
from hotbench.fitting.ramps import RampTrial, ramp_trials
from hotbench.profile.types import MachineProfile


@pytest.fixture(scope="module")
def profile(analysis: Analysis) -> MachineProfile:
    return build(analysis)


def test_safe_slew_names_the_causes_in_both_directions(analysis: Analysis) -> None:
    assert analysis.heater is not None
    rows = slew_rows(analysis.slew, analysis.heater)
    drawn = cause_picture(analysis.heater, analysis.slew, rows)
    assert "heating / K/s" in drawn.svg
    assert "cooling / K/s" in drawn.svg
    assert "passive cooling" in drawn.svg
    assert "claimed from ramps" in drawn.svg


def test_claims_rest_on_the_runs_that_ramped(analysis: Analysis) -> None:
    """A jump or a repetition is no evidence of a ramp rate."""
    ramped = {trial.run_id for trial in ramp_trials_of(analysis)}
    claims = [row for row in slew_rows(analysis.slew, None) if row.evidence.trials]
    assert claims
    assert {name for row in claims for name in row.evidence.runs} == ramped


def ramp_trials_of(analysis: Analysis) -> list[RampTrial]:
    return [trial for run in analysis.runs for trial in ramp_trials(run)]


def test_recorded_dips_are_drawn_with_their_prediction(analysis: Analysis) -> None:
    (drawn,) = dip_pictures(analysis.heater, analysis.runs)
    assert "220 to 190 °C, fan 0" in drawn.svg
    assert "under the board's controller" in drawn.caption
    assert drawn.svg.count("since the command down / s") >= 1


def test_the_drawn_prediction_comes_near_the_record(analysis: Analysis) -> None:
    """Within 3 K from the setpoint alone, once the dip is under way."""
    assert analysis.heater is not None
    board = board_of(analysis.heater, analysis.runs)
    (run,) = [run for run in analysis.runs if run.info.procedure == "step"]
    (dip,) = recorded_dips(run)
    (trace,) = list(dip_traces(analysis.heater, board, run))
    assert trace.time_s[-1] <= run.time_s[dip.past - 1] - dip.down_at_s
    assert np.abs(trace.predicted_C - trace.measured_C).max() < 3.0
    assert len(trace.predicted) == len(trace.measured) == 2


def test_no_heater_or_no_dips_draws_none(analysis: Analysis) -> None:
    assert list(dip_pictures(None, analysis.runs)) == []
    ladders = [run for run in analysis.runs if run.info.procedure == "ramp"]
    assert list(dip_pictures(analysis.heater, ladders)) == []


def test_smoothing_is_drawn_where_rates_are_known(profile: MachineProfile) -> None:
    drawn = smoothing_picture(profile)
    assert drawn is not None
    assert "look-ahead / s" in drawn.svg
    assert smoothing_picture(profile.model_copy(update={"slew": ()})) is None


def test_the_report_has_a_section_for_each(analysis: Analysis, profile: MachineProfile) -> None:
    sections = {section.title: section for section in slew_sections(analysis, profile)}
    assert list(sections) == ["Safe slew rate", "Smoothing"]
    assert [p.title for p in sections["Safe slew rate"].figures][-1] == (
        "Safe slew by limiting cause"
    )
    (table,) = sections["Smoothing"].tables
    assert table.rows[0][0] == "220 to 200 °C"


def test_profile_states_look_ahead_both_ways(profile: MachineProfile) -> None:
    directions = {row.direction for row in profile.smoothing}
    assert directions == {"heating", "cooling"}
    for row in profile.smoothing:
        rates = [
            r.rate_K_per_s for r in profile.slew if r.direction == row.direction and r.fan == 0.0
        ]
        assert row.slope_K_per_s in rates
        assert row.cost_without_s == row.look_ahead_s
