"""Bounded least squares from normal equations, through lmfit.

The residual vector handed to the solver has one entry per parameter and one more; its norm,
gradient and Gauss-Newton matrix are exactly those of the full residual vector, so that a log of
any length costs the solver the same. With the Gauss-Newton matrix J'J = V L V', the condensed
Jacobian is sqrt(L) V' and the condensed residual L^-1/2 V' J'r; the last entry keeps the norm.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import lmfit
import numpy as np

from hotbench.core.arrays import FloatArray

NEGLIGIBLE = 1e-14
COST_TOLERANCE = 1e-6
FINEST = 3e-16


@dataclass(frozen=True)
class Normal:
    """J'J (d, d), J'r (d,) and the cost r'r at one point."""

    gram: FloatArray
    grad: FloatArray
    cost: float


@dataclass(frozen=True)
class Minimum:
    """Where the solver ended."""

    at: FloatArray
    cost: float
    evaluations: int
    converged: bool


def condensed(normal: Normal) -> tuple[FloatArray, FloatArray]:
    """Residual (d + 1,) and Jacobian (d + 1, d) with the same cost, gradient and Gauss-Newton.

    Directions without any weight (eigenvalue below 1e-14 of the largest) stay still.
    """
    scale = np.sqrt(np.maximum(np.diag(normal.gram), np.finfo(float).tiny))
    values, vectors = np.linalg.eigh(normal.gram / scale[:, None] / scale)
    roots = np.sqrt(np.maximum(values, 0.0))
    seen = values > NEGLIGIBLE * max(float(values[-1]), np.finfo(float).tiny)
    turned = vectors.T @ (normal.grad / scale)
    head = np.where(seen, turned / np.where(seen, roots, 1.0), 0.0)
    rest = math.sqrt(max(normal.cost - float(head @ head), 0.0))
    jacobian = np.vstack([roots[:, None] * vectors.T * scale, np.zeros(scale.size)])
    return np.append(head, rest), jacobian


def minimise(
    evaluate: Callable[[FloatArray], Normal],
    start: FloatArray,
    bounds: Sequence[tuple[float, float]],
    *,
    evaluations: int,
    tolerance: float = COST_TOLERANCE,
) -> Minimum:
    """Least squares within bounds (lmfit's door to scipy's trust-region-reflective).

    tolerance: relative change of the cost at which it stops.
    """
    names = [f"p{k}" for k in range(start.size)]
    params = lmfit.Parameters()
    for name, value, (low, high) in zip(names, start, bounds, strict=True):
        params.add(name, value=value, min=low, max=high)
    memory = _Memory(evaluate, names)
    # lmfit adds standard errors unasked; on a matrix on the brink they are NaN or 0, and unused.
    with np.errstate(invalid="ignore", divide="ignore"):
        fit = lmfit.Minimizer(memory.residual, params, calc_covar=False).minimize(
            method="least_squares",
            jac=memory.jacobian,
            x_scale="jac",
            ftol=tolerance,
            xtol=max(0.01 * tolerance, FINEST),
            gtol=max(1e-4 * tolerance, FINEST),
            max_nfev=evaluations,
        )
    at = np.array([fit.params[name].value for name in names])
    return Minimum(at, memory.at(at).cost, memory.evaluations, bool(fit.success))


class _Memory:
    """Residual and Jacobian for lmfit; the last point is not computed twice."""

    def __init__(self, evaluate: Callable[[FloatArray], Normal], names: Sequence[str]) -> None:
        self._evaluate, self._names = evaluate, names
        self.evaluations = 0
        self._last: tuple[bytes, Normal] | None = None
        self._last_condensed: tuple[Normal, tuple[FloatArray, FloatArray]] | None = None

    def at(self, point: FloatArray) -> Normal:
        key = point.tobytes()
        if self._last is None or self._last[0] != key:
            self.evaluations += 1
            self._last = key, self._evaluate(point)
        return self._last[1]

    def _condensed(self, params: lmfit.Parameters) -> tuple[FloatArray, FloatArray]:
        normal = self.at(np.array([params[name].value for name in self._names]))
        if self._last_condensed is None or self._last_condensed[0] is not normal:
            self._last_condensed = normal, condensed(normal)
        return self._last_condensed[1]

    def residual(self, params: lmfit.Parameters) -> FloatArray:
        return self._condensed(params)[0]

    def jacobian(self, params: lmfit.Parameters) -> FloatArray:
        return self._condensed(params)[1]
