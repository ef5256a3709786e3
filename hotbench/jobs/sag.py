"""Bands moved against what steps of flow and fan are predicted to do to a surface."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.jobs.limits import Limits
from hotbench.jobs.stages import FREE, Stages
from hotbench.jobs.words import IntArray

BoolArray = NDArray[np.bool_]

GRID_K = 0.25
"""Moved bands end on multiples of this, so that knots stay few."""
SLACK_K = 0.25
"""How far a prediction may leave its planned band before that is moved: half a command's step."""


def moved(
    stages: Stages,
    bands: tuple[list[float], list[float]],
    stage: IntArray,
    wanted_C: FloatArray,
    told_C: FloatArray,
    limits: Limits,
) -> Stages | None:
    """Stages whose bands bring the predicted temperature to where it is planned; None: it is there.

    bands: lowest and highest planned temperature by role. stage, wanted_C, told_C: of moments when
    a bound stage is printed: its number, what is planned and what is predicted. A prediction off
    by `least` to `most` stays in [low, high] while what is planned stays in [low - least,
    high - most], and is centred there where that is empty. Runs within SLACK_K of their bands are
    left alone, and so are ends that nobody wished.
    """
    run = stages.runs()
    own, bound = run[stage], run != FREE
    role = np.zeros(int(run.max(initial=FREE)) + 1, dtype=np.int64)
    role[run[bound]] = stages.role[bound]
    low, high = (np.asarray(part)[role] for part in bands)
    least, most = _ends(own, told_C - wanted_C, role.size)
    coldest, hottest = _ends(own, told_C, role.size)
    missed = (coldest < low - SLACK_K) | (hottest > high + SLACK_K)
    if not missed.any():
        return None
    floor = np.where(missed & (low > limits.low_C), low - least, low)
    ceiling = np.where(missed & (high < limits.high_C), high - most, high)
    ends = _ordered(floor, ceiling, missed, limits)
    return _with_bands(stages, run, *ends, limits)


def _ends(own: IntArray, values: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Least and largest value of every run, shape (count,); inf and -inf where it has none."""
    least, most = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(least, own, values)
    np.maximum.at(most, own, values)
    return least, most


def _ordered(
    low: FloatArray, high: FloatArray, chosen: BoolArray, limits: Limits
) -> tuple[FloatArray, FloatArray]:
    """The chosen bands on the grid and within the limits; crossed ends meet in their middle."""
    middle = GRID_K * np.round(0.5 * (low + high) / GRID_K)
    inner = GRID_K * np.ceil(low / GRID_K), GRID_K * np.floor(high / GRID_K)
    crossed = inner[0] > inner[1]
    ends = (np.where(crossed, middle, part) for part in inner)
    low, high = (
        np.where(chosen, np.clip(new, limits.low_C, limits.high_C), old)
        for new, old in zip(ends, (low, high), strict=True)
    )
    return low, high


def _with_bands(
    stages: Stages, run: IntArray, low: FloatArray, high: FloatArray, limits: Limits
) -> Stages:
    """Node bands from those of the runs: of the stages either side, and of the run due there."""
    following = np.minimum.accumulate(np.where(run == FREE, low.size, run)[::-1])[::-1]
    due = np.where(stages.due != FREE, np.append(following, FREE), FREE)
    at_node = (np.append(run, FREE), np.insert(run, 0, FREE), due)
    lows, highs = np.append(low, limits.low_C), np.append(high, limits.high_C)
    node_low = np.max([lows[part] for part in at_node], axis=0)
    node_high = np.min([highs[part] for part in at_node], axis=0)
    open_ = node_low <= node_high
    return replace(
        stages,
        low_C=np.where(open_, node_low, stages.low_C),
        high_C=np.where(open_, node_high, stages.high_C),
    )
