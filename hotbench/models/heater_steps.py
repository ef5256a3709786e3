"""Compiled steps of the heater models: rates, exact linear recursion, Runge-Kutta."""

from enum import IntEnum

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray

STIFF_STEP = 0.5
"""Largest product of the fastest rate and a Runge-Kutta step (local error below 3e-4 of a mode)."""
HOTTEST_K = 300.0
"""Rise at which the fastest rate is judged."""
LEAST_LAG_s = 1e-6


class P(IntEnum):
    """Places in the parameter vector that every kernel takes."""

    HEATING = 0  # b, K/s at full duty
    FALLOFF = 1  # c, 1/K
    LOSS = 2  # a, 1/s
    GROWTH = 3  # q, 1/K
    FAN = 4  # af1, 1/s
    EXPONENT = 5  # fan effect = fan^exponent
    EXCHANGE = 6  # g, 1/s
    RATIO = 7  # r, capacity of the near node over that of the far one
    FAR_FAN = 8  # af2, 1/s
    LAG = 9  # tau, s; below LEAST_LAG_s the sensor follows at once
    DEAD = 10  # theta, s
    LOAD = 11  # 1/mm3
    FAR_LOSS = 12  # the far node's loss over the near node's, 1 where the model has no such term
    AMBIENT = 13  # C
    NEAR_0 = 14  # C, start of the near node
    FAR_0 = 15  # C
    SHELL_EXCHANGE = 16  # g3, 1/s, between the near node and what wraps it; 0: no shell
    SHELL_RATIO = 17  # r3, capacity of the near node over that of the shell
    SHELL_LOSS = 18  # a3, 1/s
    SHELL_0 = 19  # C
    SENSOR_0 = 20  # C, given, never fitted


class Node(IntEnum):
    """Places in the state that every kernel moves: rises above ambient, K."""

    NEAR = 0
    FAR = 1
    SENSOR = 2
    SHELL = 3


@njit(cache=True, error_model="numpy")
def fan_effect(fan: float, exponent: float) -> float:
    """Share of the full fan's effect at a fan speed (0 to 1)."""
    return fan**exponent if fan > 0.0 else 0.0


@njit(cache=True, error_model="numpy")
def near_rate(
    p: FloatArray, near: float, far: float, shell: float, u: float, phi: float, flow: float
) -> float:
    """Rate of the near node, K/s; temperatures as rises above ambient."""
    heat = p[P.HEATING] * u * (1.0 - p[P.FALLOFF] * near)
    shed = p[P.LOSS] * (1.0 + p[P.GROWTH] * abs(near)) + p[P.FAN] * phi + p[P.LOAD] * flow
    passed = p[P.EXCHANGE] * (near - far) + p[P.SHELL_EXCHANGE] * (near - shell)
    rate: float = heat - shed * near - passed
    return rate


@njit(cache=True, error_model="numpy")
def far_rate(p: FloatArray, near: float, far: float, phi: float) -> float:
    """Rate of the far node, K/s."""
    still = p[P.LOSS] * p[P.FAR_LOSS]
    shed = still * (1.0 + p[P.GROWTH] * abs(far)) + p[P.FAR_FAN] * phi
    rate: float = p[P.RATIO] * p[P.EXCHANGE] * (near - far) - shed * far
    return rate


@njit(cache=True, error_model="numpy")
def shell_rate(p: FloatArray, near: float, shell: float) -> float:
    """Rate of the shell, K/s; the fan does not reach it."""
    shed = p[P.SHELL_LOSS] * (1.0 + p[P.GROWTH] * abs(shell))
    rate: float = p[P.SHELL_RATIO] * p[P.SHELL_EXCHANGE] * (near - shell) - shed * shell
    return rate


@njit(cache=True, error_model="numpy")
def fastest_rate(p: FloatArray) -> float:
    """Upper estimate of the fastest rate of the models, 1/s, with all losses at work."""
    loss = p[P.LOSS] * max(1.0, p[P.FAR_LOSS])
    nodes = p[P.EXCHANGE] * (1.0 + p[P.RATIO]) + loss * (1.0 + 2 * p[P.GROWTH] * HOTTEST_K)
    nodes += p[P.FAN] + abs(p[P.HEATING] * p[P.FALLOFF])
    nodes += p[P.SHELL_EXCHANGE] * (1.0 + p[P.SHELL_RATIO]) + p[P.SHELL_LOSS]
    lag = 1.0 / p[P.LAG] if p[P.LAG] > LEAST_LAG_s else 0.0
    rate: float = max(nodes, lag)
    return rate


