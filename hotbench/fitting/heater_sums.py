"""Compiled walk over a log that gathers residuals, derivatives or their normal equations.

Normal equations per command segment are all that the fit and its jackknife need, so memory does
not grow with the log.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater_tangents import (
    WIDTH,
    linear_tangents,
    rate_and_target,
    start_tangents,
    tangent_stride,
    width_of,
)
from hotbench.models.heater_steps import P, fan_effect, fastest_rate, substeps
from hotbench.models.heater_traces import hermite

IntArray = NDArray[np.int32]

BLOCK = 64
"""Readings gathered before their products are added, one matrix product at a time."""
TALLY = 3
NOTHING = 1e-12
FADED = 1e-150
"""What has decayed to this no longer reaches a sum; its square is still a normal number."""
MERGED_STEP = 0.25
"""Readings under equal inputs share a step up to this product of fastest rate and length."""


@dataclass(frozen=True)
class Sums:
    """Per segment: products of derivatives and residuals, robust cost, squares, counts.

    products: (s, WIDTH + 1, WIDTH + 1), the Gauss-Newton matrix by parameter vector, bordered by
    the gradient; robust weights are in. tally: (s, 3), sum of rho(r^2), sum of r^2, count.
    """

    products: FloatArray
    tally: FloatArray

    @classmethod
    def zeros(cls, segments: int) -> "Sums":
        """Empty sums."""
        return cls(np.zeros((segments, WIDTH + 1, WIDTH + 1)), np.zeros((segments, TALLY)))


@njit(cache=True, error_model="numpy")
def _weigh(
    rows: FloatArray,
    i: int,
    residual: float,
    weight: float,
    huber_K: float,
    tally: FloatArray,
    segment: int,
) -> None:
    """Put the residual beside row i and scale both by the weights' root."""
    size, square = abs(residual), residual * residual
    far_off = size > huber_K
    tally[segment, 0] += weight * ((2.0 * size - huber_K) * huber_K if far_off else square)
    tally[segment, 1] += square
    tally[segment, 2] += 1.0
    rows[i, WIDTH] = residual
    root = np.sqrt(weight * huber_K / size) if far_off else np.sqrt(weight)
    for j in range(WIDTH + 1):
        rows[i, j] *= root


@njit(cache=True, error_model="numpy")
def _tally(
    first: int,
    many: int,
    values: FloatArray,
    rows: FloatArray,
    log_C: FloatArray,
    segment: IntArray,
    weight: FloatArray,
    huber_K: float,
    products: FloatArray,
    tally: FloatArray,
) -> None:
    """Add a block of predicted readings to the sums of their segments."""
    i = 0
    while i < many:
        here, begin = segment[first + i], i
        while i < many and segment[first + i] == here:
            if here >= 0:
                k = first + i
                _weigh(rows, i, values[i] - log_C[k], weight[k], huber_K, tally, here)
            i += 1
        if here >= 0:
            block = rows[begin:i]
            products[here] += np.dot(block.T, block)


