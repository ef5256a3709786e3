"""Least squares behind the melt fit: compiled rows, robust reweighting, covariance."""

from dataclasses import dataclass

import lmfit
import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.fitting.melt_points import MeltPoints
from hotbench.models.melt import Criterion, criterion_index, fourier_and_slope

CURVE_MISFIT = 0.015
"""Relative departure of a hot end's true limits from the two-parameter curve that the fit expects.
Least-squares curves through exact limits of finite-contact and mean-temperature truths at 200, 220
and 240 °C depart by 0.1 to 2.7 % (tests/fitting/test_melt_fit.py)."""
EXPONENT_PRIOR = (6.0, 0.45)
"""Median and log spread of the roll-off exponent before data: 95 % between 2.5 and 14."""
LEVEL_PRIOR = 0.1
NOISE_PRIOR_POINTS = 4.0
"""How many residuals the declared noise counts for against the residuals found."""
FAR = ((1.15, 0.25), (1.35, 0.0625))
"""Weight of points beyond a load (flow over limit): there a roll-off of another shape misleads."""
HUBER = 2.0
JOINT_TEMPERATURES = 3
_ROUNDS, _SETTLED = 5, 1e-3
_MARGIN_K = 3.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the parameters sit: log levels, log exponent, log limits, log αL and softening."""

    levels: int
    temperatures: int
    joint: bool

    @property
    def exponent(self) -> int:
        """Index of the log exponent."""
        return self.levels

    @property
    def limits(self) -> slice:
        """Indices of the log limits, temperatures rising."""
        return slice(self.levels + 1, self.levels + 1 + self.temperatures)

    @property
    def alpha(self) -> int:
        """Index of ln(αL); softening follows it."""
        return self.levels + 1 + self.temperatures

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.alpha + (2 if self.joint else 0)


@dataclass(frozen=True, kw_only=True)
class Solution:
    """Parameters and covariance, arranged by `layout`; scale multiplies the declared noise."""

    layout: Layout
    theta: FloatArray
    covariance: FloatArray
    scale: float
    dof: float
    standardised: FloatArray
    success: bool


@dataclass(frozen=True)
class _Data:
    place: FloatArray
    level_place: FloatArray
    log_flow: FloatArray
    log_level: FloatArray
    deviation: FloatArray
    temperatures_C: FloatArray
    feed_C: float
    row: int
    log_loss: float


@njit(cache=True)
def fill_rows(
    theta: FloatArray,
    shape: tuple[int, int, int],
    place: FloatArray,
    level_place: FloatArray,
    log_flow: FloatArray,
    log_level: FloatArray,
    weight: FloatArray,
    log_loss: float,
    residual: FloatArray,
    slope: FloatArray,
) -> None:
    """Data rows: weighted ln(level) minus the roll-off, and their derivatives."""
    levels = shape[0]
    exponent = np.exp(theta[levels])
    for i in range(log_flow.size):
        at = levels + 1 + int(place[i])
        log_load = log_flow[i] - theta[at]
        loss = log_loss * np.exp(min(exponent * log_load, 60.0))
        residual[i] = weight[i] * (log_level[i] - theta[int(level_place[i])] + loss)
        slope[i, int(level_place[i])] = -weight[i]
        slope[i, levels] = weight[i] * loss * exponent * log_load
        slope[i, at] = -weight[i] * loss * exponent


@njit(cache=True)
def fill_curve(
    theta: FloatArray,
    shape: tuple[int, int, int],
    temperatures: FloatArray,
    feed: float,
    row: int,
    weight: float,
    start: int,
    residual: FloatArray,
    slope: FloatArray,
) -> None:
    """Rows that tie the limits to the melt curve of αL and softening temperature."""
    levels, count = shape[0], shape[1]
    alpha = levels + 1 + count
    for i in range(count):
        rise = temperatures[i] - feed
        fo, fo_slope = fourier_and_slope((temperatures[i] - theta[alpha + 1]) / rise, row)
        model = np.log(np.pi) + theta[alpha] - np.log(fo)
        residual[start + i] = weight * (theta[levels + 1 + i] - model)
        slope[start + i, levels + 1 + i] = weight
        slope[start + i, alpha] = -weight
        slope[start + i, alpha + 1] = -weight * fo_slope / (fo * rise)


class _Problem:
    """Rows of one weighted least-squares round, values and derivatives kept together."""

    def __init__(self, data: _Data, layout: Layout) -> None:
        self.data, self.layout = data, layout
        self._shape = (layout.levels, layout.temperatures, int(layout.joint))
        self.count = data.log_flow.size
        rows = self.count + 1 + layout.levels + (layout.temperatures if layout.joint else 0)
        self.residual, self.slope = np.zeros(rows), np.zeros((rows, layout.size))
        self.weight, self.scale = 1.0 / data.deviation, 1.0
        self.far = np.ones(self.count)

    def fill(self, theta: FloatArray) -> None:
        """Rows and derivatives at `theta`, in units of the present noise scale."""
        data, layout = self.data, self.layout
        fill_rows(
            theta,
            self._shape,
            data.place,
            data.level_place,
            data.log_flow,
            data.log_level,
            self.weight,
            data.log_loss,
            self.residual,
            self.slope,
        )
        self._fill_priors(theta)
        if layout.joint:
            start = self.count + 1 + layout.levels
            fill_curve(
                theta,
                self._shape,
                data.temperatures_C,
                data.feed_C,
                data.row,
                self.scale / CURVE_MISFIT,
                start,
                self.residual,
                self.slope,
            )

    def _fill_priors(self, theta: FloatArray) -> None:
        # Priors do not scale with the noise: their rows are multiplied by the scale that the
        # covariance divides out again.
        median, spread = EXPONENT_PRIOR
        at, exponent = self.count, self.layout.exponent
        self.residual[at] = self.scale * (theta[exponent] - np.log(median)) / spread
        self.slope[at, exponent] = self.scale / spread
        if self.layout.levels == 1:
            self.residual[at + 1] = self.scale * theta[0] / LEVEL_PRIOR
            self.slope[at + 1, 0] = self.scale / LEVEL_PRIOR

    def standardised(self) -> FloatArray:
        """Data residuals over declared noise, unweighted."""
        data: FloatArray = self.residual[: self.count] / (self.weight * self.data.deviation)
        return data

    def reweight(self, theta: FloatArray) -> float:
        """New weights: far points down, outliers down; returns the degrees of freedom."""
        self.fill(theta)
        over = self.standardised()
        load = self.data.log_flow - theta[self.layout.limits][self.data.place.astype(int)]
        self.far = far = np.ones(self.count)
        for beyond, weight in FAR:
            far[load > np.log(beyond)] = weight
        size = np.abs(over) * np.sqrt(far)
        rough = 1.4826 * float(np.median(size)) if self.count > 8 else self.scale
        outlier = np.minimum(1.0, HUBER * max(rough, 0.3) / np.maximum(size, 1e-12))
        dof = max(float(far.sum()) - self.layout.size + 2.0 * self.layout.joint, 0.0)
        found = float(np.sum(far * outlier * over**2))
        self.scale = float(np.sqrt((NOISE_PRIOR_POINTS + found) / (NOISE_PRIOR_POINTS + dof)))
        self.weight = np.sqrt(far * outlier) / self.data.deviation
        return NOISE_PRIOR_POINTS + dof

    def covariance(self) -> FloatArray:
        """Of the parameters: far points weigh less, yet their noise is not larger for it."""
        normal = self.slope.T @ self.slope
        inverse = np.linalg.pinv(normal, hermitian=True)
        data = self.slope[: self.count]
        spread = normal - (data.T * (1.0 - self.far)) @ data
        found: FloatArray = self.scale**2 * inverse @ spread @ inverse
        return found


def solve(points: MeltPoints, *, feed_C: float, criterion: Criterion) -> Solution:
    """Fit levels, exponent and limits, with the melt curve from three temperatures on.

    Fewer temperatures leave the curve out. Robust: points beyond 1.35·Q95 weigh a quarter,
    outliers by Huber's rule.
    """
    count = points.temperatures_C.size
    levels = 1 if points.evidence.shared_level else count
    layout = Layout(levels, count, count >= JOINT_TEMPERATURES)
    place = points.place()
    data = _Data(
        place=place.astype(np.float64),
        level_place=np.zeros(place.size) if levels == 1 else place.astype(np.float64),
        log_flow=np.log(points.flow_mm3_per_s),
        log_level=np.log(points.level),
        deviation=points.deviation,
        temperatures_C=points.temperatures_C,
        feed_C=feed_C,
        row=criterion_index(criterion),
        log_loss=points.evidence.log_loss,
    )
    return _iterate(_Problem(data, layout), _starting_values(data, layout))


def _iterate(problem: _Problem, theta: FloatArray) -> Solution:
    dof, success = NOISE_PRIOR_POINTS, True
    parameters = _declared(problem, theta)
    for _ in range(_ROUNDS):
        before = theta
        theta, success = _minimise(problem, parameters)
        dof = problem.reweight(theta)
        if np.max(np.abs(theta - before)[: problem.layout.alpha]) < _SETTLED:
            break
    problem.fill(theta)
    return Solution(
        layout=problem.layout,
        theta=theta,
        covariance=problem.covariance(),
        scale=problem.scale,
        dof=dof,
        standardised=problem.standardised(),
        success=success,
    )


def _declared(problem: _Problem, theta: FloatArray) -> lmfit.Parameters:
    parameters = lmfit.Parameters()
    for i, (value, (low, high)) in enumerate(zip(theta, _bounds(problem), strict=True)):
        parameters.add(f"p{i}", value=min(max(value, low), high), min=low, max=high)
    return parameters


def _minimise(problem: _Problem, parameters: lmfit.Parameters) -> tuple[FloatArray, bool]:
    """One Levenberg-Marquardt run with the analytic derivatives; parameters keep its result."""
    names = list(parameters)

    def at(current: lmfit.Parameters) -> FloatArray:
        return np.array([current[name].value for name in names])

    def residual(current: lmfit.Parameters) -> FloatArray:
        problem.fill(at(current))
        return problem.residual.copy()

    def derivative(current: lmfit.Parameters) -> FloatArray:
        problem.fill(at(current))
        return problem.slope.copy()

    result = lmfit.minimize(
        residual, parameters, method="leastsq", Dfun=derivative, calc_covar=False, ftol=1e-9
    )
    for name in names:
        parameters[name].value = result.params[name].value
    return at(result.params), bool(result.success)


def _bounds(problem: _Problem) -> list[tuple[float, float]]:
    layout, data = problem.layout, problem.data
    free = (-np.inf, np.inf)
    bounds = [free] * layout.levels + [(np.log(1.0), np.log(60.0))] + [free] * layout.temperatures
    if layout.joint:
        bounds += [free, (data.feed_C + _MARGIN_K, float(data.temperatures_C[0]) - _MARGIN_K)]
    return bounds


def _starting_values(data: _Data, layout: Layout) -> FloatArray:
    theta = np.zeros(layout.size)
    theta[layout.exponent] = np.log(EXPONENT_PRIOR[0])
    for place in range(layout.temperatures):
        here = data.place == place
        level_at = place if layout.levels > 1 else 0
        group = data.log_level[here if layout.levels > 1 else slice(None)]
        theta[level_at] = float(np.quantile(group, 0.8))
        loss = theta[level_at] - data.log_level[here]
        theta[layout.limits.start + place] = _first_limit(data.log_flow[here], loss, data.log_loss)
    if layout.joint:
        theta[layout.alpha :] = _first_curve(data, theta[layout.limits])
    return theta


def _first_limit(log_flow: FloatArray, loss: FloatArray, log_loss: float) -> float:
    """Each point with a clear loss names a limit at exponent 6; else beyond the fastest point."""
    clear = loss > 0.5 * log_loss
    if not clear.any():
        return float(log_flow.max()) + 0.2
    named = log_flow[clear] - np.log(loss[clear] / log_loss) / EXPONENT_PRIOR[0]
    return float(np.median(named))


def _first_curve(data: _Data, log_limits: FloatArray) -> FloatArray:
    """Best of a coarse scan of the softening temperature, αL following in closed form."""
    low, high = data.feed_C + 2.0 * _MARGIN_K, float(data.temperatures_C[0]) - 2.0 * _MARGIN_K
    rise = data.temperatures_C - data.feed_C
    best = (np.inf, 0.0, high)
    for softening in np.linspace(low, high, 12):
        fo = [fourier_and_slope(x, data.row)[0] for x in (data.temperatures_C - softening) / rise]
        apart = log_limits - np.log(np.pi) + np.log(fo)
        best = min(best, (float(np.var(apart)), float(np.mean(apart)), float(softening)))
    return np.array(best[1:])
