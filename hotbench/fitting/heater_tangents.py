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
    shell_rate,
)

WIDTH = 20
"""Derivatives carried along: one per place in the parameter vector but the sensor's start."""
BARE_WIDTH = 16
"""Those of the models without a shell; the shell's places come last."""


@njit(cache=True)
def width_of(p: FloatArray) -> int:
    """How many derivatives this model needs."""
    return WIDTH if p[P.SHELL_EXCHANGE] > 0.0 else BARE_WIDTH


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def start_tangents(tangents: FloatArray) -> None:
    """Derivatives of the starting rises; shape (4, WIDTH): near, far, sensor, shell."""
    tangents[:] = 0.0
    tangents[0, P.NEAR_0] = tangents[1, P.FAR_0] = tangents[3, P.SHELL_0] = 1.0
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
def _shell_slopes(p: FloatArray, near: float, shell: float, rates: FloatArray, stage: int) -> None:
    """Add explicit derivatives of what the shell does by its parameters."""
    rates[stage, 0, P.SHELL_EXCHANGE] += shell - near
    rates[stage, 3, P.SHELL_EXCHANGE] += p[P.SHELL_RATIO] * (near - shell)
    rates[stage, 3, P.SHELL_RATIO] += p[P.SHELL_EXCHANGE] * (near - shell)
    rates[stage, 3, P.SHELL_LOSS] -= shell * (1.0 + p[P.GROWTH] * abs(shell))
    rates[stage, 3, P.GROWTH] -= p[P.SHELL_LOSS] * shell * abs(shell)


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _stage(
    p: FloatArray,
    near: float,
    far: float,
    shell: float,
    lagging: float,
    s: FloatArray,
    u: float,
    phi: float,
    log_fan: float,
    flow: float,
    rates: FloatArray,
    stage: int,
) -> tuple[float, float, float, float]:
    """Rates of near, far, sensor and shell; rates of their tangents s go to rates[stage].

    lagging: near minus sensor.
    """
    keep = 1.0 / p[P.LAG]
    loss, growth = p[P.LOSS], 2.0 * p[P.LOSS] * p[P.GROWTH]
    exchange, far_near = p[P.EXCHANGE], p[P.RATIO] * p[P.EXCHANGE]
    near_near = -p[P.HEATING] * u * p[P.FALLOFF] - loss - growth * abs(near) - p[P.FAN] * phi
    wrap, near_shell = p[P.SHELL_EXCHANGE], p[P.SHELL_RATIO] * p[P.SHELL_EXCHANGE]
    near_near -= p[P.LOAD] * flow + exchange + wrap
    shell_shell = -near_shell - p[P.SHELL_LOSS] * (1.0 + 2.0 * p[P.GROWTH] * abs(shell))
    far_far = -far_near - p[P.FAR_LOSS] * (loss + growth * abs(far)) - p[P.FAR_FAN] * phi
    width = width_of(p)
    for j in range(width):
        rates[stage, 0, j] = near_near * s[0, j] + exchange * s[1, j]
        rates[stage, 1, j] = far_near * s[0, j] + far_far * s[1, j]
        rates[stage, 2, j] = (s[0, j] - s[2, j]) * keep
    if width == WIDTH:
        for j in range(width):
            rates[stage, 0, j] += wrap * s[3, j]
            rates[stage, 3, j] = near_shell * s[0, j] + shell_shell * s[3, j]
        _shell_slopes(p, near, shell, rates, stage)
    _near_slopes(p, near, far, u, phi, log_fan, flow, rates, stage)
    _far_slopes(p, near, far, phi, log_fan, rates, stage)
    rates[stage, 2, P.LAG] -= lagging * keep * keep
    near_moves = near_rate(p, near, far, shell, u, phi, flow)
    return near_moves, far_rate(p, near, far, phi), lagging * keep, shell_rate(p, near, shell)


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _moved(
    p: FloatArray, s: FloatArray, h: float, rates: FloatArray, stage: int, to: FloatArray
) -> None:
    width = width_of(p)
    for i in range(4 if width == WIDTH else 3):
        for j in range(width):
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
    """One Runge-Kutta step of the rises x (4,) and tangents s (4, WIDTH), in place.

    The same scheme as `models.heater_steps.stride`, so that the tangents are the exact
    derivatives of what it computes. rates (4, 4, WIDTH) and at (4, WIDTH) are scratch.
    """
    n, f, y, w, half = x[0], x[1], x[2], x[3], 0.5 * h
    n1, f1, y1, w1 = _stage(p, n, f, w, n - y, s, u, phi, log_fan, flow, rates, 0)
    _moved(p, s, half, rates, 0, at)
    nb, fb, yb, wb = n + half * n1, f + half * f1, y + half * y1, w + half * w1
    n2, f2, y2, w2 = _stage(p, nb, fb, wb, nb - yb, at, u, phi, log_fan, flow, rates, 1)
    _moved(p, s, half, rates, 1, at)
    nb, fb, yb, wb = n + half * n2, f + half * f2, y + half * y2, w + half * w2
    n3, f3, y3, w3 = _stage(p, nb, fb, wb, nb - yb, at, u, phi, log_fan, flow, rates, 2)
    _moved(p, s, h, rates, 2, at)
    nb, fb, yb, wb = n + h * n3, f + h * f3, y + h * y3, w + h * w3
    n4, f4, y4, w4 = _stage(p, nb, fb, wb, nb - yb, at, u, phi, log_fan, flow, rates, 3)
    sixth = h / 6.0
    x[0] = n + sixth * (n1 + 2.0 * (n2 + n3) + n4)
    x[1] = f + sixth * (f1 + 2.0 * (f2 + f3) + f4)
    x[2] = y + sixth * (y1 + 2.0 * (y2 + y3) + y4)
    x[3] = w + sixth * (w1 + 2.0 * (w2 + w3) + w4)
    width = width_of(p)
    for i in range(4 if width == WIDTH else 3):
        for j in range(width):
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
    for j in range(BARE_WIDTH):
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

    x, to_x: near and sensor at places 0 and 2; s, to_s: (4, WIDTH); k, target and weights as
    `rate_and_target` gives them. The equations are those of `models.heater_steps.linear_step`.
    """
    tau, decay = p[P.LAG], np.exp(-k * d)
    near, sensor = x[0] - target, x[2] - target
    to_x[0] = target + near * decay
    if tau <= LEAST_LAG_s:
        to_x[2] = to_x[0]
        for j in range(BARE_WIDTH):
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
    for j in range(BARE_WIDTH):
        moved = decay * s[0, j] + (1.0 - decay) * weights[1, j]
        to_s[0, j] = moved - d * near * decay * weights[0, j]
        to_s[2, j] = kept * s[2, j] + share * s[0, j] + by_rate * weights[0, j]
        to_s[2, j] += (1.0 - kept - share) * weights[1, j]
    to_s[2, P.LAG] += sensor * kept * d / tau**2 - near * (share / tau + d / tau**2 * bend)
    sensor_slope: float = (to_x[0] - to_x[2]) / tau
    return sensor_slope
