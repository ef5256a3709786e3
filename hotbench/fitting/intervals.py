"""Intervals that cover: jackknife over command segments, widened by the model's own error.

Noise-only methods fail here because what is left over is model error, equal in every repetition.
W^2 = max(j t s_JK, 1.96 s)^2 + (1.96 k max(E, 0.15 K) Q)^2, with s_JK from leaving out one command
segment at a time (one Gauss-Newton step each), s the standard error that white noise would leave,
E what the residual's RMS has beyond the sensor's noise, E^2 = RMS^2 - noise^2, and k, per kelvin,
from random printers. A segment is often the only one of its kind, so that leaving it out changes
what the data can tell at all: of the jackknife's spread the share j is enough.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from hotbench.core.arrays import FloatArray

CONFIDENCE = 0.95
LEAST_EXCESS_K = 0.15
JACKKNIFE_SHARE = 0.3
FEWEST_SEGMENTS = 3
FALLBACK_FACTOR = 2.0
"""Widening of the effective-sample standard error where too few segments allow no jackknife."""
SHARES_per_K: dict[str, float] = {
    "heating rate": 0.0235,
    "cooling rate": 0.037,
    "fan cooling rate": 0.08,
    "hold duty": 0.038,
    "time": 0.03,
    "rise time": 0.03,
    "combined lag": 0.08,
    "load": 0.08,
    "settling time": 0.08,
    "parameter": 0.16,
}
"""k per kind of quantity, per kelvin of residual beyond noise.

The first five, and the jackknife's share, are the smallest that cover 95 % on 40 random printers
of each of two families, verified on other draws in tests/studies; the others are wider guesses;
parameters trade with each other, so that each errs more than what they predict together.
"""


@dataclass(frozen=True)
class Information:
    """What the data say at the optimum, in the solver's coordinates.

    products: (s, d + 1, d + 1) per fitted segment, Gauss-Newton matrix bordered by the gradient;
    ridge: (d,) weak prior's precision times the residual variance; rms_K, inflation: of the
    residuals; noise_K: of the readings; free: (d,) False where a parameter sits on its bound and
    cannot move.
    """

    products: FloatArray
    ridge: FloatArray
    rms_K: float
    inflation: float
    free: np.ndarray
    noise_K: float = 0.0

    @property
    def gram(self) -> FloatArray:
        """Gauss-Newton matrix of all segments with the ridge."""
        total: FloatArray = self.products.sum(axis=0)[:-1, :-1] + np.diag(self.ridge)
        return total

    @property
    def excess_K(self) -> float:
        """What the residual has beyond the sensor's noise."""
        return math.sqrt(max(self.rms_K**2 - self.noise_K**2, LEAST_EXCESS_K**2))

    def covariance(self, inflation: float | None = None) -> FloatArray:
        """Covariance of the free parameters, zero for the others; by default effective-sample."""
        d = self.ridge.size
        covariance = np.zeros((d, d))
        index = np.flatnonzero(self.free)
        inverse = np.linalg.pinv(self.gram[np.ix_(index, index)], hermitian=True)
        grown = self.inflation if inflation is None else inflation
        covariance[np.ix_(index, index)] = inverse * self.rms_K**2 * grown
        return covariance

    def left_out(self) -> FloatArray:
        """Change of the parameters when one segment is left out; shape (s, d)."""
        index = np.flatnonzero(self.free)
        gram = self.gram[np.ix_(index, index)]
        changes = np.zeros((self.products.shape[0], self.ridge.size))
        for i, products in enumerate(self.products):
            rest = gram - products[:-1, :-1][np.ix_(index, index)]
            changes[i, index] = np.linalg.lstsq(rest, products[-1, :-1][index], rcond=1e-12)[0]
        return changes


def half_widths(
    information: Information, slopes: FloatArray, values: FloatArray, shares_per_K: FloatArray
) -> FloatArray:
    """Half-widths of 95 % intervals of derived quantities.

    slopes: (q, d), derivatives of the quantities by the solver's coordinates; values: (q,);
    shares_per_K: (q,), relative model error per kelvin of residual beyond noise.
    """
    model = 1.96 * shares_per_K * information.excess_K * np.abs(values)
    widths: FloatArray = np.hypot(_statistical(information, slopes), model)
    return widths


def _statistical(information: Information, slopes: FloatArray) -> FloatArray:
    segments = information.products.shape[0]
    if segments < FEWEST_SEGMENTS:
        return FALLBACK_FACTOR * _gaussian(information.covariance(), slopes)
    moved = information.left_out() @ slopes.T
    spread = np.sqrt((segments - 1) / segments * ((moved - moved.mean(axis=0)) ** 2).sum(axis=0))
    factor = float(stats.t.ppf(0.5 + CONFIDENCE / 2.0, segments - 1))
    white = _gaussian(information.covariance(1.0), slopes)
    widened: FloatArray = np.maximum(JACKKNIFE_SHARE * factor * spread, white)
    return widened


def _gaussian(covariance: FloatArray, slopes: FloatArray) -> FloatArray:
    """Half-widths that a covariance of the parameters leaves to derived quantities."""
    variance = np.einsum("qi,ij,qj->q", slopes, covariance, slopes)
    widths: FloatArray = 1.96 * np.sqrt(np.maximum(variance, 0.0))
    return widths
