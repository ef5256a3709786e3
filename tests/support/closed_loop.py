"""A fitted heater under the simulated board's own control law, to judge predictions in use."""

import math

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.models.heater import hold_of, hold_state
from hotbench.models.heater_steps import P, advance
from hotbench.sim.printers import PrinterSpec

DOUBT_s = 0.042
"""What the times of a dip are open to beyond the fit, whatever they are: parts of the hot end that
react faster than any node. From the printers that the interval's other numbers come from."""


@njit(cache=False)
def _integrated(before: float, raw: float, error: float) -> float:
    """How much of a tick is integrated, all of it unless the duty is beyond its end.

    The board decides by tick; here the tick in which the raw duty passes its end counts in part,
    on average as the board's, or the times of a dip would jump as the parameters move. before: the
    raw duty one tick earlier, for the present setpoint.
    """
    was, is_now = (before - 1.0, raw - 1.0) if error > 0.0 else (-before, -raw)
    if is_now > 0.0:
        return 0.0 if was > 0.0 else 0.5 - is_now / (is_now - was)
    return 1.0 if was <= 0.0 else 0.5 + is_now / (is_now - was)


@njit(cache=False)
def _loop(
    p: FloatArray, state: FloatArray, targets: FloatArray, gains: FloatArray, duty: float
) -> FloatArray:
    """Logged rise per control tick; gains: tick, gain, integral, derivative, filter.

    The board rounds its duty to some levels; the prediction does not, or it would jump as the
    parameters move.
    """
    tick, gain, integral_s, derivative_s, filter_s = gains
    delay = p[P.DEAD] / tick
    whole, part = int(delay), delay - int(delay)
    ring = np.full(whole + 2, state[2])
    filtered, integral, raw, target = state[2], duty, duty, state[2]
    logged = np.empty(targets.size)
    for k in range(targets.size):
        advance(p, state, tick, duty, 0.0, 0.0)
        ring[k % ring.size] = state[2]
        newer, older = ring[(k - whole) % ring.size], ring[(k - whole - 1) % ring.size]
        reading = newer + part * (older - newer)
        logged[k] = reading
        before, raw_before = filtered, raw + gain * (targets[k] - target)
        target = targets[k]
        keep = np.exp(-tick / filter_s)
        filtered = keep * before + (1.0 - keep) * reading
        error = targets[k] - reading
        raw = gain * (error - derivative_s * (filtered - before) / tick) + integral
        open_s = tick * _integrated(raw_before, raw, error)
        integral = min(max(integral + gain * error * open_s / integral_s, 0.0), 1.0)
        duty = min(max(raw, 0.0), 1.0)
    return logged


def closed_loop(
    vector: FloatArray, spec: PrinterSpec, start_C: float, targets_C: FloatArray
) -> FloatArray:
    """Logged temperature per control tick from the steady hold at start_C, C."""
    state = hold_state(vector, start_C)
    ambient_C = vector[P.AMBIENT]
    rises = state.temperatures_C - ambient_C
    duty = hold_of(vector, start_C - ambient_C).duty
    gains = np.array(
        [
            spec.control_period_s,
            spec.gain_per_K,
            spec.integral_time_s,
            spec.derivative_time_s,
            spec.derivative_filter_s,
        ]
    )
    logged: FloatArray = _loop(vector, rises, targets_C - ambient_C, gains, float(duty))
    return logged + ambient_C


def dip_times_s(
    vector: FloatArray, spec: PrinterSpec, *, rest_s: float = 10.0
) -> tuple[float, float]:
    """Time down to 192 and time back to 217 of a dip 220-190-220 from the steady hold."""
    tick = spec.control_period_s
    count = math.ceil(400.0 / tick)
    down_s = _first(closed_loop(vector, spec, 220.0, np.full(count, 190.0)), tick, 192.0, -1.0)
    turn = math.floor((down_s + rest_s) / tick)
    part = (down_s + rest_s) / tick - turn

    def back_s(turn: int) -> float:
        targets = np.where(np.arange(count + turn) < turn, 190.0, 220.0)
        return _first(closed_loop(vector, spec, 220.0, targets)[turn:], tick, 217.0, 1.0)

    # Between the ticks around the turn, or the time would jump as the parameters move.
    return down_s, (1.0 - part) * back_s(turn) + part * back_s(turn + 1)


def _first(logged: FloatArray, tick_s: float, level_C: float, sign: float) -> float:
    past = sign * (logged - level_C) >= 0.0
    if not past.any():
        return math.nan
    k = max(int(np.argmax(past)), 1)
    part = (level_C - logged[k - 1]) / (logged[k] - logged[k - 1])
    return float((k + part) * tick_s)


def ramp_error_K(
    vector: FloatArray,
    spec: PrinterSpec,
    time_s: FloatArray,
    setpoint_C: FloatArray,
    measured_C: FloatArray,
) -> float:
    """RMS difference of a predicted closed-loop ramp to the true one."""
    tick = spec.control_period_s
    ticks_s = tick * np.arange(1, int(time_s[-1] / tick) + 1)
    place = np.minimum(np.searchsorted(time_s, ticks_s - 1e-9), time_s.size - 1)
    logged = closed_loop(vector, spec, float(measured_C[0]), setpoint_C[place])
    return float(np.sqrt(np.mean((logged - np.interp(ticks_s, time_s, measured_C)) ** 2)))