@njit(cache=True, error_model="numpy")
def substeps(p: FloatArray, duration_s: float) -> int:
    """How many Runge-Kutta steps cover `duration_s`."""
    return max(int(np.ceil(duration_s * fastest_rate(p) / STIFF_STEP)), 1)


@njit(cache=True, error_model="numpy")
def stride(p: FloatArray, state: FloatArray, h: float, u: float, phi: float, flow: float) -> None:
    """One classical Runge-Kutta step of the rises of `Node`, in place."""
    near, far, sensor, shell = state[0], state[1], state[2], state[3]
    lagging = p[P.LAG] > LEAST_LAG_s
    keep = 1.0 / p[P.LAG] if lagging else 0.0
    half = 0.5 * h
    n1 = near_rate(p, near, far, shell, u, phi, flow)
    f1 = far_rate(p, near, far, phi)
    w1 = shell_rate(p, near, shell)
    s1 = (near - sensor) * keep
    near_b, far_b, shell_b = near + half * n1, far + half * f1, shell + half * w1
    n2 = near_rate(p, near_b, far_b, shell_b, u, phi, flow)
    f2 = far_rate(p, near_b, far_b, phi)
    w2 = shell_rate(p, near_b, shell_b)
    s2 = (near_b - sensor - half * s1) * keep
    near_c, far_c, shell_c = near + half * n2, far + half * f2, shell + half * w2
    n3 = near_rate(p, near_c, far_c, shell_c, u, phi, flow)
    f3 = far_rate(p, near_c, far_c, phi)
    w3 = shell_rate(p, near_c, shell_c)
    s3 = (near_c - sensor - half * s2) * keep
    near_d, far_d, shell_d = near + h * n3, far + h * f3, shell + h * w3
    n4 = near_rate(p, near_d, far_d, shell_d, u, phi, flow)
    f4 = far_rate(p, near_d, far_d, phi)
    w4 = shell_rate(p, near_d, shell_d)
    s4 = (near_d - sensor - h * s3) * keep
    state[0] = near + h / 6.0 * (n1 + 2.0 * n2 + 2.0 * n3 + n4)
    state[1] = far + h / 6.0 * (f1 + 2.0 * f2 + 2.0 * f3 + f4)
    state[2] = sensor + h / 6.0 * (s1 + 2.0 * s2 + 2.0 * s3 + s4) if lagging else state[0]
    state[3] = shell + h / 6.0 * (w1 + 2.0 * w2 + 2.0 * w3 + w4)


@njit(cache=True, error_model="numpy")
def advance(
    p: FloatArray, state: FloatArray, duration_s: float, duty: float, fan: float, flow: float
) -> None:
    """Advance the rises of `Node` above ambient, K, in place; inputs stay constant."""
    count = substeps(p, duration_s)
    phi = fan_effect(fan, p[P.EXPONENT])
    for _ in range(count):
        stride(p, state, duration_s / count, duty, phi, flow)


@njit(cache=True, error_model="numpy")
def relative_exp(z: float) -> float:
    """(1 - exp(-z)) / z, smooth through 0."""
    return -np.expm1(-z) / z if abs(z) > 1e-5 else 1.0 - z / 2.0 + z * z / 6.0


@njit(cache=True, error_model="numpy")
def linear_step(
    p: FloatArray, near: float, sensor: float, d: float, u: float, phi: float, flow: float
) -> tuple[float, float]:
    """Exact state of the linear models `d` seconds on, inputs constant.

    First order: near' = b u - k near with k = a + af phi + l flow. The lag adds
    sensor' = (near - sensor) / tau; its response to a decaying near node is written with
    (1 - exp(-z)) / z so that equal time constants need no special case.
    """
    k = p[P.LOSS] + p[P.FAN] * phi + p[P.LOAD] * flow
    target = p[P.HEATING] * u / k
    decay = np.exp(-k * d)
    near_d = target + (near - target) * decay
    if p[P.LAG] <= LEAST_LAG_s:
        return near_d, near_d
    share = decay * d / p[P.LAG] * relative_exp(d * (1.0 / p[P.LAG] - k))
    kept = np.exp(-d / p[P.LAG])
    return near_d, target + (sensor - target) * kept + (near - target) * share
