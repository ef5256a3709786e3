"""The heater fit as least squares: unknowns, sums over all stretches, several starts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater_data import HeaterData, Stretch
from hotbench.fitting.heater_starts import ASSUMED_AMBIENT_C
from hotbench.fitting.heater_sums import Sums, walk_linear, walk_nodes
from hotbench.fitting.heater_tangents import WIDTH
from hotbench.fitting.least_squares import Normal, minimise
from hotbench.models.heater import PARAMETERS, START, HeaterModel, blank_vector
from hotbench.models.heater_steps import P
from hotbench.models.parameters import Parameter

NO_OUT, NO_ROWS = np.zeros(0), np.zeros((0, WIDTH))
NO_PRODUCTS, NO_TALLY = np.zeros((0, WIDTH + 1, WIDTH + 1)), np.zeros((0, 0))
AMBIENT = Parameter(
    "ambient_C", "°C", -40.0, 80.0, ASSUMED_AMBIENT_C, "surroundings", logarithmic=False
)
START_SPREAD_K = 10.0
"""Prior spread of how far a warm start's nodes are from the first reading."""
START_NOISE_K = 0.05
"""Noise that the prior is weighed against: the cost is in K^2, and a good report has no less."""
START_RANGE_K = 150.0
EVALUATIONS = 400
SLOWEST = 1.0
"""Least exchange of a shell with the near node, over the longest stretch's inverse."""
BRIEFEST_s = 1.0
"""Shorter stretches count as this long, or no exchange would be left."""
Heats = Sequence[tuple[int, float]]
"""Evaluations granted so far, and within which factor of the best cost a start goes on."""
HEATS: Heats = ((12, 2.0), (25, 1.2))
"""The least that lost no minimum on 25 random printers of each of two families."""
ONE_VALLEY: Heats = ((40, 1.0),)
"""For starts of which any will do."""


@dataclass(frozen=True)
class Unknown:
    """A fitted number: a model parameter, the ambient, or a stretch's starting temperature."""

    parameter: Parameter
    place: P
    stretch: int | None = None


@dataclass(frozen=True)
class Evaluation:
    """Sums at one point, in the solver's coordinates; segments along the first axis.

    products: (s, d + 1, d + 1), Gauss-Newton matrix bordered by the gradient; tally: (s, 3) as
    in `heater_sums.Sums`.
    """

    products: FloatArray
    tally: FloatArray
    prior: FloatArray

    @cached_property
    def normal(self) -> Normal:
        """Normal equations over all segments and the prior."""
        total = self.products.sum(axis=0) + self.prior
        cost = float(self.tally[:, 0].sum() + self.prior[-1, -1])
        return Normal(total[:-1, :-1], total[-1, :-1], cost)

    @property
    def cost(self) -> float:
        """Sum of rho(r^2), prior included."""
        return self.normal.cost


@dataclass(frozen=True)
class Solution:
    """Where the solver ended: values by unknown, in the outer (physical) coordinates."""

    values: FloatArray
    cost: float
    evaluations: int
    converged: bool


