"""Two ramp ladders side by side: does the second follow its setpoint better, or fault less?"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.stats import fisher_exact
from scipy.stats import t as student

from hotbench.core.quantity import Quantity
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.slew import CONFIDENCE, is_saturated
from hotbench.fitting.tolerance import Line, fit_line

FEWEST_RAMPS = 4
"""Ramps of one side that a line and its scatter need."""
CLEAR_SLOPE = 3.0
"""A rate is read off a line whose slope exceeds so many of its standard errors."""
_LEAST_SPREAD = 1e-6
DIRECTIONS: tuple[Direction, ...] = ("heating", "cooling")

Pair = tuple[Sequence[RampTrial], Sequence[RampTrial]]
Levels = tuple[float | None, float | None]
"""The board's fault level before and after, K; None where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One number before and after, and whether it changed.

    ratio: after over before, with its interval; None where only a count changed. chance: of a
    difference so large without a change. significant: whether it changed, all contrasts of the two
    ladders judged together.
    """

    before: float
    after: float
    ratio: Quantity | None
    chance: float
    significant: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderComparison:
    """Two ladders of one direction, before and after.

    trials, abandoned, faulted: numbers of ramps on either side. deviation: the typical one at
    `rate_K_per_s`, in the middle of what both tried, K. rate: where the typical deviation is
    `share` of the side's own fault level, K/s. faults: ramps that faulted, by Fisher's exact test.
    None where the ramps do not tell it, or where none faulted.
    """

    direction: Direction
    trials: tuple[int, int]
    abandoned: tuple[int, int]
    faulted: tuple[int, int]
    rate_K_per_s: float | None
    share: float | None
    deviation: Contrast | None
    rate: Contrast | None
    faults: Contrast | None

    @property
    def contrasts(self) -> tuple[Contrast, ...]:
        """Those that could be told."""
        found = (self.deviation, self.rate, self.faults)
        return tuple(one for one in found if one is not None)

    @property
    def significant(self) -> bool:
        """Whether anything changed."""
        return any(one.significant for one in self.contrasts)


def compare_ladders(
    before: Sequence[RampTrial],
    after: Sequence[RampTrial],
    levels_K: Levels = (None, None),
    confidence: float = CONFIDENCE,
) -> tuple[LadderComparison, ...]:
    """Both directions; one that only one side has ramps of is left out.

    Log deviation on log rate, a line for each side, told apart by Welch's test: neither slope nor
    scatter need be alike. Ramps at the heater's stop tell of the hot end and are left out. All
    chances are judged together by Holm's method, so that without any change at most
    1 - confidence of comparisons call anything significant.
    """
    found = [
        _compare(direction, pair, levels_K, confidence)
        for direction in DIRECTIONS
        if all(pair := (_of(before, direction), _of(after, direction)))
    ]
    chances = [contrast.chance for one in found for contrast in one.contrasts]
    most = holm_threshold(chances, 1.0 - confidence)
    return tuple(_called(one, most) for one in found)


def holm_threshold(chances: Sequence[float], level: float) -> float:
    """The largest chance that Holm's step-down method calls significant; below 0 when none is.

    Holm, Scandinavian Journal of Statistics 6 (1979) 65-70.
    """
    largest = -1.0
    for left, chance in zip(range(len(chances), 0, -1), sorted(chances), strict=True):
        if chance > level / left:
            break
        largest = chance
    return largest


def _of(trials: Sequence[RampTrial], direction: Direction) -> list[RampTrial]:
    return [trial for trial in trials if trial.direction == direction]


def _called(found: LadderComparison, most: float) -> LadderComparison:
    """The comparison with its verdicts: significant is what has no greater chance than `most`."""

    def call(one: Contrast | None) -> Contrast | None:
        return None if one is None else replace(one, significant=one.chance <= most)

    deviation, rate, faults = call(found.deviation), call(found.rate), call(found.faults)
    return replace(found, deviation=deviation, rate=rate, faults=faults)


def _compare(
    direction: Direction, pair: Pair, levels_K: Levels, confidence: float
) -> LadderComparison:
    telling = (_telling(pair[0]), _telling(pair[1]))
    lines = [_line(trials) for trials in telling]
    at_rate, share = _common_rate(telling), _common_share(telling, levels_K)
    faulted = _counts(pair, lambda trial: trial.fault is not None)
    return LadderComparison(
        direction=direction,
        trials=_counts(pair, lambda _: True),
        abandoned=_counts(pair, lambda trial: trial.abandoned),
        faulted=faulted,
        rate_K_per_s=at_rate,
        share=share,
        deviation=_contrast([_deviation(line, at_rate) for line in lines], confidence),
        rate=_contrast(
            [_rate(line, share, level) for line, level in zip(lines, levels_K, strict=True)],
            confidence,
        ),
        faults=_faults(pair, faulted),
    )


def _counts(pair: Pair, counts: Callable[[RampTrial], bool]) -> tuple[int, int]:
    before, after = (sum(map(counts, side)) for side in pair)
    return before, after


def _telling(trials: Sequence[RampTrial]) -> list[RampTrial]:
    """Whole ramps with a visible deviation that the loop, not the hot end, led."""
    return [t for t in trials if t.clean and t.visible and not is_saturated(t)]


def _log_rates(trials: Sequence[RampTrial]) -> list[float]:
    return [float(np.log(trial.rate_K_per_s)) for trial in trials]


def _line(trials: Sequence[RampTrial]) -> Line | None:
    """ln deviation over ln rate; level where all ramps had one rate; None for too few."""
    if len(trials) < FEWEST_RAMPS:
        return None
    x = np.array(_log_rates(trials))
    y = np.log([trial.deviation_K for trial in trials])
    line = fit_line(x, y, 1 if np.ptp(x) > 1e-3 else 0)
    return replace(line, spread=max(line.spread, _LEAST_SPREAD))


def _common_rate(telling: Pair) -> float | None:
    """The middle of the rates of both, kept to what both tried; None without such a rate."""
    if not all(telling):
        return None
    known = [_log_rates(side) for side in telling]
    low, high = max(map(min, known)), min(map(max, known))
    middle = float(np.mean([np.mean(rates) for rates in known]))
    return float(np.exp(np.clip(middle, low, high))) if low <= high else None


def _common_share(telling: Pair, levels_K: Levels) -> float | None:
    """Share of the fault level that the ramps of both sides reached; None for unknown levels."""
    if not all(telling) or None in levels_K:
        return None
    reached = (max(t.deviation_K for t in side) for side in telling)
    return min(1.0, *(most / level for most, level in zip(reached, levels_K, strict=True) if level))


class _Estimate(NamedTuple):
    """A logarithm with its variance and degrees of freedom."""

    value: float
    variance: float
    dof: float


def _deviation(line: Line | None, rate_K_per_s: float | None) -> _Estimate | None:
    """ln of the typical deviation at a rate."""
    if line is None or rate_K_per_s is None:
        return None
    x = np.log([rate_K_per_s])
    variance = line.spread**2 * float(line.leverage(x)[0])
    return _Estimate(float(line.value(x)[0]), variance, line.dof)


def _rate(line: Line | None, share: float | None, level_K: float | None) -> _Estimate | None:
    """ln of the rate at which the typical deviation is a share of the level (delta method)."""
    if line is None or share is None or level_K is None or line.coefficients.size < 2:
        return None
    if line.t_of_last() < CLEAR_SLOPE:
        return None
    height, slope = line.coefficients
    x = float(line.centre + (np.log(share * level_K) - height) / slope)
    variance = line.spread**2 * float(line.leverage(np.array([x]))[0] / slope**2)
    return _Estimate(x, variance, line.dof)


def _contrast(sides: Sequence[_Estimate | None], confidence: float) -> Contrast | None:
    """Welch's test of two logarithms, and the interval of their ratio."""
    before, after = sides
    if before is None or after is None:
        return None
    variance = before.variance + after.variance
    dof = variance**2 / (before.variance**2 / before.dof + after.variance**2 / after.dof)
    step, error = after.value - before.value, float(np.sqrt(variance))
    reach = float(student.ppf(0.5 + confidence / 2.0, dof)) * error
    ratio = Quantity(
        value=float(np.exp(step)),
        unit="",
        low=float(np.exp(step - reach)),
        high=float(np.exp(step + reach)),
        confidence=confidence,
        basis="fitted",
    )
    return Contrast(
        before=float(np.exp(before.value)),
        after=float(np.exp(after.value)),
        ratio=ratio,
        chance=float(2.0 * student.sf(abs(step) / error, dof)),
    )


def _faults(pair: Pair, faulted: tuple[int, int]) -> Contrast | None:
    """Fisher's exact test of the shares of faulted ramps; None where there is no fault at all."""
    if not any(faulted):
        return None
    counts = [[faults, len(side) - faults] for faults, side in zip(faulted, pair, strict=True)]
    chance = float(fisher_exact(np.array(counts)).pvalue)
    return Contrast(before=faulted[0], after=faulted[1], ratio=None, chance=chance)
