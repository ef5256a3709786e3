"""Dips as the profile states them: what the board's controller adds on the way down."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from hotbench.bench.analysis import Analysis
from hotbench.bench.dips import recorded_dips, time_down
from hotbench.bench.predicting import Resumption, dip_rows, heater_flow, hold_duty, resumption_of
from hotbench.models.dips import WITHIN_DOWN_K


@given(kelvin=st.floats(0.0, 200.0), duty=st.floats(0.0, 1.0))
def test_extra_fall_is_the_integral_that_its_docstring_states(kelvin: float, duty: float) -> None:
    extra_K = Resumption(kelvin).extra_K(duty)
    resumes_K = kelvin * duty**0.75
    if resumes_K <= WITHIN_DOWN_K:
        assert extra_K == 0.0
    else:
        expected, _ = quad(lambda x: resumes_K / x - 1.0, WITHIN_DOWN_K, resumes_K)
        assert extra_K == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(kelvin=st.floats(1.0, 100.0), low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_more_duty_resumes_no_lower(kelvin: float, low: float, high: float) -> None:
    low, high = sorted((low, high))
    assert Resumption(kelvin).extra_K(low) <= Resumption(kelvin).extra_K(high)


def test_a_recorded_dip_is_stated_as_it_was_recorded(analysis: Analysis) -> None:
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
    assert row.time_down.value == pytest.approx(measured.value, rel=0.01)
    assert row.time_down.low <= measured.value <= row.time_down.high


def test_the_controller_only_ever_adds_time_and_doubt(analysis: Analysis) -> None:
    heater = analysis.heater
    assert heater is not None
    found = resumption_of(heater, analysis.runs)
    assert found is not None
    assert found.kelvin_at_full_duty > 0.0
    led = {(r.from_C, r.to_C, r.fan): r.time_down for r in dip_rows(heater, analysis.runs)}
    free = {(r.from_C, r.to_C, r.fan): r.time_down for r in dip_rows(heater)}
    assert led.keys() >= free.keys()
    for key, alone in free.items():
        assert led[key].value >= alone.value
        assert led[key].high - led[key].value >= 0.99 * (alone.high - alone.value)


def test_without_a_recorded_dip_nothing_is_added(analysis: Analysis) -> None:
    assert analysis.heater is not None
    ladders = [run for run in analysis.runs if run.info.procedure == "ramp"]
    assert resumption_of(analysis.heater, ladders) is None
    assert resumption_of(analysis.heater, ()) is None


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
    assert resumption_of(heater, analysis.runs) is None
    assert dip_rows(heater, analysis.runs)
