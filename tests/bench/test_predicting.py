"""Dips as the profile states them: what the board's controller adds on the way down."""

from dataclasses import replace

import numpy as np
import pytest

from hotbench.bench.analysis import Analysis, FitOptions, analyse_runs
from hotbench.bench.dips import recorded_dips, time_down
from hotbench.bench.predicting import (
    board_of,
    dip_rows,
    heater_flow,
    hold_duty,
    slew_rows,
    timed_dips,
)
from hotbench.core.records import Run
from hotbench.models.heater_steps import P
from hotbench.sim import truth
from hotbench.sim.printers import PRINTERS


def test_a_recorded_dip_is_stated_as_it_was_recorded(analysis: Analysis) -> None:
    """Within its noise; the interval holds the noise-free time."""
    assert analysis.heater is not None
    (run,) = [run for run in analysis.runs if run.info.procedure == "step"]
    (dip,) = recorded_dips(run)
    measured = time_down(run, dip, run.temperature_C)
    (row,) = [
        row
        for row in dip_rows(analysis.heater, analysis.runs)
        if (row.from_C, row.to_C, row.fan) == (dip.from_C, dip.to_C, dip.fan)
    ]
    assert measured is not None
    assert measured.half_width is not None
    apart_s = abs(row.time_down.value - measured.value)
    assert apart_s <= 0.01 * measured.value + measured.half_width
    true = truth.dip_times(PRINTERS["swift-sleeve"], dip.from_C, dip.to_C, fan=dip.fan)
    assert row.time_down.low <= true.down_s <= row.time_down.high


def test_the_board_s_controller_explains_its_dips(analysis: Analysis) -> None:
    """Its gains are those of the simulated board that was recorded."""
    assert analysis.heater is not None
    found, true = board_of(analysis.heater, analysis.runs), PRINTERS["swift-sleeve"]
    assert found is not None
    assert found.gain_per_K == pytest.approx(true.gain_per_K, rel=0.15)
    assert found.integral_time_s == pytest.approx(true.integral_time_s, rel=0.1)


def test_the_controller_only_ever_adds_time(analysis: Analysis) -> None:
    heater = analysis.heater
    assert heater is not None
    led = {(r.from_C, r.to_C, r.fan): r for r in dip_rows(heater, analysis.runs)}
    free = {(r.from_C, r.to_C, r.fan): r for r in dip_rows(heater)}
    assert led.keys() >= free.keys()
    for key, alone in free.items():
        assert led[key].time_down.value >= 0.98 * alone.time_down.value
        assert led[key].time_back.basis == "fitted"
        assert led[key].earliest_command.value == led[key].time_down.high


def test_without_a_recorded_dip_the_way_back_is_assumed(analysis: Analysis) -> None:
    heater = analysis.heater
    assert heater is not None
    ladders = [run for run in analysis.runs if run.info.procedure == "ramp"]
    assert board_of(heater, ladders) is None
    for row in dip_rows(heater, ladders):
        assert (row.time_back.basis, row.time_back.low) == ("assumed", None)
        assert row.time_down.low < row.time_down.value < row.time_down.high


@pytest.mark.parametrize("stated_K", [None, 9.0, 50.0])
def test_no_rate_elsewhere_exceeds_what_the_board_allowed(
    analysis: Analysis, stated_K: float | None
) -> None:
    """Also where nobody says again at which deviation the board faults."""
    again = analyse_runs(analysis.runs, FitOptions(fault_deviation_K=stated_K))
    rows = slew_rows(again.slew, again.heater)
    claims = [row for row in rows if row.evidence.trials]
    assert {row.direction for row in claims} == {"heating", "cooling"}
    for claim in claims:
        others = [row for row in rows if row.direction == claim.direction]
        if claim.limiting_cause in ("controller fault", "loop tracking"):
            fastest = max(one.rate_K_per_s for one in claims if one.direction == claim.direction)
            assert max(row.rate_K_per_s for row in others) <= fastest


def without_duty(run: Run) -> Run:
    return replace(run, duty=np.full(len(run), np.nan))


def test_dips_of_an_unknown_controller_stand_as_recorded(analysis: Analysis) -> None:
    heater, blind = analysis.heater, [without_duty(run) for run in analysis.runs]
    assert heater is not None
    assert board_of(heater, blind) is None
    recorded = {one.key: one for one in timed_dips(blind)}
    assert recorded
    for row in dip_rows(heater, blind):
        one = recorded.get((row.from_C, row.to_C, row.fan))
        assert row.time_back.basis == ("measured" if one else "assumed")
        if one:
            assert (row.time_down, row.time_back) == (one.time_down, one.time_back)
            assert row.earliest_command.value == one.time_down.high


def test_a_record_that_contradicts_the_prediction_widens_every_interval(
    analysis: Analysis,
) -> None:
    """The heater is made to shed its heat too slowly; the record says so."""
    heater = analysis.heater
    assert heater is not None
    base = heater.propagation.base.copy()
    base[P.LOSS] *= 0.8
    wrong = replace(heater, propagation=replace(heater.propagation, base=base))
    honest, doubted = (
        {(r.from_C, r.to_C, r.fan): r.time_down for r in dip_rows(fit, analysis.runs)}
        for fit in (heater, wrong)
    )
    for key, time in doubted.items():
        assert time.half_width / time.value > honest[key].half_width / honest[key].value
    for one in timed_dips(analysis.runs):
        assert doubted[one.key].low <= one.time_down.value <= doubted[one.key].high


def test_hold_duty_follows_the_nearest_known_fan(analysis: Analysis) -> None:
    heater = analysis.heater
    assert heater is not None
    still, blown = hold_duty(heater, 200.0), hold_duty(heater, 200.0, 1.0)
    assert 0.0 < still < blown < 1.0
    assert hold_duty(heater, 200.0, 0.9) == blown
    rises = [hold_duty(heater, float(at)) for at in np.linspace(150.0, 220.0, 8)]
    assert rises == sorted(rises)


def test_without_a_holding_duty_what_rests_on_it_is_not_known(analysis: Analysis) -> None:
    assert analysis.heater is not None
    heater = replace(analysis.heater, hold_duty=())
    assert hold_duty(heater, 200.0) is None
    assert heater_flow(heater) is None
    assert dip_rows(heater, analysis.runs)
