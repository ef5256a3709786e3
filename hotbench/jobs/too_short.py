"""Roles between others that a hot end cannot reach and leave in time."""

from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.jobs.problem import TINY_S, Problem
from hotbench.jobs.stages import FREE, Stages
from hotbench.jobs.timeline import Timeline

SHOWN = 20


@dataclass(frozen=True)
class TooShort:
    """A role between others that this hot end cannot reach and leave in the time there is.

    from_C, to_C, back_to_C: nearest ends of the bands before, of and after it. has_s: time from
    the last surface that needs from_C to the next that needs back_to_C; shortest_s: the shortest
    such time this hot end can do.
    """

    role: str
    layer: int
    line: int
    time_s: float
    from_C: float
    to_C: float
    back_to_C: float
    has_s: float
    shortest_s: float


def find_too_short(
    job: Timeline, problem: Problem, time_s: FloatArray, start_s: FloatArray
) -> tuple[tuple[TooShort, ...], int]:
    """Stretches of wished roles that cannot be reached and left in the time there is, worst first.

    time_s: of every stage in the job as it is.
    """
    runs = _runs(problem.stages)
    at_s = np.concatenate([[0.0], np.cumsum(time_s)])
    found = []
    for k, run in enumerate(runs):
        before = runs[k - 1] if k else None
        after = runs[k + 1] if k + 1 < len(runs) else None
        found += _run_too_short(job, problem, at_s, start_s, before, run, after)
    found.sort(key=lambda item: item.has_s - item.shortest_s)
    return tuple(found[:SHOWN]), len(found)


def _runs(stages: Stages) -> list[tuple[int, int]]:
    """Stretches bound by one role (first stage, one past the last); free stages join them."""
    bound = np.flatnonzero(stages.role != FREE)
    if bound.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(stages.runs()[bound])) + 1
    return [(int(part[0]), int(part[-1]) + 1) for part in np.split(bound, cuts)]


def _run_too_short(
    job: Timeline,
    problem: Problem,
    at_s: FloatArray,
    start_s: FloatArray,
    before: tuple[int, int] | None,
    run: tuple[int, int],
    after: tuple[int, int] | None,
) -> list[TooShort]:
    """The run as a list of one, empty when its neighbours' bands are reached in time."""
    from_C, to_C, down_s = _gap(problem, before, run)
    leave_C, back_C, back_s = _gap(problem, run, after)
    before_s = at_s[run[0]] - at_s[before[1]] if before else 0.0
    after_s = at_s[after[0]] - at_s[run[1]] if after else 0.0
    if down_s <= before_s + TINY_S and back_s <= after_s + TINY_S:
        return []
    own_s = at_s[run[1]] - at_s[run[0]]
    step = int(problem.stages.first[run[0]])
    return [
        TooShort(
            role=job.role_names[problem.stages.role[run[0]]],
            layer=int(job.layer[step]),
            line=int(job.line[step]),
            time_s=float(start_s[step]),
            from_C=from_C,
            to_C=to_C,
            back_to_C=back_C if after else leave_C,
            has_s=float(before_s + own_s + after_s),
            shortest_s=float(max(down_s, before_s) + own_s + max(back_s, after_s)),
        )
    ]


def _gap(
    problem: Problem, left: tuple[int, int] | None, right: tuple[int, int] | None
) -> tuple[float, float, float]:
    """Nearest ends of two runs' bands, and the time of a safe ramp between them with its rest."""
    if left is None or right is None:
        run = left or right or (0, 0)
        here = float(problem.aim[run[0]])
        return here, here, 0.0
    low, high = ([band[part[0]] for part in (left, right)] for band in (problem.low, problem.high))
    if low[0] > high[1]:
        ends = float(low[0]), float(high[1])
    elif high[0] < low[1]:
        ends = float(high[0]), float(low[1])
    else:
        return float(high[0]), float(high[0]), 0.0
    clock = problem.up if ends[1] > ends[0] else problem.down
    ramp = np.interp(ends, problem.knots, clock)
    return ends[0], ends[1], float(abs(ramp[1] - ramp[0])) + problem.settle_s