@njit(cache=True, error_model="numpy")
def _drain(
    first: int,
    many: int,
    values: FloatArray,
    rows: FloatArray,
    log_C: FloatArray,
    segment: IntArray,
    weight: FloatArray,
    huber_K: float,
    out: FloatArray,
    jacobian: FloatArray,
    products: FloatArray,
    tally: FloatArray,
) -> None:
    """Hand a block of predicted readings to whoever asked: trace, Jacobian, sums."""
    for i in range(many):
        if out.size:
            out[first + i] = values[i]
        if jacobian.size:
            jacobian[first + i] = rows[i, :WIDTH]
    if tally.size:
        _tally(first, many, values, rows, log_C, segment, weight, huber_K, products, tally)


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _between(
    p: FloatArray,
    s: float,
    h: float,
    x0: FloatArray,
    s0: FloatArray,
    x1: FloatArray,
    s1: FloatArray,
    rows: FloatArray,
    i: int,
) -> float:
    """Logged temperature, its derivatives in rows[i], at the share s of a step, by the cubic."""
    keep = 1.0 / p[P.LAG]
    begin, end = (x0[0] - x0[2]) * keep, (x1[0] - x1[2]) * keep
    t = 1.0 - s
    w0, w1 = (1.0 + 2.0 * s) * t * t, s * s * (3.0 - 2.0 * s)
    v0, v1 = s * t * t * h * keep, -s * s * t * h * keep
    for j in range(width_of(p)):
        rows[i, j] = (w0 - v0) * s0[2, j] + v0 * s0[0, j] + (w1 - v1) * s1[2, j] + v1 * s1[0, j]
    rows[i, P.LAG] -= v0 * begin + v1 * end
    rows[i, P.AMBIENT] += 1.0
    slope = 6.0 * s * t * (x1[2] - x0[2]) / h
    slope += (1.0 - 4.0 * s + 3.0 * s * s) * begin + (3.0 * s * s - 2.0 * s) * end
    rows[i, P.DEAD] = -slope
    value: float = p[P.AMBIENT] + hermite(s, h, x0[2], begin, x1[2], end)
    return value


@njit(cache=True)
def _log_fan(fan: float) -> float:
    return np.log(fan) if fan > 0.0 else 0.0


@njit(cache=True)
def _changed(duty: FloatArray, fan: FloatArray, flow: FloatArray, k: int) -> bool:
    same = duty[k] == duty[k - 1] and fan[k] == fan[k - 1] and flow[k] == flow[k - 1]
    return not same


@njit(cache=True)
def _merged(
    switch_s: FloatArray,
    duty: FloatArray,
    fan: FloatArray,
    flow: FloatArray,
    k: int,
    longest_s: float,
) -> int:
    """Where the next step may end: inputs stay the same until there, and the step is short."""
    upto = k + 1
    while (
        upto + 1 < switch_s.size
        and switch_s[upto + 1] - switch_s[k] <= longest_s
        and not _changed(duty, fan, flow, upto)
    ):
        upto += 1
    return upto


@njit(cache=True)
def _forget(x: FloatArray, s: FloatArray) -> None:
    """Drop what is left of the start once it is nothing, and all that has faded.

    Rises and tangents of what no longer acts decay for ever; denormal numbers are slow.
    """
    for i in range(4):
        for j in (P.NEAR_0, P.FAR_0, P.SHELL_0):
            if abs(s[i, j]) < NOTHING:
                s[i, j] = 0.0
        for place in range(WIDTH):
            if abs(s[i, place]) < FADED:
                s[i, place] = 0.0
        if abs(x[i]) < FADED:
            x[i] = 0.0


