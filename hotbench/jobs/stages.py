"""A job cut into stages short enough to plan temperatures between, long enough to be few."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.words import IntArray

MAX_STAGES = 50_000
KNOTS = 64
FREE = -1
_ROUNDING_S = 1e-9


@dataclass(frozen=True)
class Stages:
    """Consecutive steps planned together; K stages, K + 1 nodes.

    first: first step of each stage, and one past the last step, shape (K + 1,). role: role number
    whose band binds the stage, FREE where none does, shape (K,). low_C, high_C: band of every
    node, shape (K + 1,). due: role whose band is to be reached by a node already, FREE where none
    is, shape (K + 1,). hold_s: least time of a stage, shape (K,). Between stages of different
    bands lies an empty stage, in which temperature may change while nothing is printed.
    """

    first: IntArray
    role: IntArray
    low_C: FloatArray
    high_C: FloatArray
    due: IntArray
    hold_s: FloatArray

    def __len__(self) -> int:
        return int(self.role.size)

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum of a step column over each stage, shape (K,)."""
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(total[self.first[1:]] - total[self.first[:-1]], dtype=np.float64)

    def longest(self, values: FloatArray) -> FloatArray:
        """Largest value of a step column in each stage, 0 in an empty one; shape (K,)."""
        most = np.zeros(len(self))
        filled = np.flatnonzero(np.diff(self.first))
        most[filled] = np.maximum.reduceat(values[: self.first[-1]], self.first[filled])
        return np.maximum(most, 0.0)

    def runs(self) -> IntArray:
        """Number of every stage's run, shape (K,); free stages are FREE.

        A run is of one role, with nothing but free stages between.
        """
        bound = np.flatnonzero(self.role != FREE)
        number = np.full(len(self), FREE, dtype=np.int64)
        number[bound] = np.cumsum(np.diff(self.role[bound], prepend=FREE) != 0) - 1
        return number

    def of_steps(self) -> IntArray:
        """Stage number of every step from the first to the last stage's."""
        return np.repeat(np.arange(len(self)), np.diff(self.first))


