"""AMIGO's constants, which are from memory, against its worked examples and its published aim.

The worked examples are the paper's three processes with the models and gains it prints, from memory
like the constants, but remembered apart from them: one wrong constant and they disagree.

Åström and Hägglund made the rule fit designs of the most integral gain (MIGO) whose Nyquist curve
keeps out of the circle that holds both sensitivities at M = 1.4 (J. Process Control 14 (2004) 635,
aim and circle). The designs are computed here; no constant of the rule is used for them.
"""

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy import signal

from hotbench.control.process import ComplexArray, Process
from hotbench.control.rules import amigo_pi, amigo_pid
from hotbench.core.arrays import FloatArray

M = 1.4
CENTRE = (2.0 * M * M - 2.0 * M + 1.0) / (2.0 * M * (M - 1.0))
RADIUS = (2.0 * M - 1.0) / (2.0 * M * (M - 1.0))
LAGS: tuple[float | None, ...] = (
    0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, None,
)  # fmt: skip
"""In dead times; None integrates."""
PI = (0.15, 0.35, 0.35, 13.0, 12.0, 7.0, 0.35, 13.4)
PID = (0.2, 0.45, 0.4, 0.8, 0.1, 0.5, 0.3, 0.45, 8.0, 0.5)
CIRCLE_PI, CIRCLE_PID, TIME, MEETING = 0.07, 0.015, 0.15, 0.005
"""How closely the rule keeps to the circle, to the optimum's time and at where its rows meet."""

OMEGA: FloatArray = np.geomspace(1e-3, 40.0, 2500)
Gains = tuple[float, float, float]
Form = Callable[[float | None, Sequence[float]], Gains]


def process(lag: float | None) -> Process:
    return Process.integrator(1.0, 1.0) if lag is None else Process.first_order(1.0, lag, 1.0)


def pi(lag: float | None, c: Sequence[float]) -> Gains:
    """The published form with constants `c`, gain 1 and dead time 1: Kc, Ti, Td."""
    if lag is None:
        return c[6], c[7], 0.0
    T = lag
    Ti = c[2] + c[3] * T * T / (T * T + c[4] * T + c[5])
    return c[0] + (c[1] - T / (1.0 + T) ** 2) * T, Ti, 0.0


def pid(lag: float | None, c: Sequence[float]) -> Gains:
    if lag is None:
        return c[7], c[8], c[9]
    return c[0] + c[1] * lag, (c[2] + c[3] * lag) / (1.0 + c[4] * lag), c[5] * lag / (c[6] + lag)


def clearance(lag: float | None, gains: Gains) -> float:
    """Least distance to the circle's centre over its radius: 1 where the curve touches it."""
    Kc, Ti, Td = gains
    s = 1j * OMEGA
    loop = process(lag).response(OMEGA) * Kc * (1.0 + 1.0 / (s * Ti) + Td * s)
    return float(np.abs(loop + CENTRE).min()) / RADIUS


def optimum_Ti(lag: float | None) -> float:
    """Integral time of the PI of most integral gain outside the circle, by plain search."""
    response = process(lag).response(OMEGA)
    half_turn = np.flatnonzero(np.unwrap(np.angle(response)) < -np.pi)[0]
    most = 1.0 / abs(response[half_turn])
    gains = most * np.geomspace(0.02, 1.0, 240)
    times = np.geomspace(0.25, 20.0, 60)
    best = [_largest(response, Ti, gains) / Ti for Ti in times]
    return float(times[int(np.argmax(best))])


def _largest(response: ComplexArray, Ti: float, gains: FloatArray) -> float:
    """The largest of `gains` that is stable and keeps out of the circle; 0 where none does."""
    unit = response * (1.0 + 1.0 / (1j * OMEGA * Ti))
    kept = np.abs(gains[:, np.newaxis] * unit + CENTRE).min(axis=1) >= RADIUS
    half_turn = np.flatnonzero(np.unwrap(np.angle(unit)) < -np.pi)[0]
    stable = gains * abs(unit[half_turn]) < 1.0
    return float(gains[kept & stable].max(initial=0.0))


def meets_aims(form: Form, constants: Sequence[float], *, circle: float, timed: bool) -> bool:
    """Circle over all lags, and both rows meeting where the lag is long; for PI also the time."""
    near = np.array([clearance(lag, form(lag, constants)) for lag in LAGS])
    times = [form(lag, constants)[1] / best for lag, best in BEST.items()] if timed else [1.0]
    return (
        rows_meet(form, constants)
        and bool(np.abs(near - 1.0).max() <= circle)
        and bool(np.abs(np.array(times) - 1.0).max() <= TIME)
    )


def rows_meet(form: Form, constants: Sequence[float]) -> bool:
    """Whether the row for lags tends to the row for an integrator of slope 1/lag."""
    long = 1e6
    Kc, Ti, Td = form(long, constants)
    return form(None, constants) == pytest.approx((Kc / long, Ti, Td), rel=MEETING)