@dataclass
class Problem:
    """One model on one data set. fixed: places held at a value; huber_K: robust beyond it."""

    model: HeaterModel
    data: HeaterData
    fixed: dict[P, float] = field(default_factory=dict)
    huber_K: float = math.inf

    @cached_property
    def unknowns(self) -> tuple[Unknown, ...]:
        """What is fitted, model parameters first."""
        shared = [
            Unknown(self._declared(place), place)
            for place in self.model.places
            if place not in self.fixed
        ]
        if self.data.ambient_C is None and P.AMBIENT not in self.fixed:
            shared.append(Unknown(AMBIENT, P.AMBIENT))
        local = [
            Unknown(_start_parameter(stretch, place, i), place, i)
            for i, stretch in enumerate(self.data.stretches)
            if not stretch.uniform
            for place in self._start_places()
        ]
        return (*shared, *local)

    def _declared(self, place: P) -> Parameter:
        """The parameter's declaration, adapted to the record.

        Readings cannot tell a lag shorter than half an interval from dead time, nor a shell that
        takes as long as the record to follow from more loss.
        """
        declared = PARAMETERS[place]
        longest_s = max(self.data.longest_s, BRIEFEST_s)
        least = {P.LAG: 0.5 * self.data.interval_s, P.SHELL_EXCHANGE: SLOWEST / longest_s}
        low = max(declared.low, least.get(place, declared.low))
        return replace(declared, low=low, default=max(declared.default, low))

    def _start_places(self) -> tuple[P, ...]:
        nodes = ((P.NEAR_0, None), (P.FAR_0, P.EXCHANGE), (P.SHELL_0, P.SHELL_EXCHANGE))
        return tuple(at for at, link in nodes if link is None or link in self.model.places)

    def vector(self, values: FloatArray, stretch: int | None = None) -> FloatArray:
        """The kernels' parameter vector at `values`, with the start of a stretch."""
        vector = blank_vector()
        for place, value in self.fixed.items():
            vector[place] = value
        ambient_C = self.data.ambient_C
        if stretch is not None and self.data.stretches[stretch].ambient_C is not None:
            ambient_C = self.data.stretches[stretch].ambient_C
        if ambient_C is not None:
            vector[P.AMBIENT] = ambient_C
        if stretch is not None:
            start_C = self.data.stretches[stretch].start_C
            vector[START] = start_C
        for unknown, value in zip(self.unknowns, values, strict=True):
            if unknown.stretch is None or unknown.stretch == stretch:
                vector[unknown.place] = value
        return vector

    def evaluate(self, values: FloatArray) -> Evaluation:
        """Sums over all stretches at `values` (outer coordinates)."""
        count, size = max(len(self.data.segments), 1), len(self.unknowns)
        products = np.zeros((count, size + 1, size + 1))
        tally = np.zeros((count, 3))
        for i, stretch in enumerate(self.data.stretches):
            sums = Sums.zeros(count)
            walk = walk_linear if self.model.linear else walk_nodes
            vector = self.vector(values, i)
            _walk(walk, vector, stretch, stretch.fitted, self.huber_K, sums=sums)
            mine = [k for k, u in enumerate(self.unknowns) if u.stretch in (None, i)]
            places = [*(int(self.unknowns[k].place) for k in mine), WIDTH]
            slopes = np.array([*(self.unknowns[k].parameter.slope(values[k]) for k in mine), 1.0])
            part = sums.products[:, places][:, :, places] * slopes[:, None] * slopes
            products[np.ix_(range(count), [*mine, size], [*mine, size])] += part
            tally += sums.tally
        return Evaluation(products, tally, self._prior(values))

    def _prior(self, values: FloatArray) -> FloatArray:
        """Pull of warm starts towards the first reading, as one more segment."""
        size = len(self.unknowns)
        prior = np.zeros((size + 1, size + 1))
        for k, unknown in enumerate(self.unknowns):
            if unknown.stretch is not None:
                pull = START_NOISE_K / START_SPREAD_K
                away = pull * (values[k] - unknown.parameter.default)
                prior[k, k] += pull**2
                prior[k, size] += pull * away
                prior[size, k] += pull * away
                prior[size, size] += away**2
        return prior

    def trace(self, values: FloatArray, stretch: int) -> FloatArray:
        """Predicted temperature over a stretch, C."""
        part = self.data.stretches[stretch]
        out = np.empty(len(part))
        walk = walk_linear if self.model.linear else walk_nodes
        _walk(walk, self.vector(values, stretch), part, part.fitted, math.inf, out=out)
        return out

    def slopes(self, values: FloatArray, stretch: int) -> FloatArray:
        """Derivatives of `trace` by the unknowns in the solver's coordinates; shape (n, d)."""
        part = self.data.stretches[stretch]
        rows = np.empty((len(part), WIDTH))
        walk = walk_linear if self.model.linear else walk_nodes
        _walk(walk, self.vector(values, stretch), part, part.fitted, math.inf, rows=rows)
        made = np.zeros((len(part), len(self.unknowns)))
        for k, unknown in enumerate(self.unknowns):
            if unknown.stretch in (None, stretch):
                made[:, k] = rows[:, unknown.place] * unknown.parameter.slope(values[k])
        return made

    def solve(self, start: FloatArray, evaluations: int = EVALUATIONS) -> Solution:
        """Least squares from one point, within the parameters' bounds."""
        bounds = [
            (u.parameter.inner(u.parameter.low), u.parameter.inner(u.parameter.high))
            for u in self.unknowns
        ]
        clipped = [u.parameter.clipped(v) for u, v in zip(self.unknowns, start, strict=True)]
        found = minimise(
            lambda inner: self.evaluate(self.outer(inner)).normal,
            self.inner(np.array(clipped)),
            bounds,
            evaluations=evaluations,
        )
        return Solution(self.outer(found.at), found.cost, found.evaluations, found.converged)

    def begun(self, start: dict[P, float]) -> Solution:
        """A start that nothing has been spent on yet."""
        return Solution(self.point(start), math.inf, 0, converged=False)

    def continued(self, earlier: Solution, evaluations: int) -> Solution:
        """An unfinished solution until so many evaluations have been spent on it in all."""
        if earlier.converged:
            return earlier
        further = self.solve(earlier.values, evaluations - earlier.evaluations)
        return replace(further, evaluations=earlier.evaluations + further.evaluations)

    def point(self, start: dict[P, float]) -> FloatArray:
        """Values by unknown from a start by place; what it does not name takes its default."""
        return np.array(
            [
                u.parameter.clipped(start.get(u.place, u.parameter.default))
                if u.stretch is None
                else u.parameter.default
                for u in self.unknowns
            ]
        )

    def outer(self, inner: FloatArray) -> FloatArray:
        """Physical values from the solver's coordinates."""
        return np.array([u.parameter.outer(x) for u, x in zip(self.unknowns, inner, strict=True)])

    def inner(self, values: FloatArray) -> FloatArray:
        """The solver's coordinates from physical values."""
        return np.array([u.parameter.inner(x) for u, x in zip(self.unknowns, values, strict=True)])


