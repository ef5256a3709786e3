"""Two ramp ladders side by side: does the second follow its setpoint better, or fault less?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import fisher_exact
from scipy.stats import t as student

from hotbench.core.quantity import Quantity
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.slew import CONFIDENCE, FEWEST_TRIALS


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderComparison:
    """Two ladders of one direction, before and after.

    deviation_ratio: after over before at equal rate, with its interval. p_deviation: chance of a
    ratio so far from 1 without a change. p_faults: the same for the share of faults (Fisher's
    exact test). significant: p_deviation or p_faults below 0.05.
    """

    direction: Direction
    trials: tuple[int, int]
    faults: tuple[int, int]
    deviation_ratio: Quantity | None
    p_deviation: float | None
    p_faults: float
    significant: bool


def compare_ladders(
    before: Sequence[RampTrial],
    after: Sequence[RampTrial],
    direction: Direction,
    confidence: float = CONFIDENCE,
) -> LadderComparison:
    """Whether a second ladder follows its setpoint better: common slope, two levels."""
    groups = [[t for t in side if t.direction == direction] for side in (before, after)]
    faults = [sum(t.fault is not None for t in group) for group in groups]
    counts = np.array([[f, len(group) - f] for f, group in zip(faults, groups, strict=True)])
    p_faults = float(fisher_exact(counts).pvalue)
    ratio, p_deviation = _deviation_ratio(groups, confidence)
    return LadderComparison(
        direction=direction,
        trials=(len(groups[0]), len(groups[1])),
        faults=(faults[0], faults[1]),
        deviation_ratio=ratio,
        p_deviation=p_deviation,
        p_faults=p_faults,
        significant=min(p_faults, 1.0 if p_deviation is None else p_deviation) < 1.0 - CONFIDENCE,
    )


def _deviation_ratio(
    groups: Sequence[Sequence[RampTrial]], confidence: float
) -> tuple[Quantity | None, float | None]:
    """Analysis of covariance: log deviation on log rate with a step between the ladders."""
    rows = [
        (np.log(t.rate_K_per_s), float(side), np.log(t.deviation_K))
        for side, group in enumerate(groups)
        for t in group
        if t.clean and t.visible
    ]
    sides = {row[1] for row in rows}
    if len(rows) < FEWEST_TRIALS or len(sides) < 2:
        return None, None
    x, side, y = np.array(rows).T
    design = np.column_stack((np.ones(x.size), x - x.mean(), side))
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    dof = x.size - design.shape[1]
    spread = max(float(np.sqrt(np.sum((y - design @ coefficients) ** 2) / dof)), 1e-9)
    error = spread * float(np.sqrt(np.linalg.pinv(design.T @ design)[2, 2]))
    step = float(coefficients[2])
    reach = float(student.ppf(0.5 + confidence / 2.0, dof)) * error
    ratio = Quantity(
        value=float(np.exp(step)),
        unit="",
        low=float(np.exp(step - reach)),
        high=float(np.exp(step + reach)),
        confidence=confidence,
        basis="fitted",
    )
    return ratio, float(2.0 * student.sf(abs(step) / error, dof))
