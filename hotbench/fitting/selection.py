"""Which model the data can carry: effective-sample BIC and held-out proof, ties to the smaller."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray

TIE = 8.0
"""BIC differences up to here tell nothing (common practice: 6 to 10 is 'strong')."""
LONGEST_BLOCK = 1 << 17
WINDOW_FACTOR = 5.0


@dataclass(frozen=True)
class Candidate:
    """A fitted model on trial; held_out_rms_K is NaN when nothing was held out."""

    model: str
    parameters: int
    rms_K: float
    bic: float
    held_out_rms_K: float
    chosen: bool = False


def inflation(residuals: Sequence[FloatArray]) -> float:
    """How many residuals make one independent one: 1 + 2 x the summed autocorrelation.

    Summed up to the first lag that exceeds 5 x the running integrated time (Sokal's window).
    """
    total = sum(r.size for r in residuals)
    parts = [_inflation(r[:LONGEST_BLOCK]) * r.size for r in residuals if r.size > 2]
    return max(sum(parts) / max(total, 1), 1.0)


def _inflation(residual: FloatArray) -> float:
    spectrum = np.fft.rfft(residual, 2 * residual.size)
    products = np.fft.irfft(np.abs(spectrum) ** 2)[: residual.size]
    if products[0] <= 0.0:
        return 1.0
    times = 1.0 + 2.0 * np.cumsum(products[1:] / products[0])
    beyond = np.flatnonzero(np.arange(1, residual.size) > WINDOW_FACTOR * times)
    return float(max(times[beyond[0] if beyond.size else -1], 1.0))


def bic(cost: float, samples: int, inflated: float, parameters: int) -> float:
    """Bayesian information criterion with the effective number of samples; cost in K^2."""
    effective = max(samples / inflated, 2.0)
    mean_square = max(cost / max(samples, 1), np.finfo(float).tiny)
    return effective * math.log(mean_square) + parameters * math.log(effective)


def choose(candidates: Sequence[Candidate]) -> int:
    """Index of the model to keep, from candidates sorted smallest first.

    A larger model replaces the one kept so far when its BIC is lower by more than TIE and, where
    something was held out, its held-out error is lower too. Within TIE the held-out error alone
    decides; where nothing was held out, a tie goes to the smaller.
    """
    kept = 0
    for i, candidate in enumerate(candidates):
        lead = candidates[kept].bic - candidate.bic
        proven = candidate.held_out_rms_K < candidates[kept].held_out_rms_K
        if (lead > -TIE and proven) or (lead > TIE and _unproven(candidate, candidates[kept])):
            kept = i
    return kept


def _unproven(*candidates: Candidate) -> bool:
    """Nothing was held out that could tell these apart."""
    return any(math.isnan(candidate.held_out_rms_K) for candidate in candidates)
