"""Least print time under temperature bands, flow limits and safe slew, by dynamic programming.

The problem. Stages k = 0..K-1 are printed in order, T[k] is the temperature at the start of stage
k, T[K] at the end. Stage k takes at least
    c[k](a, b) = max(D[k](min(a, b)), r[k](U(b) - U(a)), r[k](V(a) - V(b))),   a = T[k], b = T[k+1],
where D[k](T) is its printing time when no flow may exceed the limit at T (falling in T), U and V
are the times a safe ramp up and down has taken by a temperature, and r[k] >= 1 slows ramps where
long moves leave few places to command at. Minimise the sum over all T with T[k] in node k's band.

The method. Bellman: J[K] = 0, J[k](a) = min over b of c[k](a, b) + J[k+1](b) is the least time from
node k on, because the cost is a sum along a chain and the state is T alone; no convexity is needed
for that. D, U and V are linear between knots, and J[k+1] is read linearly between knots, so that
between two knots (and either side of a) the bracket is a maximum of two linear functions plus a
linear one: its minimum lies at an end or where the two cross, and all of these are tried. The
only approximation is reading J linearly. Where J is convex (it is when 1/Q is convex, as for every
Q whose logarithm is linear) that reading is never below J, so J is an upper bound, and the path
found, priced with c itself, is feasible. Tests bound its excess against a linear program.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.jobs.words import IntArray

_TIE_S = 1e-7


@njit(cache=True)
def _place(knots: FloatArray, at: float) -> int:
    """Number of the first knot that is not below `at`, at most the last."""
    low, high = 0, knots.size - 1
    while low < high:
        middle = (low + high) // 2
        if knots[middle] < at:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True)
def _between(values: FloatArray, knots: FloatArray, k: int, at: float) -> float:
    """Linear reading at `at`, whose place is k; the ends hold outside, infinite ones unread."""
    if k == 0 or at >= knots[k]:
        return float(values[k])
    share = (at - knots[k - 1]) / (knots[k] - knots[k - 1])
    if share <= 0.0:
        return float(values[k - 1])
    return float(values[k - 1] + share * (values[k] - values[k - 1]))


@njit(cache=True)
def read(values: FloatArray, knots: FloatArray, at: float) -> float:
    """Linear reading of `values` over `knots`; see _between."""
    return _between(values, knots, _place(knots, at), at)


@njit(cache=True)
def _ramp_s(a: float, b: float, knots: FloatArray, up: FloatArray, down: FloatArray) -> float:
    if b >= a:
        return read(up, knots, b) - read(up, knots, a)
    return read(down, knots, a) - read(down, knots, b)


@njit(cache=True)
def cost_s(
    a: float,
    b: float,
    knots: FloatArray,
    slow: FloatArray,
    rate: float,
    up: FloatArray,
    down: FloatArray,
) -> float:
    """c(a, b) of one stage: `slow`, `up`, `down` are D, U, V at the knots, `rate` is r."""
    return max(read(slow, knots, min(a, b)), rate * _ramp_s(a, b, knots, up, down))


@njit(cache=True)
def _try(b: float, total: float, best: FloatArray) -> None:
    """Keep the least total and the lowest and highest b that reach it."""
    if total < best[0] - _TIE_S:
        best[0], best[1], best[2] = total, b, b
    elif total <= best[0] + _TIE_S:
        best[0] = min(best[0], total)
        best[1], best[2] = min(best[1], b), max(best[2], b)


@njit(cache=True)
def _try_piece(
    b0: float, p0: float, r0: float, l0: float, b1: float, p1: float, r1: float, l1: float,
    best: FloatArray,
) -> None:  # fmt: skip
    """Far end and crossing of one linear piece; ends are (b, printing, ramp, later)."""
    _try(b1, max(p1, r1) + l1, best)
    gap0, gap1 = p0 - r0, p1 - r1
    if gap0 * gap1 < 0.0:
        share = gap0 / (gap0 - gap1)
        _try(b0 + share * (b1 - b0), p0 + share * (p1 - p0) + l0 + share * (l1 - l0), best)


@njit(cache=True)
def best_next(
    a: float,
    place: int,
    low: int,
    high: int,
    knots: FloatArray,
    slow: FloatArray,
    rate: float,
    up: FloatArray,
    down: FloatArray,
    later: FloatArray,
    floor_s: float,
    best: FloatArray,
) -> None:
    """Minimise c(a, b) + later(b) over knots low to high: best = (least, lowest b, highest b).

    place: number of the first knot not below a. Walks outward from the b nearest to a, and stops
    once the ramp alone, which grows outward, and the least later time `floor_s` exceed the best.
    """
    best[0], best[1], best[2] = np.inf, knots[low], knots[low]
    slow_a = _between(slow, knots, place, a)
    up_a, down_a = _between(up, knots, place, a), _between(down, knots, place, a)
    if a <= knots[low]:
        first, last = low + 1, low - 1
        start, p, r, rest = knots[low], slow_a, rate * (up[low] - up_a), later[low]
    elif a >= knots[high]:
        first, last = high + 1, high - 1
        start, p, r, rest = knots[high], slow[high], rate * (down_a - down[high]), later[high]
    else:
        first, last = place + (knots[place] <= a), place - 1
        start, p, r, rest = a, slow_a, 0.0, _between(later, knots, place, a)
    _try(start, max(p, r) + rest, best)
    b0, p0, r0, l0 = start, p, r, rest
    for k in range(first, high + 1):
        r1 = rate * (up[k] - up_a)
        _try_piece(b0, p0, r0, l0, knots[k], slow_a, r1, later[k], best)
        if r1 > r0 and r1 + floor_s > best[0] + _TIE_S:
            break
        b0, p0, r0, l0 = knots[k], slow_a, r1, later[k]
    b0, p0, r0, l0 = start, p, r, rest
    for k in range(last, low - 1, -1):
        r1 = rate * (down_a - down[k])
        _try_piece(b0, p0, r0, l0, knots[k], slow[k], r1, later[k], best)
        if r1 > r0 and r1 + floor_s > best[0] + _TIE_S:
            break
        b0, p0, r0, l0 = knots[k], slow[k], r1, later[k]


@njit(cache=True)
def time_to_go(
    knots: FloatArray,
    slow: FloatArray,
    rate: FloatArray,
    up: FloatArray,
    down: FloatArray,
    low: IntArray,
    high: IntArray,
) -> NDArray[np.float64]:
    """J at every node and knot, s, shape (K + 1, G); inf outside the node's band.

    slow: D, shape (K, G). rate: r, shape (K,). up, down: U and V, shape (G,). low, high: the
    band's ends as knot numbers, shape (K + 1,).
    """
    stages, size = slow.shape
    later = np.full((stages + 1, size), np.inf)
    later[stages, low[stages] : high[stages] + 1] = 0.0
    best = np.empty(3)
    for k in range(stages - 1, -1, -1):
        first, last, after = low[k + 1], high[k + 1], later[k + 1]
        floor_s = np.min(after[first : last + 1])
        arrays = (knots, slow[k], rate[k], up, down, after, floor_s)
        for a in range(low[k], high[k] + 1):
            best_next(knots[a], a, first, last, *arrays, best)
            later[k, a] = best[0]
    return later


@njit(cache=True)
def fastest_path(
    knots: FloatArray,
    slow: FloatArray,
    rate: FloatArray,
    up: FloatArray,
    down: FloatArray,
    low: IntArray,
    high: IntArray,
    aim: FloatArray,
    later: FloatArray,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Node temperatures, shape (K + 1,), and stage times, shape (K,), that reach `later`.

    Of equally fast choices the one nearest to `aim` (shape (K + 1,)) is taken.
    """
    stages = slow.shape[0]
    T, time_s = np.empty(stages + 1), np.empty(stages)
    best = np.empty(3)
    T[0] = _start(knots, later[0], low[0], high[0], aim[0])
    for k in range(stages):
        first, last, after = low[k + 1], high[k + 1], later[k + 1]
        floor_s = np.min(after[first : last + 1])
        arrays = (knots, slow[k], rate[k], up, down, after, floor_s)
        best_next(T[k], _place(knots, T[k]), first, last, *arrays, best)
        b = min(max(aim[k + 1], best[1]), best[2])
        total = cost_s(T[k], b, knots, slow[k], rate[k], up, down) + read(later[k + 1], knots, b)
        if total > best[0] + 2.0 * _TIE_S:
            b = best[1] if abs(best[1] - aim[k + 1]) < abs(best[2] - aim[k + 1]) else best[2]
        T[k + 1] = b
        time_s[k] = cost_s(T[k], b, knots, slow[k], rate[k], up, down)
    return T, time_s


