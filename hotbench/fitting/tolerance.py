"""One-sided tolerance bounds of a regression: what a stated share of future values stays below."""

from dataclasses import dataclass

import numpy as np
from scipy.special import nctdtrit, ndtri

from hotbench.core.arrays import FloatArray


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

    Both spreads add in squares; the degrees of freedom follow Satterthwaite, since the known part
    carries no doubt, and the leverage shrinks by the share of the estimated part.
    """
    own = max(line.spread, least_spread)
    total = float(np.hypot(own, known_spread))
    share = own / total
    dof = line.dof / share**4
    root = np.sqrt(line.leverage(x)) * share
    return line.value(x) + total * tolerance_factor(coverage, confidence, dof, root)
