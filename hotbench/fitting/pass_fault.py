"""Safe rate from passes and faults alone: bounded, Bayesian, with its steepness assumed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

from hotbench.core.arrays import FloatArray

STEEPNESS = 0.15
"""Log spread assumed between a rate that never and one that always faults."""
SPAN = 20.0
"""The limit is taken to lie within this factor above the slowest clean ramp, no more than
`OVER_FASTEST` above the fastest ramp tried."""
OVER_FASTEST = 3.0
_GRID = 400


@dataclass(frozen=True, slots=True)
class PassFaultClaim:
    """Safe rate, the limit's median, and the assumption both rest on."""

    rate_K_per_s: float
    median_K_per_s: float
    assumption: str


@dataclass(frozen=True)
class LimitBelief:
    """Posterior of the rate at which half the ramps fault, on a logarithmic grid."""

    log_rate: FloatArray
    weight: FloatArray

    def quantile(self, share: float) -> float:
        """Rate below which the limit lies with probability `share`."""
        at = int(np.searchsorted(np.cumsum(self.weight), share))
        return float(np.exp(self.log_rate[min(at, _GRID - 1)]))

    def fault_chance(self, rate_K_per_s: float) -> float:
        """Chance that a ramp at a rate faults, the doubt about the limit included."""
        chance = ndtr((np.log(rate_K_per_s) - self.log_rate) / STEEPNESS)
        return float(np.sum(self.weight * chance))


def limit_belief(
    rates_K_per_s: FloatArray, faulted: NDArray[np.bool_], lowest: float, highest: float
) -> LimitBelief:
    """Posterior after passes and faults; flat in ln(rate) between the bounds before them."""
    grid = np.linspace(np.log(lowest), np.log(highest), _GRID)
    score = (np.log(rates_K_per_s)[:, None] - grid[None, :]) / STEEPNESS
    sign = np.where(faulted, 1.0, -1.0)[:, None]
    log_weight = np.sum(log_ndtr(sign * score), axis=0)
    weight = np.exp(log_weight - log_weight.max())
    return LimitBelief(grid, weight / weight.sum())


def safe_rate_from_faults(
    rates_K_per_s: FloatArray,
    faulted: NDArray[np.bool_],
    coverage: float,
    confidence: float,
    unit: str = "K/s",
) -> PassFaultClaim | None:
    """Safe rate at the lower end of the limit's posterior, never above the fastest clean ramp.

    None when no ramp was clean. `coverage` of ramps pass at the rate with `confidence`, provided
    the limit is as steep as assumed and lies within the stated bounds. Sizes and travels are
    judged alike, in their own unit.
    """
    if faulted.all() or not rates_K_per_s.size:
        return None
    slowest, fastest = float(rates_K_per_s.min()), float(rates_K_per_s.max())
    highest = min(SPAN * slowest, OVER_FASTEST * fastest)
    belief = limit_belief(rates_K_per_s, faulted, 0.5 * slowest, highest)
    low = belief.quantile(1.0 - confidence)
    rate = low * float(np.exp(-ndtri(coverage) * STEEPNESS))
    clean = float(rates_K_per_s[~faulted].max())
    return PassFaultClaim(
        min(rate, clean),
        belief.quantile(0.5),
        f"the limit varies by {100.0 * STEEPNESS:g} % and lies between "
        f"{0.5 * slowest:.3g} and {highest:.3g} {unit}",
    )
