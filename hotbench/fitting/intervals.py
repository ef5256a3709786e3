"""Intervals that cover: jackknife over command segments, widened by the model's own error.

Noise-only methods fail here because what is left over is model error, equal in every repetition.
W^2 = max(j t s_JK, 1.96 s)^2 + (1.96 k max(E, least) Q)^2, with s_JK from leaving out one command
segment at a time (one Gauss-Newton step each), s the standard error that white noise would leave,
E what the residual's RMS has beyond the sensor's noise, E^2 = RMS^2 - noise^2, and k, per kelvin,
from random printers. For what the fan does, E is that of the segments with the fan on: the model
errs most there, and a whole record that is well fitted does not tell. A segment is often the only
one of its kind, so that leaving it out changes what the data can tell at all: then a share j of
the jackknife's spread is enough. What a slow part of the hot end decides - cooling, holding - is
as uncertain as the jackknife says.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from hotbench.core.arrays import FloatArray

CONFIDENCE = 0.95
FEWEST_SEGMENTS = 3
FALLBACK_FACTOR = 2.0
"""Widening of the effective-sample standard error where too few segments allow no jackknife."""


@dataclass(frozen=True)
class Share:
    """Model error of a kind of quantity: k per kelvin of residual, and the share j.

    fanned: by the residual of the segments with the fan on. least_K: the residual below which a
    smaller one proves nothing.
    """

    per_K: float
    jackknife: float = 0.3
    fanned: bool = False
    least_K: float = 0.1


SHARES: dict[str, Share] = {
    "heating rate": Share(0.0125, jackknife=0.65, least_K=0.07),
    "cooling rate": Share(0.0385, jackknife=0.85, least_K=0.07),
    "fan cooling rate": Share(0.0545, jackknife=0.1, fanned=True, least_K=0.06),
    "hold duty": Share(0.018, jackknife=1.0, least_K=0.15),
    "time down": Share(0.0205, jackknife=0.9, least_K=0.07),
    "time back": Share(0.02, jackknife=0.5, least_K=0.07),
    "rise time": Share(0.03),
    "combined lag": Share(0.08),
    "load": Share(0.08),
    "settling time": Share(0.08),
    "parameter": Share(0.16),
}
"""By kind of quantity.

The first six come from some 510 random printers of each of two families, judged on other draws
in tests/studies; the others are wider guesses; parameters trade with each other, so that
each errs more than what they predict together.
"""
NO_MODEL_ERROR = Share(0.0)


@dataclass(frozen=True)
class Information:
    """What the data say at the optimum, in the solver's coordinates.

    products: (s, d + 1, d + 1) per fitted segment, Gauss-Newton matrix bordered by the gradient;
    ridge: (d,) weak prior's precision times the residual variance; rms_K, inflation: of the
    residuals; noise_K: of the readings; free: (d,) False where a parameter sits on its bound and
    cannot move; fan_rms_K: of the residuals with the fan on, None where it never was.
    """

    products: FloatArray
    ridge: FloatArray
    rms_K: float
    inflation: float
    free: np.ndarray
    noise_K: float = 0.0
    fan_rms_K: float | None = None

    @property
    def gram(self) -> FloatArray:
        """Gauss-Newton matrix of all segments with the ridge."""
        total: FloatArray = self.products.sum(axis=0)[:-1, :-1] + np.diag(self.ridge)
        return total

    @property
    def excess_K(self) -> float:
        """What the residual has beyond the sensor's noise."""
        return self._beyond_noise_K(self.rms_K)

    @property
    def fan_excess_K(self) -> float:
        """The same of the segments with the fan on; of all where there are none."""
        if self.fan_rms_K is None:
            return self.excess_K
        return self._beyond_noise_K(self.fan_rms_K)

    def _beyond_noise_K(self, rms_K: float) -> float:
        return math.sqrt(max(rms_K**2 - self.noise_K**2, 0.0))

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
    information: Information, slopes: FloatArray, values: FloatArray, shares: Sequence[Share]
) -> FloatArray:
    """Half-widths of 95 % intervals of derived quantities.

    slopes: (q, d), derivatives of the quantities by the solver's coordinates; values: (q,);
    shares: q of them.
    """
    excess_K = (information.excess_K, information.fan_excess_K)
    relative = np.array([s.per_K * max(excess_K[s.fanned], s.least_K) for s in shares])
    statistical = _statistical(information, slopes, np.array([s.jackknife for s in shares]))
    widths: FloatArray = np.hypot(statistical, 1.96 * relative * np.abs(values))
    return widths


def _statistical(information: Information, slopes: FloatArray, jackknife: FloatArray) -> FloatArray:
    segments = information.products.shape[0]
    if segments < FEWEST_SEGMENTS:
        return FALLBACK_FACTOR * _gaussian(information.covariance(), slopes)
    moved = information.left_out() @ slopes.T
    spread = np.sqrt((segments - 1) / segments * ((moved - moved.mean(axis=0)) ** 2).sum(axis=0))
    factor = float(stats.t.ppf(0.5 + CONFIDENCE / 2.0, segments - 1))
    white = _gaussian(information.covariance(1.0), slopes)
    widened: FloatArray = np.maximum(jackknife * factor * spread, white)
    return widened


def _gaussian(covariance: FloatArray, slopes: FloatArray) -> FloatArray:
    """Half-widths that a covariance of the parameters leaves to derived quantities."""
    variance = np.einsum("qi,ij,qj->q", slopes, covariance, slopes)
    widths: FloatArray = 1.96 * np.sqrt(np.maximum(variance, 0.0))
    return widths
