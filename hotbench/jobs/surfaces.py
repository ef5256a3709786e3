"""What temperature each surface of a job meets: stretches of one role, and roles summed up."""

from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.jobs import scan as s
from hotbench.jobs.prediction import Prediction
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import NO_WISHES, Wish, Wishes
from hotbench.jobs.words import IntArray


@dataclass(frozen=True)
class Surfaces:
    """Runs of print moves of one role in one layer, in order; arrays of shape (k,).

    role: number of its name in role_names. line: of the first move. begin_s, end_s: on the
    clock of the prediction. expected_C: mean prediction; low_C, high_C: from the lowest to the
    highest end of its interval anywhere in the stretch.
    """

    role_names: tuple[str, ...]
    role: IntArray
    layer: IntArray
    line: IntArray
    begin_s: FloatArray
    end_s: FloatArray
    expected_C: FloatArray
    low_C: FloatArray
    high_C: FloatArray

    def __len__(self) -> int:
        return int(self.role.size)


@dataclass(frozen=True, kw_only=True)
class RoleHeat:
    """All stretches of a role: their time, expected temperatures and interval.

    surely_inside: share of their time in stretches whose whole interval lies within the wished
    band; None where nothing is wished.
    """

    role: str
    stretches: int
    time_s: float
    least_C: float
    most_C: float
    low_C: float
    high_C: float
    surely_inside: float | None


def surfaces(
    job: Timeline,
    steps: slice,
    start_s: FloatArray,
    end_s: FloatArray,
    bin_s: float,
    prediction: Prediction,
) -> Surfaces:
    """Stretches among `steps`; start_s, end_s: of those steps only, on the prediction's clock."""
    own = np.flatnonzero(job.kind[steps] == s.EXTRUDE)
    step = own + steps.start
    changed = (np.diff(job.layer[step]) != 0) | (np.diff(job.role[step]) != 0)
    first = np.concatenate([[0], np.flatnonzero(changed) + 1])[: own.size]
    last = np.append(first[1:], own.size)[: first.size] - 1
    begin_s, until_s = start_s[own[first]], end_s[own[last]]
    bins = prediction.temperature_C.size
    # A bin's temperature is the one at its end, so the bin before holds that of the beginning.
    begin = np.clip((begin_s / bin_s).astype(np.int64) - 1, 0, bins - 1)
    end = np.clip((until_s / bin_s).astype(np.int64), begin, bins - 1) + 1
    total = np.concatenate([[0.0], np.cumsum(prediction.temperature_C)])
    return Surfaces(
        role_names=tuple(job.role_names),
        role=job.role[step[first]].astype(np.int64),
        layer=job.layer[step[first]].astype(np.int64),
        line=job.line[step[first]].astype(np.int64),
        begin_s=begin_s,
        end_s=until_s,
        expected_C=(total[end] - total[begin]) / (end - begin),
        low_C=_over(np.minimum, prediction.low_C, begin, end),
        high_C=_over(np.maximum, prediction.high_C, begin, end),
    )


def _over(take: np.ufunc, values: FloatArray, begin: IntArray, end: IntArray) -> FloatArray:
    """`take` over values[begin:end] of every pair, shape (k,)."""
    padded = np.append(values, values[-1])
    pairs = np.column_stack([begin, end]).ravel()
    found: FloatArray = take.reduceat(padded, pairs)[::2] if pairs.size else np.empty(0)
    return found


def role_heats(found: Surfaces, wishes: Wishes = NO_WISHES) -> tuple[RoleHeat, ...]:
    """Every role that prints, in the order of its number."""
    return tuple(
        _role_heat(found, int(number), wishes.roles.get(found.role_names[number]))
        for number in np.unique(found.role)
    )


def _role_heat(found: Surfaces, number: int, wish: Wish | None) -> RoleHeat:
    own = found.role == number
    time_s = (found.end_s - found.begin_s)[own]
    low_C, high_C, expected_C = (
        part[own] for part in (found.low_C, found.high_C, found.expected_C)
    )
    share = None
    if wish is not None:
        inside = (low_C >= wish.low_C) & (high_C <= wish.high_C)
        share = float(time_s[inside].sum() / max(time_s.sum(), 1e-9))
    return RoleHeat(
        role=found.role_names[number],
        stretches=int(own.sum()),
        time_s=float(time_s.sum()),
        least_C=float(expected_C.min()),
        most_C=float(expected_C.max()),
        low_C=float(low_C.min()),
        high_C=float(high_C.max()),
        surely_inside=share,
    )
