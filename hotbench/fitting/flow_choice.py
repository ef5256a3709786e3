"""Which temperature and flow to weigh next: climb to the loss, then where it tells most."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, Run
from hotbench.fitting.melt import FEED_C, MeltFit, fit_points
from hotbench.fitting.melt_points import MeltPoints, extrusions_of, melt_points
from hotbench.fitting.melt_solve import Layout, fill_rows
from hotbench.models.melt import Criterion

CLIMB = 1.4
CLIMB_LOSS = 0.07
LOG_RISE_PER_K = 0.0044
"""Rise of ln Q95 per kelvin near 220 °C, for the first guess at a new temperature."""
LOADS = (0.45, 0.8, 0.9, 0.95, 1.0, 1.05)
"""Flows worth weighing, over the estimated limit. Faster, a roll-off of another shape misleads
more than the point tells."""
SAME_K = 0.5
MOST_SHARE = 1.5
"""No temperature takes more than this times its even share: each limit also rests on its own
weighings, not on the joint curve alone."""
STAY_GAIN = 0.9
"""Another temperature must promise a variance below this share to be worth the heating."""


BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowPlan:
    """What a session may do.

    temperatures_C: at least one. first_mm3_per_s: where the climb begins. lowest and highest flow
    bound every choice. weighings: the most that may be asked for. goal: half-width of the limit's
    interval, relative, at which the session ends early.
    """

    temperatures_C: tuple[float, ...]
    first_mm3_per_s: float = 4.0
    lowest_mm3_per_s: float = 0.5
    highest_mm3_per_s: float = 60.0
    weighings: int = 36
    goal: float = 0.036
    criterion: Criterion = "centre"
    feed_C: float = FEED_C

    def __post_init__(self) -> None:
        if not self.temperatures_C:
            raise BadInput("a flow plan needs a temperature")
        if not 0.0 < self.lowest_mm3_per_s <= self.first_mm3_per_s <= self.highest_mm3_per_s:
            raise BadInput(
                "flows out of order",
                value=(self.lowest_mm3_per_s, self.first_mm3_per_s, self.highest_mm3_per_s),
                limit="lowest <= first <= highest",
            )


@dataclass(frozen=True, slots=True)
class FlowChoice:
    """The next weighing and why."""

    temperature_C: float
    flow_mm3_per_s: float
    reason: str


def next_extrusion(
    done: Sequence[Extrusion] | Sequence[Run],
    plan: FlowPlan,
    *,
    filament_diameter_mm: float | None = None,
    filament_density_g_per_cm3: float | None = None,
) -> FlowChoice | None:
    """The next temperature and flow, None when the session is done.

    First each temperature is climbed by 1.4 until 7 % is missing (later ones start from where the
    earlier ended), with a reference at half the flow; then the flow is taken whose weighing most
    reduces the worst interval. Entries without a delivered amount, or with one of zero or less, are
    passed over.
    """
    extrusions = [item for item in extrusions_of(done) if _is_complete(item)]
    if len(extrusions) >= plan.weighings:
        return None
    if not extrusions:
        return FlowChoice(plan.temperatures_C[0], plan.first_mm3_per_s, "low-flow reference")
    points = melt_points(
        extrusions,
        filament_diameter_mm=filament_diameter_mm,
        filament_density_g_per_cm3=filament_density_g_per_cm3,
    )
    return _climb(points, plan) or _refine(points, plan)


def _is_complete(extrusion: Extrusion) -> bool:
    amounts = (extrusion.delivered_mass_g, extrusion.delivered_mm, extrusion.bond_force_N)
    return any(amount is not None and amount > 0.0 for amount in amounts)


def _clipped(flow: float, plan: FlowPlan) -> float:
    return float(min(max(flow, plan.lowest_mm3_per_s), plan.highest_mm3_per_s))


def _climb(points: MeltPoints, plan: FlowPlan) -> FlowChoice | None:
    """The next step of a climb, None when every temperature has lost 7 % or hit the ceiling."""
    for temperature in plan.temperatures_C:
        here = np.abs(points.temperature_C - temperature) < SAME_K
        if not here.any():
            start = _clipped(_guess(points, temperature), plan)
            return FlowChoice(temperature, start, "first guess from the other temperatures")
        flows, level = points.flow_mm3_per_s[here], points.level[here]
        reference = _reference(points, here)
        if (level < (1.0 - CLIMB_LOSS) * reference).any():
            continue
        highest = float(flows.max())
        if highest < 0.999 * plan.highest_mm3_per_s:
            return FlowChoice(temperature, _clipped(CLIMB * highest, plan), "climb to the loss")
    return None


def _reference(points: MeltPoints, here: BoolArray) -> float:
    """Low-flow level: mean of the slower half, of all temperatures where they share it."""
    level = points.level if points.evidence.shared_level else points.level[here]
    return float(np.mean(np.sort(level)[-max(1, (level.size + 1) // 2) :]))


def _guess(points: MeltPoints, temperature_C: float) -> float:
    """Flow near the limit at a new temperature, from the fastest flow at the nearest one."""
    nearest = points.temperatures_C[np.argmin(np.abs(points.temperatures_C - temperature_C))]
    fastest = float(points.flow_mm3_per_s[points.temperature_C == nearest].max())
    rise = float(np.exp(LOG_RISE_PER_K * (temperature_C - nearest)))
    return float(fastest / np.sqrt(CLIMB)) * rise


def _refine(points: MeltPoints, plan: FlowPlan) -> FlowChoice | None:
    if len(points) < 4:
        flow = _clipped(0.45 * float(points.flow_mm3_per_s.max()), plan)
        return FlowChoice(float(points.temperature_C[-1]), flow, "low-flow reference")
    fit = fit_points(points, criterion=plan.criterion, feed_C=plan.feed_C)
    if _good_enough(fit, plan):
        return None
    return _most_telling(fit, plan)


def _good_enough(fit: MeltFit, plan: FlowPlan) -> bool:
    return all(
        (item.limit.half_width or np.inf) <= plan.goal * item.limit.value for item in fit.limits
    )


def _most_telling(fit: MeltFit, plan: FlowPlan) -> FlowChoice:
    """The candidate after which the mean variance of the limits would be least."""
    last_C = float(fit.points.temperature_C[-1])
    limits = np.exp(fit.solution.theta[fit.solution.layout.limits])
    candidates = [
        (place, float(temperature), load, _clipped(load * float(limits[place]), plan))
        for place, temperature in enumerate(fit.points.temperatures_C)
        if _may_take_more(fit.points, float(temperature))
        for load in LOADS
    ]

    def score(candidate: tuple[int, float, float, float]) -> float:
        place, temperature, _, flow = candidate
        stays = abs(temperature - last_C) < SAME_K
        return _variance_after(fit, _row(fit, place, flow)) * (STAY_GAIN if stays else 1.0)

    _, temperature, load, flow = min(candidates, key=score)
    return FlowChoice(temperature, flow, f"most telling: {load:g} of the estimated limit")


def _may_take_more(points: MeltPoints, temperature_C: float) -> bool:
    taken = int(np.count_nonzero(np.abs(points.temperature_C - temperature_C) < SAME_K))
    return taken < MOST_SHARE * (len(points) + 1) / len(points.temperatures_C)


def _row(fit: MeltFit, place: int, flow: float) -> FloatArray:
    """Derivatives of one future weighing, over its noise."""
    layout: Layout = fit.solution.layout
    residual, slope = np.zeros(1), np.zeros((1, layout.size))
    level_place = float(place if layout.levels > 1 else 0)
    noise = fit.solution.scale * float(np.median(fit.points.deviation))
    fill_rows(
        fit.solution.theta,
        (layout.levels, layout.temperatures, int(layout.joint)),
        np.array([float(place)]),
        np.array([level_place]),
        np.array([np.log(flow)]),
        np.zeros(1),
        np.array([1.0 / noise]),
        fit.points.evidence.log_loss,
        residual,
        slope,
    )
    row: FloatArray = slope[0]
    return row


def _variance_after(fit: MeltFit, row: FloatArray) -> float:
    """Mean variance of the log limits once a weighing with derivatives `row` is added."""
    spread = fit.solution.covariance @ row
    gain = np.square(spread) / (1.0 + row @ spread)
    after = np.diag(fit.solution.covariance) - gain
    return float(np.mean(after[fit.solution.layout.limits]))
