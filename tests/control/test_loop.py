"""Time simulation against python-control and closed forms; relay and feed-forward."""

import math

import control
import numpy as np
import pytest

from hotbench.control.feedforward import flow_duty, ramp_duty, ramp_lag_K
from hotbench.control.forms import Pid, from_ideal
from hotbench.control.loop import Response, Scenario, figures, predict, simulate
from hotbench.control.process import Process, ultimate
from hotbench.control.relay import (
    LimitCycle,
    describing_function_gain,
    limit_cycle,
    process_from_cycle,
)
from hotbench.control.rules import simc_pi
from hotbench.core.errors import BadInput

UNBOUND = Scenario(step_K=1.0, load_duty=0.05, hold_duty=0.5, sample_s=0.005)
FIRST = Process.first_order(1.0, 10.0, 1.0)


def test_unsaturated_loop_equals_python_control() -> None:
    """Closed-loop step and load step of a rational loop; the sampling is 200 times faster."""
    process, pid = Process(50.0, (5.0, 1.0), (0.5,)), Pid(0.02, 0.005)
    found = simulate(process, pid, UNBOUND, settle_s=30.0)
    s = control.tf("s")
    plant = 50.0 * (0.5 * s + 1) / ((5 * s + 1) * (s + 1))
    controller = 0.02 + 0.005 / s
    time_s = found.time_s[: found.load_at]
    step = control.step_response(control.feedback(plant * controller), time_s).outputs
    assert np.abs(found.temperature_K[: found.load_at] - step).max() < 0.01
    load = control.step_response(control.feedback(plant, controller), time_s).outputs
    sagged = found.temperature_K[found.load_at :] - found.temperature_K[found.load_at - 1]
    assert np.abs(sagged + 0.05 * load).max() < 0.01


def test_a_dead_time_only_shifts_the_start() -> None:
    """Before the first echo the delayed loop is the open loop: gain Kp (1 - exp(-t/lag))."""
    found = simulate(FIRST, Pid(0.3), UNBOUND, settle_s=10.0)
    early = (found.time_s > 1.0) & (found.time_s < 1.9)
    expected = 0.3 * -np.expm1(-(found.time_s[early] - 1.0) / 10.0)
    assert np.abs(found.temperature_K[early] - expected).max() < 0.002
    assert np.all(found.temperature_K[found.time_s < 0.99] == 0.0)


def test_load_error_is_the_textbook_integral() -> None:
    """∫e dt after a unit load is Ti/Kc where nothing swings (Åström and Hägglund)."""
    slow = from_ideal(1.0, 12.0)
    scenario = Scenario(step_K=0.0, load_duty=0.1, hold_duty=0.5, sample_s=0.02)
    found = figures(simulate(FIRST, slow, scenario, settle_s=200.0), band_K=1.0)
    assert found.error_load_Ks == pytest.approx(0.1 * 12.0, rel=0.01)


def test_duty_stays_within_its_ends_and_the_integral_does_not_wind_up() -> None:
    process = Process.first_order(400.0, 20.0, 1.0)
    scenario = Scenario(step_K=60.0, load_duty=0.05, hold_duty=0.3)
    found = simulate(process, simc_pi(process), scenario, settle_s=60.0)
    assert found.duty.max() == pytest.approx(0.7)
    assert found.duty.min() >= -0.3
    assert figures(found, 1.0).overshoot_K < 0.1 * scenario.step_K


def test_figures_of_a_known_response() -> None:
    time_s = np.arange(0.0, 8.0, 1.0)
    temperature_K = np.array([0.0, 12.0, 10.5, 10.0, 7.0, 9.5, 10.0, 10.0])
    response = Response(time_s, np.full(8, 10.0), temperature_K, np.zeros(8), load_at=4)
    found = figures(response, band_K=1.0)
    assert (found.overshoot_K, found.settling_s) == (2.0, 2.0)
    assert (found.sag_K, found.recovery_s) == (3.0, 1.0)
    assert (found.error_step_Ks, found.error_load_Ks) == (12.5, 3.5)
    assert figures(response, band_K=0.1).recovery_s == 2.0


