"""Compiled forward sensitivities of the heater models: one step with all derivatives."""

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.models.heater_steps import (
    LEAST_LAG_s,
    P,
    far_rate,
    near_rate,
    relative_exp,
)

WIDTH = 16
"""Derivatives carried along: one per place in the parameter vector but the sensor's start."""


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def start_tangents(tangents: FloatArray) -> None:
    """Derivatives of the starting rises; shape (3, WIDTH): near, far, sensor."""
    tangents[:] = 0.0
    tangents[0, P.NEAR_0] = tangents[1, P.FAR_0] = 1.0
    tangents[:, P.AMBIENT] = -1.0


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _near_slopes(
    p: FloatArray,
    near: float,
    far: float,
    u: float,
    phi: float,
    log_fan: float,
    flow: float,
    rates: FloatArray,
    stage: int,
) -> None:
    """Add explicit derivatives of the near node's rate by the parameters."""
    rates[stage, 0, P.HEATING] += u * (1.0 - p[P.FALLOFF] * near)
    rates[stage, 0, P.FALLOFF] -= p[P.HEATING] * u * near
    rates[stage, 0, P.LOSS] -= near * (1.0 + p[P.GROWTH] * abs(near))
    rates[stage, 0, P.GROWTH] -= p[P.LOSS] * near * abs(near)
    rates[stage, 0, P.FAN] -= phi * near
    rates[stage, 0, P.EXPONENT] -= p[P.FAN] * phi * log_fan * near
    rates[stage, 0, P.EXCHANGE] += far - near
    rates[stage, 0, P.LOAD] -= flow * near


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _far_slopes(
    p: FloatArray,
    near: float,
    far: float,
    phi: float,
    log_fan: float,
    rates: FloatArray,
    stage: int,
) -> None:
    """Add explicit derivatives of the far node's rate by the parameters."""
    grown = far * (1.0 + p[P.GROWTH] * abs(far))
    rates[stage, 1, P.LOSS] -= p[P.FAR_LOSS] * grown
    rates[stage, 1, P.FAR_LOSS] -= p[P.LOSS] * grown
    rates[stage, 1, P.GROWTH] -= p[P.LOSS] * p[P.FAR_LOSS] * far * abs(far)
    rates[stage, 1, P.EXCHANGE] += p[P.RATIO] * (near - far)
    rates[stage, 1, P.RATIO] += p[P.EXCHANGE] * (near - far)
    rates[stage, 1, P.FAR_FAN] -= phi * far
    rates[stage, 1, P.EXPONENT] -= p[P.FAR_FAN] * phi * log_fan * far


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _stage(
    p: FloatArray,
    near: float,
    far: float,
    lagging: float,
    s: FloatArray,
    u: float,
    phi: float,
    log_fan: float,
    flow: float,
    rates: FloatArray,
    stage: int,
) -> tuple[float, float, float]:
    """Rates of the three rises; rates of their tangents s go to rates[stage].

    lagging: near minus sensor.
    """
    keep = 1.0 / p[P.LAG]
    loss, growth = p[P.LOSS], 2.0 * p[P.LOSS] * p[P.GROWTH]
    exchange, far_near = p[P.EXCHANGE], p[P.RATIO] * p[P.EXCHANGE]
    near_near = -p[P.HEATING] * u * p[P.FALLOFF] - loss - growth * abs(near) - p[P.FAN] * phi
    near_near -= p[P.LOAD] * flow + exchange
    far_far = -far_near - p[P.FAR_LOSS] * (loss + growth * abs(far)) - p[P.FAR_FAN] * phi
    for j in range(WIDTH):
        rates[stage, 0, j] = near_near * s[0, j] + exchange * s[1, j]
        rates[stage, 1, j] = far_near * s[0, j] + far_far * s[1, j]
        rates[stage, 2, j] = (s[0, j] - s[2, j]) * keep
    _near_slopes(p, near, far, u, phi, log_fan, flow, rates, stage)
    _far_slopes(p, near, far, phi, log_fan, rates, stage)
    rates[stage, 2, P.LAG] -= lagging * keep * keep
    return near_rate(p, near, far, u, phi, flow), far_rate(p, near, far, phi), lagging * keep


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _moved(s: FloatArray, h: float, rates: FloatArray, stage: int, to: FloatArray) -> None:
    for i in range(3):
        for j in range(WIDTH):
            to[i, j] = s[i, j] + h * rates[stage, i, j]


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def tangent_stride(
    p: FloatArray,
    x: FloatArray,
    s: FloatArray,
    h: float,
    u: float,
    phi: float,
    log_fan: float,
    flow: float,
    rates: FloatArray,
    at: FloatArray,
) -> None:
    """One Runge-Kutta step of the rises x (3,) and tangents s (3, WIDTH), in place.

    The same scheme as `models.heater_steps.stride`, so that the tangents are the exact
    derivatives of what it computes. rates (4, 3, WIDTH) and at (3, WIDTH) are scratch.
    """
    n, f, y, half = x[0], x[1], x[2], 0.5 * h
    n1, f1, y1 = _stage(p, n, f, n - y, s, u, phi, log_fan, flow, rates, 0)
    _moved(s, half, rates, 0, at)
    nb, fb, yb = n + half * n1, f + half * f1, y + half * y1
    n2, f2, y2 = _stage(p, nb, fb, nb - yb, at, u, phi, log_fan, flow, rates, 1)
    _moved(s, half, rates, 1, at)
    nb, fb, yb = n + half * n2, f + half * f2, y + half * y2
    n3, f3, y3 = _stage(p, nb, fb, nb - yb, at, u, phi, log_fan, flow, rates, 2)
    _moved(s, h, rates, 2, at)
    nb, fb, yb = n + h * n3, f + h * f3, y + h * y3
    n4, f4, y4 = _stage(p, nb, fb, nb - yb, at, u, phi, log_fan, flow, rates, 3)
    sixth = h / 6.0
    x[0] = n + sixth * (n1 + 2.0 * (n2 + n3) + n4)
    x[1] = f + sixth * (f1 + 2.0 * (f2 + f3) + f4)
    x[2] = y + sixth * (y1 + 2.0 * (y2 + y3) + y4)
    for i in range(3):
        for j in range(WIDTH):
            middle = rates[1, i, j] + rates[2, i, j]
            s[i, j] += sixth * (rates[0, i, j] + 2.0 * middle + rates[3, i, j])


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _share_slope(z: float) -> float:
    """Derivative of (1 - exp(-z)) / z."""
    if abs(z) < 1e-3:
        return -0.5 + z / 3.0 - z * z / 8.0 + z**3 / 30.0
    slope: float = (np.exp(-z) * (1.0 + z) - 1.0) / (z * z)
    return slope


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def rate_and_target(
    p: FloatArray, u: float, phi: float, log_fan: float, flow: float, weights: FloatArray
) -> tuple[float, float]:
    """Rate k and target of the first-order part; weights (2, WIDTH): their derivatives."""
    k = p[P.LOSS] + p[P.FAN] * phi + p[P.LOAD] * flow
    target = p[P.HEATING] * u / k
    weights[:] = 0.0
    weights[0, P.LOSS] = 1.0
    weights[0, P.FAN] = phi
    weights[0, P.EXPONENT] = p[P.FAN] * phi * log_fan
    weights[0, P.LOAD] = flow
    for j in range(WIDTH):
        weights[1, j] = -target / k * weights[0, j]
    weights[1, P.HEATING] = u / k
    return k, target


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def linear_tangents(
    p: FloatArray,
    x: FloatArray,
    s: FloatArray,
    d: float,
    k: float,
    target: float,
    weights: FloatArray,
    to_x: FloatArray,
    to_s: FloatArray,
) -> float:
    """Exact state and tangents of the linear models `d` seconds on; returns the sensor's slope.

    x, to_x: near and sensor at places 0 and 2; s, to_s: (3, WIDTH); k, target and weights as
    `rate_and_target` gives them. The equations are those of `models.heater_steps.linear_step`.
    """
    tau, decay = p[P.LAG], np.exp(-k * d)
    near, sensor = x[0] - target, x[2] - target
    to_x[0] = target + near * decay
    if tau <= LEAST_LAG_s:
        to_x[2] = to_x[0]
        for j in range(WIDTH):
            moved = decay * s[0, j] + (1.0 - decay) * weights[1, j]
            to_s[0, j] = moved - d * near * decay * weights[0, j]
            to_s[2, j] = to_s[0, j]
        near_slope: float = -k * near * decay
        return near_slope
    kept, z = np.exp(-d / tau), d * (1.0 / tau - k)
    share = decay * d / tau * relative_exp(z)
    bend = decay * d / tau * _share_slope(z)
    to_x[2] = target + sensor * kept + near * share
    by_rate = near * (-d * share - d * bend)
    for j in range(WIDTH):
        moved = decay * s[0, j] + (1.0 - decay) * weights[1, j]
        to_s[0, j] = moved - d * near * decay * weights[0, j]
        to_s[2, j] = kept * s[2, j] + share * s[0, j] + by_rate * weights[0, j]
        to_s[2, j] += (1.0 - kept - share) * weights[1, j]
    to_s[2, P.LAG] += sensor * kept * d / tau**2 - near * (share / tau + d / tau**2 * bend)
    sensor_slope: float = (to_x[0] - to_x[2]) / tau
    return sensor_slope