BEST = {lag: optimum_Ti(lag) for lag in (0.05, 0.5, 1.0, 5.0, 20.0, 50.0)}


@pytest.mark.parametrize("lag", LAGS)
def test_the_rules_hold_these_constants(lag: float | None) -> None:
    """The package's rules, for any gain and dead time, are the forms with these constants."""
    for rule, form, constants in ((amigo_pi, pi, PI), (amigo_pid, pid, PID)):
        assert rule(process(lag)).ideal == pytest.approx(form(lag, constants), rel=1e-12)


@pytest.mark.parametrize("lag", LAGS)
def test_the_curve_touches_the_circle(lag: float | None) -> None:
    assert clearance(lag, pi(lag, PI)) == pytest.approx(1.0, abs=CIRCLE_PI)
    assert clearance(lag, pid(lag, PID)) == pytest.approx(1.0, abs=CIRCLE_PID)


@pytest.mark.parametrize("lag", BEST)
def test_integral_time_is_the_optimum_s(lag: float) -> None:
    assert pi(lag, PI)[1] == pytest.approx(BEST[lag], rel=TIME)


WORKED: tuple[tuple[float, float, Gains | None, Gains], ...] = (
    (1.04, 0.075, (4.13, 0.539, 0.0), (6.44, 0.361, 0.0367)),
    (2.90, 1.42, (0.414, 2.66, 0.0), (1.12, 2.40, 0.619)),
    (0.0932, 1.01, None, (0.242, 0.474, 0.119)),
)
"""Lag, dead time, PI and PID of 1/((1+s)(1+0.1s)(1+0.01s)(1+0.001s)), 1/(1+s)^4 and
exp(-s)/(1+0.05s)^2: the lag-dominated, balanced and delay-dominated examples of Åström and
Hägglund, J. Process Control 14 (2004) 635. From memory; the third PI is not remembered."""


@pytest.mark.parametrize(("T_s", "L_s", "as_pi", "as_pid"), WORKED)
def test_worked_examples(T_s: float, L_s: float, as_pi: Gains | None, as_pid: Gains) -> None:
    model = Process.first_order(1.0, T_s, L_s)
    assert amigo_pid(model).ideal == pytest.approx(as_pid, rel=6e-3)
    if as_pi is not None:
        assert amigo_pi(model).ideal == pytest.approx(as_pi, rel=3e-3)


@pytest.mark.parametrize(
    ("lags_s", "delay_s", "worked"),
    [((1.0, 0.1, 0.01, 0.001), 0.0, WORKED[0]), ((1.0,) * 4, 0.0, WORKED[1]),
     ((0.05, 0.05), 1.0, WORKED[2])],
)  # fmt: skip
def test_models_of_the_worked_examples(
    lags_s: tuple[float, ...], delay_s: float, worked: tuple[float, float, Any, Any]
) -> None:
    """Dead time from the steepest tangent, lag from the 63 % point, as the paper defines them."""
    denominator = np.poly([-1.0 / lag for lag in lags_s]).astype(np.float64)
    plant = (denominator[-1:], denominator)
    time_s, rise = signal.step(plant, T=np.linspace(0.0, 8.0 * max(lags_s), 40001))
    slope = np.gradient(rise, time_s)
    steepest = int(np.argmax(slope))
    dead_s = time_s[steepest] - rise[steepest] / slope[steepest] + delay_s
    lag_s = float(np.interp(1.0 - math.exp(-1.0), rise, time_s)) + delay_s - dead_s
    assert (lag_s, dead_s) == pytest.approx(worked[:2], rel=0.02)


PI_CASE = (pi, PI, {"circle": CIRCLE_PI, "timed": True})
PID_CASE = (pid, PID, {"circle": CIRCLE_PID, "timed": False})


@pytest.mark.parametrize(
    ("case", "factor", "unnoticed"),
    [
        (PI_CASE, 1.5, []),
        (PI_CASE, 1.0 / 1.5, [7.0]),
        (PID_CASE, 1.5, []),
        (PID_CASE, 1.0 / 1.5, []),
    ],
)
def test_a_misremembered_constant_would_be_noticed(
    case: tuple[Form, tuple[float, ...], dict[str, Any]], factor: float, unnoticed: list[float]
) -> None:
    """Each constant half again as large, or as small, breaks an aim; but for one, one way."""
    form, constants, aims = case
    assert meets_aims(form, constants, **aims)
    wrong = [
        (*constants[:place], factor * constant, *constants[place + 1 :])
        for place, constant in enumerate(constants)
    ]
    passed = [meets_aims(form, changed, **aims) for changed in wrong]
    assert [c for c, unseen in zip(constants, passed, strict=True) if unseen] == unnoticed
