"""One-sided tolerance bounds of a regression: what a stated share of future values stays below."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, nctdtrit, ndtr, ndtri

from hotbench.core.arrays import FloatArray

_SHARES = (np.arange(60) + 0.5) / 60.0
_HALVINGS = 30


def tolerance_factor(
    coverage: float, confidence: float, dof: float, leverage_root: FloatArray | float
) -> FloatArray:
    """k such that ŷ + s·k lies above `coverage` of future values with `confidence`.

    k = h·t'(confidence; dof, z/h), t' the noncentral t quantile, z the normal quantile of the
    coverage, h the square root of the leverage. A plain sample is h = 1/√n, dof = n − 1
    (NIST/SEMATECH e-Handbook 7.2.6.3).
    """
    root = np.asarray(leverage_root, dtype=np.float64)
    factor: FloatArray = root * nctdtrit(dof, ndtri(coverage) / root, confidence)
    return factor


@dataclass(frozen=True, kw_only=True)
class Line:
    """Least-squares polynomial in x − centre; `inverse` is (XᵀX)⁻¹, `spread` the residual's."""

    centre: float
    coefficients: FloatArray
    inverse: FloatArray
    spread: float
    dof: int

    def design(self, x: FloatArray) -> FloatArray:
        """Rows of powers, shape (n, degree + 1)."""
        powers: FloatArray = np.vander(
            np.atleast_1d(x) - self.centre, self.coefficients.size, increasing=True
        )
        return powers

    def value(self, x: FloatArray) -> FloatArray:
        """Fitted values."""
        fitted: FloatArray = self.design(x) @ self.coefficients
        return fitted

    def slope(self, x: float) -> float:
        """Derivative of the fitted value."""
        power = np.arange(1, self.coefficients.size)
        return float(np.sum(power * self.coefficients[1:] * (x - self.centre) ** (power - 1)))

    def leverage(self, x: FloatArray) -> FloatArray:
        """x's leverage: variance of the fitted value over that of a residual."""
        rows = self.design(x)
        leverage: FloatArray = np.einsum("ij,jk,ik->i", rows, self.inverse, rows)
        return leverage

    def t_of_last(self) -> float:
        """The highest coefficient over its standard error."""
        error = self.spread * float(np.sqrt(self.inverse[-1, -1]))
        return float(self.coefficients[-1]) / error if error > 0.0 else 0.0


def fit_line(x: FloatArray, y: FloatArray, degree: int) -> Line:
    """Ordinary least squares of a polynomial; needs more points than coefficients."""
    centre = float(np.mean(x))
    rows = np.vander(x - centre, degree + 1, increasing=True)
    coefficients, *_ = np.linalg.lstsq(rows, y, rcond=None)
    dof = x.size - degree - 1
    spread = float(np.sqrt(np.sum((y - rows @ coefficients) ** 2) / dof))
    return Line(
        centre=centre,
        coefficients=np.asarray(coefficients, dtype=np.float64),
        inverse=np.asarray(np.linalg.pinv(rows.T @ rows, hermitian=True), dtype=np.float64),
        spread=spread,
        dof=dof,
    )


def upper_bound(
    line: Line,
    x: FloatArray,
    *,
    coverage: float,
    confidence: float,
    least_spread: float,
    known_spread: float = 0.0,
) -> FloatArray:
    """Upper tolerance bound along x for residual spread plus an independent known spread.

    Without a known spread this is ŷ + s·k. With one, the bound is the `confidence` quantile of
    the generalised pivotal quantity μ + z √(σ² + τ²) with σ = s √(ν/χ²) and μ = ŷ + σ h Z
    (Krishnamoorthy and Mathew, Statistical Tolerance Regions, section 1.4), which reduces to the
    former at τ = 0.
    """
    own = max(line.spread, least_spread)
    root = np.sqrt(line.leverage(x))
    if known_spread == 0.0:
        return line.value(x) + own * tolerance_factor(coverage, confidence, line.dof, root)
    sigma = own * np.sqrt(line.dof / chdtri(line.dof, _SHARES))
    quantile = ndtri(coverage) * np.hypot(sigma, known_spread)
    return line.value(x) + _pivotal_margin(root, sigma, quantile, confidence)


def _pivotal_margin(
    root: FloatArray, sigma: FloatArray, quantile: FloatArray, confidence: float
) -> FloatArray:
    """Margins m with mean over σ of Φ((m − quantile)/(σ h)) = confidence, by bisection."""
    low, high = np.zeros(root.size), np.full(root.size, float(quantile.max()))
    high += 8.0 * root * float(sigma.max())
    scale = root[:, None] * sigma[None, :]
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        under = np.mean(ndtr((middle[:, None] - quantile) / scale), axis=1) < confidence
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return high