@njit(cache=True)
def cut(
    kind: NDArray[np.int8],
    band: IntArray,
    duration_s: FloatArray,
    begin: int,
    end: int,
    stage_s: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and bands of stages over steps begin..end; FREE where nothing bound is printed.

    `band` is the role number that binds an extruding step, or FREE. Steps that do not extrude join
    the stage they follow unless they alone take half a stage.
    """
    starts = np.empty(end - begin, dtype=np.int64)
    bands = np.empty(end - begin, dtype=np.int64)
    count, filled_s, current, printing = 0, 0.0, FREE, False
    for i in range(begin, end):
        printed = kind[i] == s.EXTRUDE
        own = band[i] if printed else FREE
        long = not printed and duration_s[i] > 0.5 * stage_s
        changed = own != current if printed or long else False
        if count == 0 or filled_s >= stage_s or (changed and (printing or filled_s > 0.0)):
            starts[count], bands[count] = i, own
            count, filled_s, current, printing = count + 1, 0.0, own, printed
        elif printed and not printing:
            bands[count - 1], current, printing = own, own, True
        filled_s += duration_s[i]
    return starts[:count].copy(), bands[:count].copy()


def build_stages(
    job: Timeline,
    duration_s: FloatArray,
    low_C: list[float],
    high_C: list[float],
    limits: Limits,
    stage_s: float,
    settle_s: float,
) -> Stages:
    """Stages from the job's first to its last print move; low_C and high_C are by role.

    settle_s: how long before a bound surface its band is to be reached; see with_gaps.
    """
    bound = np.array(
        [lo > limits.low_C or hi < limits.high_C for lo, hi in zip(low_C, high_C, strict=True)]
    )
    printing = np.flatnonzero(job.kind == s.EXTRUDE)
    begin, end = int(printing[0]), int(printing[-1]) + 1
    band = np.where(bound[job.role], job.role, FREE).astype(np.int64)
    stage_s = max(stage_s, float(duration_s[begin:end].sum()) / MAX_STAGES)
    starts, bands = cut(job.kind, band, duration_s, begin, end, stage_s)
    lows = np.array([*low_C, limits.low_C])
    highs = np.array([*high_C, limits.high_C])
    total_s = np.concatenate([[0.0], np.cumsum(duration_s)])
    lasts_s = np.diff(total_s[np.append(starts, end)])
    first, role, early, hold_s = with_gaps(starts, bands, lasts_s, lows, highs, settle_s)
    due = np.append(early, FREE)
    at_node = (np.append(role, FREE), np.insert(role, 0, FREE), due)
    node_low = np.max([lows[part] for part in at_node], axis=0)
    node_high = np.min([highs[part] for part in at_node], axis=0)
    return Stages(np.append(first, end), role, node_low, node_high, due, hold_s)


@njit(cache=True)
def _apart(a: int, b: int, low_C: FloatArray, high_C: FloatArray) -> bool:
    return a != FREE and (low_C[a] > high_C[b] or high_C[a] < low_C[b])


@njit(cache=True)
def _claim(role: IntArray, early: IntArray, time_s: FloatArray, last: int, settle_s: float) -> None:
    """Ask free stages that begin within settle_s before stage `last` to begin in its band."""
    own, waited_s, k = early[last], 0.0, last - 1
    while k >= 0 and role[k] == FREE and waited_s + time_s[k] <= settle_s:
        early[k] = own
        waited_s += time_s[k]
        k -= 1


@njit(cache=True)
def with_gaps(
    starts: IntArray,
    bands: IntArray,
    time_s: FloatArray,
    low_C: FloatArray,
    high_C: FloatArray,
    settle_s: float,
) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Empty stages between bands: (first step, role, role due at the start, least time) of all.

    Wherever the band changes comes a free stage for the ramp. A bound stretch wants its band
    reached settle_s early: in the free stages before it where they last longer or the band
    before them overlaps its own (there is no time to leave it), else by an empty stage of settle_s
    within its own band.
    """
    size = 3 * starts.size
    first, role = np.empty(size, np.int64), np.empty(size, np.int64)
    early, hold_s, lasts_s = np.full(size, FREE), np.zeros(size), np.zeros(size)
    count, before, free_s = 0, FREE, 0.0
    for j in range(starts.size):
        own = bands[j]
        if j > 0 and own != bands[j - 1]:
            first[count], role[count] = starts[j], FREE
            count += 1
            roomy = free_s > settle_s + _ROUNDING_S
            if own != FREE and (roomy or not _apart(before, own, low_C, high_C)):
                early[count - 1] = own
                _claim(role, early, lasts_s, count - 1, settle_s)
            elif own != FREE:
                first[count], role[count], hold_s[count] = starts[j], own, settle_s
                count += 1
        first[count], role[count], lasts_s[count] = starts[j], own, time_s[j]
        count += 1
        before = before if own == FREE else own
        free_s = free_s + time_s[j] if own == FREE else 0.0
    return first[:count], role[:count], early[:count], hold_s[:count]


def knots_C(stages: Stages, limits: Limits) -> FloatArray:
    """Temperatures at which least times are tabulated: an even grid and every band's ends."""
    even = np.linspace(limits.low_C, limits.high_C, KNOTS)
    return np.unique(np.round(np.concatenate([even, stages.low_C, stages.high_C]), 9))


@njit(cache=True)
def _slow_times(
    first: IntArray, duration_s: FloatArray, flow: FloatArray, limit: FloatArray
) -> NDArray[np.float64]:
    stages, size, least = first.size - 1, limit.size, np.min(limit)
    slow = np.zeros((stages, size))
    for k in range(stages):
        unhindered_s = 0.0
        for i in range(first[k], first[k + 1]):
            if flow[i] <= least:
                unhindered_s += duration_s[i]
                continue
            for g in range(size):
                slow[k, g] += duration_s[i] * max(1.0, flow[i] / limit[g])
        slow[k] += unhindered_s
    return slow


def slow_times_s(
    stages: Stages, duration_s: FloatArray, flow: FloatArray, knots: FloatArray, limits: Limits
) -> FloatArray:
    """Printing time of every stage with no flow above the limit at each knot, s, shape (K, G).

    Steps slow down as a whole, which is never faster than slowing their cruise alone.
    """
    slow = _slow_times(stages.first, duration_s, flow, limits.flow.low_at(knots))
    return np.maximum(slow, stages.hold_s[:, None])