def test_what_never_settles_takes_for_ever() -> None:
    swinging = Pid(1.02 * ultimate(FIRST)[0])
    found = predict(FIRST, swinging, Scenario(step_K=0.3, hold_duty=0.5, band_K=0.01))
    assert found.settling_s == math.inf


def test_impossible_scenarios_are_refused() -> None:
    with pytest.raises(BadInput, match="leave power"):
        Scenario(hold_duty=1.0)
    with pytest.raises(BadInput, match="must be positive"):
        Scenario(sample_s=0.0)


def test_relay_cycle_as_computed_independently() -> None:
    """Figures of an exact simulation: amplitude 0.09516, period 3.8181, Ku 18 % low."""
    cycle = limit_cycle(FIRST, 1.0)
    assert cycle.amplitude_K == pytest.approx(0.09516, abs=5e-6)
    assert cycle.period_s == pytest.approx(3.8181, abs=5e-5)
    estimate = describing_function_gain(cycle, 1.0)
    assert estimate / ultimate(FIRST)[0] - 1.0 == pytest.approx(-0.18, abs=0.005)


@pytest.mark.parametrize("process", [FIRST, Process.integrator(0.5, 0.7)])
def test_relay_cycle_equals_a_stepped_relay(process: Process) -> None:
    """A relay stepped through the process's own differential equation, 0.1 ms at a time."""
    step_s = 1e-4
    swing = stepped_relay(process, step_s)
    peaks = np.flatnonzero((swing[1:-1] > swing[:-2]) & (swing[1:-1] >= swing[2:])) + 1
    cycle = limit_cycle(process, 1.0)
    assert swing[peaks[-1]] == pytest.approx(cycle.amplitude_K, rel=2e-3)
    assert (peaks[-1] - peaks[-2]) * step_s == pytest.approx(cycle.period_s, rel=2e-3)


def stepped_relay(
    process: Process, step_s: float
) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    steps, delay = round(25.0 / step_s), round(process.dead_s / step_s)
    decay = 0.0 if process.integrating else 1.0 / process.lags_s[0]
    drive = process.gain * (1.0 if process.integrating else decay)
    level, outputs, levels = 1e-6, [1.0] * delay, []
    for _ in range(steps):
        outputs.append(-1.0 if level > 0.0 else 1.0)
        level += step_s * (drive * outputs[-delay - 1] - decay * level)
        levels.append(level)
    return np.array(levels)


@pytest.mark.parametrize(("lag", "dead"), [(10.0, 1.0), (3.0, 2.0), (40.0, 0.3)])
def test_relay_cycle_gives_its_process_back(lag: float, dead: float) -> None:
    process = Process.first_order(120.0, lag, dead)
    back = process_from_cycle(limit_cycle(process, 0.2), 0.2, 120.0)
    assert (*back.lags_s, back.dead_s) == pytest.approx((lag, dead))


def test_impossible_cycles_are_refused() -> None:
    with pytest.raises(BadInput, match="larger than the relay can drive"):
        process_from_cycle(LimitCycle(3.0, 5.0), 0.1, 20.0)
    with pytest.raises(BadInput, match="needs one lag"):
        limit_cycle(Process(1.0, (3.0, 1.0), (), 0.2), 1.0)


def test_feedforward_of_flow() -> None:
    assert flow_duty(0.09, 18.0) == pytest.approx(0.005)
    with pytest.raises(BadInput, match="must be positive"):
        flow_duty(0.09, 0.0)


def test_feedforward_of_a_ramp_keeps_to_it() -> None:
    """A long ramp driven by rate · ramp_duty + level/gain trails by rate times dead time only."""
    process, rate = Process(300.0, (12.0, 2.0, 0.5), (6.0,), 0.4), 2.0
    time_s = np.arange(0.0, 150.0, 0.01)
    duty = rate * ramp_duty(process) + rate * time_s / process.gain
    s = control.tf("s")
    plant = 300.0 * (6 * s + 1) / ((12 * s + 1) * (2 * s + 1) * (0.5 * s + 1))
    reading = control.forced_response(plant, time_s, duty).outputs[-1]
    lag_K = ramp_lag_K(process, rate)
    assert lag_K == pytest.approx(0.8)
    assert reading == pytest.approx(rate * time_s[-1], abs=1e-3)
    assert ramp_duty(Process.integrator(4.0, 0.3)) == 0.25
