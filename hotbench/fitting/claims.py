"""What a claim about setpoint moves rests on, and plain tolerance bounds of a deviation."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Quantity
from hotbench.fitting.slew import COVERAGE, LEAST_SPREAD, Method
from hotbench.fitting.tolerance import fit_line, upper_bound


@dataclass(frozen=True, kw_only=True)
class Claim:
    """A one-sided claim: `coverage` of moves stay clear of a fault, with `confidence`.

    quantity: None where nothing can be claimed. widen: what would widen it.
    """

    quantity: Quantity | None
    method: Method
    coverage: float
    confidence: float
    trials: int
    faults: int
    confirmed: bool
    assumptions: tuple[str, ...]
    widen: str
    runs: tuple[str, ...] = ()


def log_bound(values: Sequence[float], known_spread: float, confidence: float) -> float:
    """Upper tolerance bound of ln(value) for a plain sample of at least two."""
    y: FloatArray = np.log(np.asarray(values, dtype=np.float64))
    x = np.arange(y.size, dtype=np.float64)
    line = fit_line(x, y, 0)
    bound = upper_bound(
        line,
        x[:1],
        coverage=COVERAGE,
        confidence=confidence,
        least_spread=LEAST_SPREAD,
        known_spread=known_spread,
    )
    return float(bound[0])
