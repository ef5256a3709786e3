"""Flow limit between and beyond the measured temperatures, with its doubt, and its inverse."""

from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.fitting.melt_solve import CURVE_MISFIT, JOINT_TEMPERATURES, Solution
from hotbench.models.melt import Criterion, criterion_index, fourier_and_slope

SHAPE_MISFIT = 0.004
"""Standard deviation, in ln Q95, allowed for a roll-off of another shape than the model's. With it
95 % intervals held in 96 % of 320 simulated sessions with 1 % of weighing noise, in 95 % of 60 with
0.4 %, and in 89 % of 60 with 0.1 %, where the shape is all that is left. Judged on other seeds in
tests/studies/test_melt_study.py."""
EXTRAPOLATION_PER_10_K = (0.05, 0.03)
"""Further deviation in ln Q95 per 10 K below and above the measured temperatures: a centreline
curve through a mean-temperature truth errs by 14 % 10 K below and 8 % 20 K above at worst."""
GRID_K, SAME_K = 0.5, 0.5
HOTTEST_C = 450.0


@dataclass(frozen=True)
class LimitCurve:
    """ln Q95 by temperature: the two-parameter curve plus the departures found at each measured
    temperature, interpolated between them. joint False: measured temperatures only.
    """

    solution: Solution
    temperatures_C: FloatArray
    feed_C: float
    criterion: Criterion
    joint: bool

    @property
    def softening_C(self) -> float:
        """Where the curve reaches zero; the feed temperature where there is no curve."""
        if not self.joint:
            return self.feed_C
        return float(self.solution.theta[self.solution.layout.alpha + 1])

    def place_of(self, temperature_C: float) -> int:
        """Which measured temperature this is; BadInput when it is none."""
        known = self.temperatures_C
        place = int(np.argmin(np.abs(known - temperature_C)))
        if abs(known[place] - temperature_C) > SAME_K:
            raise BadInput(
                "no weighings at this temperature",
                value=f"{temperature_C:g} °C",
                limit=", ".join(f"{t:g}" for t in known),
                remedy=f"weigh at {JOINT_TEMPERATURES} temperatures for a curve between them",
            )
        return place

    def at(self, temperatures_C: FloatArray) -> tuple[FloatArray, FloatArray]:
        """ln Q95 and its standard deviation; temperatures above softening."""
        if self.joint:
            return self._joint_at(temperatures_C)
        layout = self.solution.layout
        places = np.array([self.place_of(float(at)) for at in temperatures_C])
        gradient = np.zeros((places.size, layout.size))
        gradient[np.arange(places.size), layout.limits.start + places] = 1.0
        value = self.solution.theta[layout.limits][places]
        return value, self._deviation(gradient, np.zeros(places.size))

    def _joint_at(self, temperatures_C: FloatArray) -> tuple[FloatArray, FloatArray]:
        layout, theta = self.solution.layout, self.solution.theta
        known = self.temperatures_C
        share = _interpolation(known, temperatures_C)
        here, slope_here = self._model(temperatures_C)
        there, slope_there = self._model(known)
        value = here + share @ (theta[layout.limits] - there)
        gradient = np.zeros((temperatures_C.size, layout.size))
        gradient[:, layout.limits] = share
        gradient[:, layout.alpha + 1] = slope_here - share @ slope_there
        extra = _beyond(known, temperatures_C) + _between(known, temperatures_C)
        return value, self._deviation(gradient, extra)

    def _deviation(self, gradient: FloatArray, extra: FloatArray) -> FloatArray:
        variance = np.einsum("ij,jk,ik->i", gradient, self.solution.covariance, gradient)
        deviation: FloatArray = np.sqrt(np.maximum(variance, 0.0) + SHAPE_MISFIT**2 + extra**2)
        return deviation

    def _model(self, temperatures_C: FloatArray) -> tuple[FloatArray, FloatArray]:
        """ln Q of the two-parameter curve and its derivative by the softening temperature."""
        rise = temperatures_C - self.feed_C
        row = criterion_index(self.criterion)
        excess = (temperatures_C - self.softening_C) / rise
        fo, slope = np.array([fourier_and_slope(x, row) for x in excess]).T
        alpha = self.solution.theta[self.solution.layout.alpha]
        return np.log(np.pi) + alpha - np.log(fo), slope / (fo * rise)

    def inverse(self, log_flow: float, quantile: float) -> tuple[float, float, float]:
        """Temperatures at which the curve, its upper and its lower band reach `log_flow`.

        Infinite where none up to 450 °C does.
        """
        grid = np.arange(self.softening_C + GRID_K, HOTTEST_C, GRID_K)
        value, deviation = self.at(grid)
        reach = quantile * deviation
        at = _first_reach(grid, value, log_flow)
        # Near softening the band opens without bound; only the crossing next to the value counts.
        below = grid <= at
        low = _last_rise(grid[below], (value + reach)[below], log_flow)
        high = _first_reach(grid[~below], (value - reach)[~below], log_flow)
        return at, low, high


def _interpolation(known: FloatArray, wanted: FloatArray) -> FloatArray:
    """Shares of each known temperature in a linear interpolation, constant outside."""
    return np.column_stack([np.interp(wanted, known, row) for row in np.eye(known.size)])


def _beyond(known: FloatArray, wanted: FloatArray) -> FloatArray:
    below, above = EXTRAPOLATION_PER_10_K
    outside: FloatArray = np.maximum(below * (known[0] - wanted), above * (wanted - known[-1]))
    return np.maximum(outside / 10.0, 0.0)


def _between(known: FloatArray, wanted: FloatArray) -> FloatArray:
    """Doubt about the departure from the curve half-way between two known temperatures."""
    nearest = np.min(np.abs(wanted[:, None] - known[None, :]), axis=1)
    inside = (wanted >= known[0]) & (wanted <= known[-1])
    return np.where(inside, CURVE_MISFIT * nearest / float(np.max(np.diff(known))), 0.0)


def _first_reach(grid: FloatArray, curve: FloatArray, level: float) -> float:
    """Where a curve first rises through `level`; the grid's start if it begins above."""
    above = np.flatnonzero(curve >= level)
    if above.size == 0:
        return float("inf")
    first = int(above[0])
    if first == 0:
        return float(grid[0])
    return float(np.interp(level, curve[first - 1 : first + 1], grid[first - 1 : first + 1]))


def _last_rise(grid: FloatArray, curve: FloatArray, level: float) -> float:
    """Where a curve last rises through `level`; the grid's start if it stays above."""
    under = np.flatnonzero(curve < level)
    if under.size == 0 or under[-1] + 1 >= grid.size:
        return float(grid[-1 if under.size else 0])
    pair = slice(int(under[-1]), int(under[-1]) + 2)
    return float(np.interp(level, curve[pair], grid[pair]))