@njit(cache=True)
def _start(p: FloatArray, s: FloatArray) -> FloatArray:
    """Starting rises; their tangents go to s."""
    start_tangents(s)
    rises = np.array([p[P.NEAR_0], p[P.FAR_0], p[P.SENSOR_0], p[P.SHELL_0]])
    rises -= p[P.AMBIENT]
    return rises


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def walk_nodes(
    p: FloatArray,
    time_s: FloatArray,
    switch_s: FloatArray,
    log_C: FloatArray,
    duty: FloatArray,
    fan: FloatArray,
    flow: FloatArray,
    segment: IntArray,
    weight: FloatArray,
    huber_K: float,
    out: FloatArray,
    jacobian: FloatArray,
    products: FloatArray,
    tally: FloatArray,
) -> None:
    """Walk the node models over a log; empty output arrays are skipped; segment -1 is left out.

    A row's inputs hold from its switch_s to the next row's; readings at time_s see the sensor a
    dead time earlier.
    """
    n, s = time_s.size, np.empty((4, WIDTH))
    x = _start(p, s)
    x0, s0 = x.copy(), s.copy()
    values, rows = np.zeros(BLOCK), np.zeros((BLOCK, WIDTH + 1))
    done, first, k, phi, log_fan = 0, 0, 0, 0.0, 0.0
    longest_s = MERGED_STEP / fastest_rate(p)
    while k < n:
        upto = _merged(switch_s, duty, fan, flow, k, longest_s)
        last = k + 1 == n
        until_s = max(time_s[k] - p[P.DEAD], switch_s[k] + NOTHING) if last else switch_s[upto]
        span = until_s - switch_s[k]
        steps = substeps(p, span)
        h = span / steps
        if k == 0 or fan[k] != fan[k - 1]:
            phi, log_fan = fan_effect(fan[k], p[P.EXPONENT]), _log_fan(fan[k])
        for step in range(steps):
            begun = switch_s[k] + step * h
            if h <= 0.0:
                continue
            x0[:] = x
            s0[:] = s
            tangent_stride(p, x, s, h, (duty[k], phi, log_fan, flow[k]))
            rest = last and step + 1 == steps
            while done < n and (rest or time_s[done] - p[P.DEAD] <= begun + h):
                share = min(max((time_s[done] - p[P.DEAD] - begun) / h, 0.0), 1.0)
                values[done - first] = _between(p, share, h, x0, s0, x, s, rows, done - first)
                if time_s[done] - p[P.DEAD] < switch_s[0]:
                    rows[done - first, P.DEAD] = 0.0
                done += 1
                if done - first == BLOCK or done == n:
                    _drain(
                        first,
                        done - first,
                        values,
                        rows,
                        log_C,
                        segment,
                        weight,
                        huber_K,
                        out,
                        jacobian,
                        products,
                        tally,
                    )
                    first = done
                    _forget(x, s)
        k = upto


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def walk_linear(
    p: FloatArray,
    time_s: FloatArray,
    switch_s: FloatArray,
    log_C: FloatArray,
    duty: FloatArray,
    fan: FloatArray,
    flow: FloatArray,
    segment: IntArray,
    weight: FloatArray,
    huber_K: float,
    out: FloatArray,
    jacobian: FloatArray,
    products: FloatArray,
    tally: FloatArray,
) -> None:
    """As `walk_nodes` for the first and second order models, exact."""
    n, s = time_s.size, np.empty((4, WIDTH))
    x = _start(p, s)
    if p[P.LAG] <= 0.0:
        x[2] = x[0]
        s[2] = s[0]
    x1, s1, weights = x.copy(), s.copy(), np.empty((2, WIDTH))
    values, rows = np.zeros(BLOCK), np.zeros((BLOCK, WIDTH + 1))
    done, first = 0, 0
    rate, target = 0.0, 0.0
    for k in range(n):
        last = k + 1 == n
        if k == 0 or _changed(duty, fan, flow, k):
            phi = fan_effect(fan[k], p[P.EXPONENT])
            rate, target = rate_and_target(p, duty[k], phi, _log_fan(fan[k]), flow[k], weights)
        while done < n and (last or time_s[done] - p[P.DEAD] <= switch_s[k + 1]):
            d = max(time_s[done] - p[P.DEAD] - switch_s[k], 0.0)
            slope = linear_tangents(p, x, s, d, rate, target, weights, x1, s1)
            i = done - first
            for j in range(WIDTH):
                rows[i, j] = s1[2, j]
            rows[i, P.DEAD] = -slope if d > 0.0 else 0.0
            rows[i, P.AMBIENT] += 1.0
            values[i] = p[P.AMBIENT] + x1[2]
            done += 1
            if done - first == BLOCK or done == n:
                _drain(
                    first,
                    done - first,
                    values,
                    rows,
                    log_C,
                    segment,
                    weight,
                    huber_K,
                    out,
                    jacobian,
                    products,
                    tally,
                )
                first = done
                _forget(x, s)
        if not last:
            d = switch_s[k + 1] - switch_s[k]
            linear_tangents(p, x, s, d, rate, target, weights, x1, s1)
            x[:] = x1
            s[:] = s1
