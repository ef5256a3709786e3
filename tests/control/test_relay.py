"""Frequency points from records of a relay, and the first-order process through one."""

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.control.forms import Pid
from hotbench.control.process import Process, ultimate
from hotbench.control.relay import (
    fundamental,
    limit_cycle,
    loop_gain,
    process_from_point,
    setpoint_response,
)
from hotbench.core.errors import BadInput

lags = st.floats(0.5, 200.0)
deads = st.floats(0.01, 20.0)


@given(lags, deads, st.floats(0.05, 20.0))
@settings(deadline=None)
def test_a_point_gives_its_process_back(lag: float, dead: float, turn: float) -> None:
    """At any frequency where the phase has not wrapped."""
    process = Process.first_order(300.0, lag, dead)
    omega = turn / (lag + dead)
    phase = float(process.phase_rad(np.array(omega)))
    if phase <= -2.0 * math.pi + 1e-6 or omega * lag < 1e-3:
        return
    back = process_from_point(complex(process.response(np.array(omega))), omega, 300.0)
    assert back.lags_s[0] == pytest.approx(lag, rel=1e-5)
    assert back.dead_s == pytest.approx(dead, rel=1e-3, abs=1e-6)


def test_ultimate_gain_from_a_point_elsewhere_is_that_of_the_process() -> None:
    """K=1, T=10, L=1: Ku 16.3506 at 1.63199 rad/s (python-control), from a point at 0.7 rad/s."""
    process = Process.first_order(1.0, 10.0, 1.0)
    point = complex(process.response(np.array(0.7)))
    assert ultimate(process_from_point(point, 0.7, 1.0)) == pytest.approx(
        (16.3506, 1.63199), rel=1e-5
    )


def test_the_exact_cycle_obeys_the_frequency_response() -> None:
    """Fundamentals of a stepped relay give the heater's response; the describing function, which
    takes the swing for a sine, is 18 % off on the same record."""
    process, step_s = Process.first_order(1.0, 10.0, 1.0), 1e-3
    period_s = limit_cycle(process, 1.0).period_s
    time_s, duty, reading = relay_record(process, step_s, 14.0 * period_s)
    last = time_s > time_s[-1] - 4.0 * period_s
    omega = 2.0 * math.pi / period_s
    shown = [fundamental(time_s[last], values[last], omega) for values in (reading, duty)]
    response = shown[0] / shown[1]
    exact = complex(process.response(np.array(omega)))
    assert abs(response) == pytest.approx(abs(exact), rel=5e-3)
    assert cmath.phase(response / exact) == pytest.approx(0.0, abs=5e-3)
    Ku, _ = ultimate(process_from_point(response, omega, 1.0))
    assert Ku == pytest.approx(16.3506, rel=0.01)


def relay_record(
    process: Process, step_s: float, span_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A relay stepped through the process's own differential equation."""
    count, delay = round(span_s / step_s), round(process.dead_s / step_s)
    lag, level = process.lags_s[0], 1e-6
    outputs, levels = [1.0] * delay, []
    for _ in range(count):
        outputs.append(-1.0 if level > 0.0 else 1.0)
        levels.append(level)
        level += step_s / lag * (process.gain * outputs[-delay - 1] - level)
    return step_s * np.arange(count), np.array(outputs[delay:]), np.array(levels)


@given(st.floats(0.2, 30.0), st.floats(-3.0, 3.0), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=40)
def test_fundamental_of_uneven_stamps(size: float, phase: float, seed: int) -> None:
    """A sine on a slope, read at jittered times with its third harmonic beside it."""
    random = np.random.default_rng(seed)
    time_s = 0.1 * np.arange(120.0) + random.uniform(-0.02, 0.02, 120)
    omega = 2.0 * math.pi / 1.7
    values = size * np.cos(omega * time_s + phase) + 0.2 * size * np.sin(3.0 * omega * time_s)
    found = fundamental(time_s, values + 220.0 + 0.05 * time_s, omega)
    assert found == pytest.approx(cmath.rect(size, phase), rel=1e-6, abs=1e-6)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(BadInput, match="too few samples"):
        fundamental(np.arange(5.0), np.arange(5.0), 1.0)


def test_open_loop_from_closed_loop() -> None:
    loop = complex(-0.4, 0.05)
    assert loop_gain(loop / (1.0 + loop)) == pytest.approx(loop)


@given(st.floats(0.05, 20.0), st.floats(0.0, 2.0), st.floats(0.0, 0.5))
@settings(deadline=None, max_examples=40)
def test_without_a_derivative_the_setpoint_response_gives_the_open_loop_back(
    omega: float, dead_s: float, Ki: float
) -> None:
    process, pid = Process(8.0, (5.0, 0.4), (), dead_s), Pid(0.3, Ki)
    found = loop_gain(setpoint_response(process, pid, omega, 0.0))
    at = np.array(omega)
    assert found == pytest.approx(complex(process.response(at) * pid.response(at)), rel=1e-9)


def test_a_slow_setpoint_is_followed_and_a_derivative_resists_a_fast_one() -> None:
    process, pid = Process(8.0, (5.0, 0.4), (), 0.2), Pid(0.3, 0.1, 0.5, 0.05)
    assert setpoint_response(process, pid, 1e-4, 0.1) == pytest.approx(1.0, abs=1e-3)
    plain = Pid(0.3, 0.1)
    fast = [abs(setpoint_response(process, each, 1.0, 0.1)) for each in (pid, plain)]
    assert fast[0] < fast[1]


def test_a_sampled_setpoint_is_later_by_the_wait_and_the_hold() -> None:
    """A weak loop hardly feeds back: phase is the heater's, plus a whole sample."""
    process, pid = Process(1.0, (5.0,), (), 0.3), Pid(1e-6)
    omega, sample_s = 2.0, 0.1
    found = setpoint_response(process, pid, omega, sample_s)
    expected = process.phase_rad(np.array(omega)) - omega * sample_s
    assert cmath.phase(found) == pytest.approx(float(expected), abs=1e-5)


@pytest.mark.parametrize(
    ("response", "said"),
    [(complex(400.0), "no first-order"), (0j, "no first-order"), (cmath.rect(50.0, -0.1), "leads")],
)
def test_impossible_points_are_refused(response: complex, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        process_from_point(response, 0.5, 300.0)