@njit(cache=True)
def _start(knots: FloatArray, later: FloatArray, low: int, high: int, aim: float) -> float:
    least = np.min(later[low : high + 1])
    chosen, gap = knots[low], np.inf
    for k in range(low, high + 1):
        if later[k] <= least + _TIE_S and abs(knots[k] - aim) < gap:
            chosen, gap = knots[k], abs(knots[k] - aim)
    return float(chosen)


@njit(cache=True)
def ramp_to(clock: FloatArray, knots: FloatArray, start: float, seconds: float) -> float:
    """Where a safe ramp from `start` stands after `seconds`, negative ones running it back."""
    moved: float = read(knots, clock, read(clock, knots, start) + seconds)
    return moved


@njit(cache=True)
def envelopes(
    low_C: FloatArray,
    high_C: FloatArray,
    time_s: FloatArray,
    knots: FloatArray,
    up: FloatArray,
    down: FloatArray,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest temperature at every node from which all bands stay within reach.

    Given stage times, shape (K,), and bands, shape (K + 1,). A forward and a backward pass
    tighten both; they are exact because ramps are monotone clocks (the Lipschitz envelope of the
    bands). Where lowest exceeds highest no path exists.
    """
    n = low_C.size
    lowest, highest = low_C.copy(), high_C.copy()
    for k in range(1, n):
        s = time_s[k - 1]
        highest[k] = min(highest[k], ramp_to(up, knots, highest[k - 1], s))
        lowest[k] = max(lowest[k], ramp_to(down, knots, lowest[k - 1], -s))
    for k in range(n - 2, -1, -1):
        s = time_s[k]
        highest[k] = min(highest[k], ramp_to(down, knots, highest[k + 1], s))
        lowest[k] = max(lowest[k], ramp_to(up, knots, lowest[k + 1], -s))
    return lowest, highest


@njit(cache=True)
def nearest_path(
    aim_C: FloatArray,
    lowest: FloatArray,
    highest: FloatArray,
    time_s: FloatArray,
    knots: FloatArray,
    up: FloatArray,
    down: FloatArray,
) -> NDArray[np.float64]:
    """Node temperatures that follow `aim_C` as far as the envelopes and the safe slew allow."""
    n = aim_C.size
    T = np.empty(n)
    T[0] = min(max(aim_C[0], lowest[0]), highest[0])
    for k in range(1, n):
        low = max(lowest[k], ramp_to(down, knots, T[k - 1], -time_s[k - 1]))
        high = min(highest[k], ramp_to(up, knots, T[k - 1], time_s[k - 1]))
        T[k] = min(max(aim_C[k], low), max(low, high))
    return T
