"""Compiled traces of the heater models over logged, unevenly spaced inputs."""

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.models.heater_steps import P, fan_effect, linear_step, stride, substeps


@njit(cache=True, error_model="numpy")
def hermite(s: float, h: float, y0: float, d0: float, y1: float, d1: float) -> float:
    """Cubic through values and slopes at both ends of a step of length h, at the share s."""
    t = 1.0 - s
    return (
        (1 + 2 * s) * t * t * y0
        + s * t * t * h * d0
        + s * s * (3 - 2 * s) * y1
        - s * s * t * h * d1
    )


@njit(cache=True, error_model="numpy")
def _lag_slope(p: FloatArray, state: FloatArray) -> float:
    slope: float = (state[0] - state[2]) / p[P.LAG]
    return slope


@njit(cache=True, error_model="numpy")
def trace_nodes(
    p: FloatArray, time_s: FloatArray, duty: FloatArray, fan: FloatArray, flow: FloatArray
) -> FloatArray:
    """Rises of near, far and delayed sensor at each time stamp; shape (3, n).

    Inputs hold from their own time stamp to the next. The dead time acts on the output: the
    sensor's state is read at t - dead time from the cubic through the step's ends.
    """
    n = time_s.size
    rises = np.empty((3, n))
    state = np.array([p[P.NEAR_0], p[P.FAR_0], p[P.SENSOR_0], p[P.SHELL_0]]) - p[P.AMBIENT]
    before = state.copy()
    out = 0
    for k in range(n):
        rises[0, k], rises[1, k] = state[0], state[1]
        if k + 1 == n:
            break
        span = time_s[k + 1] - time_s[k]
        count = substeps(p, span)
        h, phi = span / count, fan_effect(fan[k], p[P.EXPONENT])
        for i in range(count):
            begun = time_s[k] + i * h
            before[:] = state
            stride(p, state, h, duty[k], phi, flow[k])
            while out < n and time_s[out] - p[P.DEAD] <= begun + h:
                s = (time_s[out] - p[P.DEAD] - begun) / h if h > 0.0 else 0.0
                slopes = _lag_slope(p, before), _lag_slope(p, state)
                inside = hermite(max(s, 0.0), h, before[2], slopes[0], state[2], slopes[1])
                rises[2, out] = inside if s > 0.0 else before[2]
                out += 1
    rises[2, out:] = state[2]
    return rises


@njit(cache=True, error_model="numpy")
def trace_linear(
    p: FloatArray, time_s: FloatArray, duty: FloatArray, fan: FloatArray, flow: FloatArray
) -> FloatArray:
    """As `trace_nodes` for the first and second order models, exact; the far node follows."""
    n = time_s.size
    rises = np.empty((3, n))
    near, sensor = p[P.NEAR_0] - p[P.AMBIENT], p[P.SENSOR_0] - p[P.AMBIENT]
    if p[P.LAG] <= 0.0:
        sensor = near
    out = 0
    while out < n and time_s[out] - p[P.DEAD] <= time_s[0]:
        rises[2, out] = sensor
        out += 1
    for k in range(n):
        rises[0, k] = rises[1, k] = near
        if k + 1 == n:
            break
        phi = fan_effect(fan[k], p[P.EXPONENT])
        while out < n and time_s[out] - p[P.DEAD] <= time_s[k + 1]:
            d = time_s[out] - p[P.DEAD] - time_s[k]
            rises[2, out] = linear_step(p, near, sensor, d, duty[k], phi, flow[k])[1]
            out += 1
        near, sensor = linear_step(
            p, near, sensor, time_s[k + 1] - time_s[k], duty[k], phi, flow[k]
        )
    rises[2, out:] = sensor
    return rises


@njit(cache=True, error_model="numpy")
def crossing_times(
    p: FloatArray,
    state: FloatArray,
    duty: float,
    phi: float,
    levels: FloatArray,
    h: float,
    longest_s: float,
) -> FloatArray:
    """When the sensor (no dead time) first passes each of `levels` (rises, in passing order).

    Inputs are constant; `state` is advanced in place, up to the step that passes the last level.
    Times that are not reached within `longest_s` are NaN. Linear interpolation in steps of h.
    """
    times = np.full(levels.size, np.nan)
    i, t = 0, 0.0
    upward = levels[levels.size - 1] > state[2]
    while i < levels.size and t < longest_s:
        last = state[2]
        stride(p, state, h, duty, phi, 0.0)
        now = state[2]
        while i < levels.size and (now >= levels[i] if upward else now <= levels[i]):
            part = (levels[i] - last) / (now - last) if now != last else 1.0
            times[i] = t + h * part
            i += 1
        t += h
    return times
