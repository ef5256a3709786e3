"""Large changes of duty are put where the temperature says; small and commanded ones stay."""

from dataclasses import replace

import numpy as np
import pytest
from heater_logs import AMBIENT_C, TRUE, WRAPPED, log
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.arrays import FloatArray
from hotbench.core.records import COMMANDED_DUTY, Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_coverage import coverage, held_places
from hotbench.fitting.heater_data import (
    HeaterData,
    prepare,
    sampling_lead_s,
    switch_times,
)
from hotbench.fitting.heater_problem import Problem
from hotbench.fitting.heater_switches import WITHIN, notable, with_switches_found
from hotbench.models.heater import heater_model, simulate
from hotbench.models.heater_steps import P

INTERVAL_s = 0.1
FAST = {**TRUE, "heating_K_per_s": 24.0, "loss_per_s": 8e-3, "sensor_lag_s": 0.2}
LEVELS = (0.0, 1.0, 0.4, 0.0, 1.0, 0.1, 0.9, 0.0)
EACH = 80
KEYS = ("sensor_lag_s", "dead_time_s")


def recorded(late: FloatArray) -> Run:
    """A fast heater's log in which change k showed the share late[k] of an interval too late."""
    count = EACH * len(LEVELS)
    time_s = INTERVAL_s * np.arange(count)
    duty, zero = np.repeat(LEVELS, EACH).astype(float), np.zeros(count)
    changes = EACH * np.arange(1, len(LEVELS))
    begun_s = time_s.copy()
    begun_s[changes] -= late * INTERVAL_s
    trace = simulate("two-node", FAST, begun_s, duty, zero, zero, AMBIENT_C)
    noise = 0.1 * np.random.default_rng(5).standard_normal(count)
    read_C = np.interp(time_s, begun_s, trace.temperature_C) + noise
    base = log()
    return replace(
        base,
        time_s=time_s,
        temperature_C=read_C,
        setpoint_C=240.0 * (duty > 0.0),
        duty=duty,
        fan=zero,
        flow_mm3_per_s=zero,
        phase=np.repeat([f"level {k}" for k in range(len(LEVELS))], EACH),
    )


def problem_of(data: HeaterData) -> Problem:
    model = heater_model("two-node")
    return Problem(model, data, held_places(model, coverage(data)))


def true_values(problem: Problem) -> FloatArray:
    return np.array([FAST[unknown.parameter.name] for unknown in problem.unknowns])


@settings(deadline=None, max_examples=10)
@given(st.lists(st.floats(0.05, 0.75), min_size=7, max_size=7))
def test_each_change_is_found_within_its_interval(late: list[float]) -> None:
    """To a tenth of an interval, but for what all share: that is the dead time's.

    It is 0.2 of an interval here, so that later changes would be held at the interval's end.
    """
    run = recorded(np.array(late))
    problem = problem_of(prepare([run], ambient_C=AMBIENT_C))
    found = with_switches_found(problem, true_values(problem), 0.1)
    assert found is not None
    changes = EACH * np.arange(1, len(LEVELS))
    stretch = found.stretches[0]
    told = (stretch.time_s - stretch.switch_s)[changes] / INTERVAL_s
    off = told - np.array(late)
    assert np.abs(off - off.mean()).max() < 0.1


@settings(deadline=None, max_examples=10)
@given(st.lists(st.floats(0.0, 0.98), min_size=7, max_size=7), st.floats(0.01, 3.0))
def test_switches_keep_their_order_and_their_interval(late: list[float], rms_K: float) -> None:
    problem = problem_of(prepare([recorded(np.array(late))], ambient_C=AMBIENT_C))
    found = with_switches_found(problem, true_values(problem), rms_K)
    assert found is not None
    (stretch,) = found.stretches
    assert np.all(np.diff(stretch.switch_s) > 0.0)
    middle_s = switch_times(stretch.time_s, sampled=True)
    assert np.abs(stretch.switch_s - middle_s).max() <= WITHIN * INTERVAL_s + 1e-9


def test_only_changes_that_show_are_moved() -> None:
    (stretch,) = prepare([recorded(np.full(7, 0.5))], ambient_C=AMBIENT_C).stretches
    assert notable(stretch, 24.0).tolist() == [EACH * k for k in (1, 2, 3, 4, 5, 6, 7)]
    assert notable(stretch, 6.0).tolist() == [EACH * k for k in (1, 2, 4, 5, 6, 7)]
    assert notable(stretch, 1.0).size == 0


def test_a_slow_heater_s_data_stay_as_they_are() -> None:
    data = prepare([log()], ambient_C=AMBIENT_C)
    problem = problem_of(data)
    values = np.array([TRUE[unknown.parameter.name] for unknown in problem.unknowns])
    values[0] = 1e-3
    assert with_switches_found(problem, values, 0.1) is None


def commanded(run: Run) -> Run:
    return replace(run, info=replace(run.info, settings={COMMANDED_DUTY: True}))


def test_a_commanded_duty_holds_from_its_row_on() -> None:
    run = commanded(recorded(np.zeros(7)))
    (stretch,) = prepare([run], ambient_C=AMBIENT_C).stretches
    np.testing.assert_array_equal(stretch.switch_s, stretch.time_s)
    assert notable(stretch, 1e3).size == 0
    assert sampling_lead_s(run) == 0.0
    assert sampling_lead_s(recorded(np.zeros(7))) == pytest.approx(0.5 * INTERVAL_s)


def test_dead_time_is_the_heater_s_own_however_the_duty_was_logged() -> None:
    """Half an interval lies between both readings of the same log."""
    known = {p.name: TRUE[p.name] for p in heater_model("one-node").parameters}
    run = log("one-node", known, interval_s=0.4)
    lags_s = [
        sum(fit_heater([one], models=["one-node"]).values[key] for key in KEYS)
        for one in (run, commanded(run))
    ]
    assert lags_s[0] - lags_s[1] == pytest.approx(0.2, abs=0.02)


def test_a_shell_is_found_where_there_is_one() -> None:
    """A log of the three-node model itself: chosen, and its heating within a few percent."""
    fit = fit_heater([log("three-node", WRAPPED, noise_K=0.02)])
    assert fit.model == "three-node"
    assert fit.values["heating_K_per_s"] == pytest.approx(WRAPPED["heating_K_per_s"], rel=0.03)
    assert fit.rms_K < 0.03


def test_a_shell_slower_than_the_record_is_not_fitted() -> None:
    """It would take up heat that a steady hold does not lose, and nothing in the record says so."""
    data = prepare([log()], ambient_C=AMBIENT_C)
    problem = Problem(heater_model("three-node"), data)
    (shell,) = [u.parameter for u in problem.unknowns if u.place is P.SHELL_EXCHANGE]
    (stretch,) = data.stretches
    assert shell.low == pytest.approx(1.0 / (stretch.time_s[-1] - stretch.time_s[0]))


@pytest.mark.parametrize("noise_K", [0.05, 0.2, 1.0])
def test_the_readings_noise_is_told_from_the_course(noise_K: float) -> None:
    data = prepare([log(noise_K=noise_K)], ambient_C=AMBIENT_C)
    assert data.noise_K == pytest.approx(noise_K, rel=0.1)
