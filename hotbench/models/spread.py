"""Interval of a derived figure from other plausible parameter sets."""

from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from hotbench.core.quantity import Basis, Quantity

FEWEST_DRAWS = 2


def spread(
    value: float,
    draws: Sequence[float] | np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    unit: str,
    *,
    basis: Basis = "fitted",
    confidence: float = 0.95,
    replicates: bool = False,
) -> Quantity:
    """`value` with the interval that the same figure's values for other parameter sets imply.

    draws: figures of independent draws of the parameters, or (replicates) of delete-one jackknife
    replicates, whose variance is (n − 1)/n Σ(x − x̄)² (Efron and Tibshirani, An Introduction to
    the Bootstrap, chapter 11). NaN draws count as unknown; fewer than two leave no interval.
    """
    known = np.asarray(draws, dtype=np.float64)
    known = known[np.isfinite(known)]
    if known.size < FEWEST_DRAWS:
        return Quantity(value=value, unit=unit, basis=basis)
    squares = float(np.sum((known - known.mean()) ** 2))
    n = known.size
    variance = squares * (n - 1) / n if replicates else squares / (n - 1)
    offset = 0.0 if replicates else float(known.mean()) - value
    reach = float(stdtrit(n - 1, 0.5 + confidence / 2.0)) * float(np.hypot(variance**0.5, offset))
    return Quantity(
        value=value,
        unit=unit,
        low=value - reach,
        high=value + reach,
        confidence=confidence,
        basis=basis,
    )
