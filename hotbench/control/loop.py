"""Time simulation of a loop around an operating point: setpoint step, then a flow step."""

import math
from dataclasses import dataclass
from functools import lru_cache, reduce

import numpy as np
from numba import njit
from scipy.signal import cont2discrete, tf2ss

from hotbench.control.forms import Pid
from hotbench.control.process import Process
from hotbench.control.reduce import integrator
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput

STEPS_PER_TIME = 20.0
"""Simulation steps per dead time and per shortest lag."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A setpoint step and, once that has settled, a flow step.

    step_K: setpoint change. load_duty: the duty that the filament's heat draws at the flow step.
    hold_duty: duty at the operating point before the step, which leaves 1 - hold_duty to heat
    with. sample_s: the board's control interval. band_K: what counts as settled.
    """

    step_K: float = 20.0
    load_duty: float = 0.1
    hold_duty: float = 0.2
    sample_s: float = 0.1
    band_K: float = 1.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.hold_duty < 1.0:
            raise BadInput("hold duty must leave power", value=self.hold_duty, limit="0 to below 1")
        if self.sample_s <= 0.0 or self.band_K <= 0.0:
            raise BadInput("sample time and band must be positive", value=self)


@dataclass(frozen=True, slots=True)
class Response:
    """What the sensor shows. Arrays of one length; `load_at` is the index of the flow step."""

    time_s: FloatArray
    setpoint_K: FloatArray
    temperature_K: FloatArray
    duty: FloatArray
    load_at: int


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of a response: K, s and K·s. settling and recovery are infinite if never reached."""

    overshoot_K: float
    settling_s: float
    sag_K: float
    recovery_s: float
    error_step_Ks: float
    error_load_Ks: float


def simulate(process: Process, pid: Pid, scenario: Scenario, settle_s: float) -> Response:
    """The loop from rest at the operating point; the flow step comes after `settle_s`.

    The controller samples every `sample_s`, holds its duty, stops integrating while the duty is
    at its end and the error pushes further, and differentiates the measurement.
    """
    substeps, step_s = _steps(process, scenario.sample_s)
    half = max(2, math.ceil(settle_s / scenario.sample_s)) * substeps
    transition, inlet, outlet = _discrete(process, step_s)
    delay = round(process.dead_s / step_s)
    temperature_K, duty = _run(
        transition, inlet, outlet, delay, 2 * half, half, substeps, _settings(pid, scenario)
    )
    return Response(
        time_s=step_s * np.arange(2 * half, dtype=np.float64),
        setpoint_K=np.full(2 * half, scenario.step_K),
        temperature_K=temperature_K,
        duty=duty,
        load_at=half,
    )


def figures(response: Response, band_K: float) -> Figures:
    """Overshoot, settling, sag, recovery and integrated absolute errors of a response."""
    error = response.setpoint_K - response.temperature_K
    step_s = float(response.time_s[1] - response.time_s[0])
    before, after = error[: response.load_at], error[response.load_at :]
    return Figures(
        overshoot_K=float(max(0.0, -before.min())),
        settling_s=_settled_s(before, band_K, step_s),
        sag_K=float(max(0.0, after.max())),
        recovery_s=_settled_s(after, band_K, step_s),
        error_step_Ks=float(np.abs(before).sum() * step_s),
        error_load_Ks=float(np.abs(after).sum() * step_s),
    )


def predict(process: Process, pid: Pid, scenario: Scenario) -> Figures:
    """Figures of the loop in a scenario."""
    settle_s = settling_span_s(process, scenario)
    return figures(simulate(process, pid, scenario, settle_s), scenario.band_K)


def settling_span_s(process: Process, scenario: Scenario) -> float:
    """How long to watch: the climb at full power, and many effective delays."""
    slow = integrator(process)
    climb_s = abs(scenario.step_K) / (slow.gain * (1.0 - scenario.hold_duty))
    return 60.0 * (slow.dead_s + scenario.sample_s) + 3.0 * climb_s


def _settled_s(error: FloatArray, band_K: float, step_s: float) -> float:
    outside = np.flatnonzero(np.abs(error) > band_K)
    if outside.size == 0:
        return 0.0
    return math.inf if outside[-1] == error.size - 1 else float((outside[-1] + 1) * step_s)


def _steps(process: Process, sample_s: float) -> tuple[int, float]:
    """Simulation steps per control sample, and their length (s)."""
    shortest = min(process.times_s)
    substeps = min(200, max(1, math.ceil(STEPS_PER_TIME * sample_s / shortest)))
    return substeps, sample_s / substeps


@lru_cache(maxsize=256)
def _discrete(process: Process, step_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """State space of the process without its dead time, exact for a duty held over a step."""
    numerator = process.gain * _product([np.array([lead, 1.0]) for lead in process.leads_s])
    factors = [np.array([lag, 1.0]) for lag in process.lags_s]
    denominator = _product(factors + [np.array([1.0, 0.0])] * process.integrating)
    continuous = tf2ss(numerator, denominator)
    a, b, c, *_ = cont2discrete(continuous, step_s, method="zoh")
    return np.ascontiguousarray(a), np.ascontiguousarray(b[:, 0]), np.ascontiguousarray(c[0])


def _product(factors: list[FloatArray]) -> FloatArray:
    """Product of polynomials, highest power first."""
    return reduce(np.convolve, factors, np.array([1.0]))


def _settings(pid: Pid, scenario: Scenario) -> FloatArray:
    gains = [pid.Kp, pid.Ki, pid.Kd, pid.filter_s, pid.setpoint_weight]
    room = [-scenario.hold_duty, 1.0 - scenario.hold_duty]
    return np.array([*gains, *room, scenario.sample_s, scenario.step_K, scenario.load_duty])


@njit(cache=True)
def _run(  # type: ignore[no-untyped-def]  # pragma: no cover
    transition, inlet, outlet, delay, steps, load_at, substeps, settings
):
    Kp, Ki, Kd, filter_s, weight, least, most, sample_s, setpoint, load = settings
    order = inlet.size
    state = np.zeros(order)
    following = np.zeros(order)
    clean = np.zeros(steps)
    duty = np.zeros(steps)
    integral = 0.0
    derivative = 0.0
    before = 0.0
    output = 0.0
    forget = filter_s / (filter_s + sample_s)
    for k in range(steps):
        total = 0.0
        for i in range(order):
            total += outlet[i] * state[i]
        clean[k] = total
        if k % substeps == 0:
            seen = clean[k - delay] if k >= delay else 0.0
            error = setpoint - seen
            slope = (seen - before) / sample_s
            before = seen
            derivative = forget * derivative + (1.0 - forget) * slope
            wanted = Kp * (weight * setpoint - seen) + integral - Kd * derivative
            output = min(max(wanted, least), most)
            if (wanted - output) * error <= 0.0:
                integral += Ki * error * sample_s
        duty[k] = output
        drive = output - load if k >= load_at else output
        for i in range(order):
            total = inlet[i] * drive
            for j in range(order):
                total += transition[i, j] * state[j]
            following[i] = total
        for i in range(order):
            state[i] = following[i]
    seen_all = np.zeros(steps)
    for k in range(delay, steps):
        seen_all[k] = clean[k - delay]
    return seen_all, duty