def _start_parameter(stretch: Stretch, place: P, number: int) -> Parameter:
    start_C = stretch.start_C
    name = f"{place.name.lower()}_{number}_C"
    low, high = start_C - START_RANGE_K, start_C + START_RANGE_K
    return Parameter(name, "°C", low, high, start_C, "state before the record", logarithmic=False)


def _walk(
    walk: object,
    vector: FloatArray,
    stretch: Stretch,
    segment: np.ndarray,
    huber_K: float,
    *,
    out: FloatArray = NO_OUT,
    rows: FloatArray = NO_ROWS,
    sums: Sums | None = None,
) -> None:
    walk(  # type: ignore[operator]
        vector,
        stretch.time_s,
        stretch.switch_s,
        stretch.temperature_C,
        stretch.duty,
        stretch.fan,
        stretch.flow_mm3_per_s,
        segment,
        stretch.weight,
        huber_K,
        out,
        rows,
        NO_PRODUCTS if sums is None else sums.products,
        NO_TALLY if sums is None else sums.tally,
    )


def solve_best(
    problem: Problem, starts: Sequence[dict[P, float]], heats: Heats = HEATS
) -> Solution:
    """Best of several starts: all run a little, the near rivals of the best go on to the end."""
    alive = [problem.begun(start) for start in starts]
    spent = 0
    for granted, factor in (*heats, (EVALUATIONS, 1.0)):
        before = sum(s.evaluations for s in alive)
        alive = [problem.continued(s, granted) for s in alive]
        spent += sum(s.evaluations for s in alive) - before
        limit = factor * min(s.cost for s in alive)
        alive = [s for s in alive if s.cost <= limit]
    return replace(alive[0], evaluations=spent)
