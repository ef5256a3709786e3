"""Heat that the filament draws: a power balance over each extrusion, the heater model given.

Fitting the load jointly with the model lets a few watts of unmodelled detail (where along the
bore the filament takes its heat) bend every other parameter. While a loop holds the temperature,
the duty that an extrusion adds tells the load by itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Basis, Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_coverage import Unidentified
from hotbench.fitting.heater_result import HeaterFit

SETTLE_s = 5.0
"""The loop's answer to a flow step is left out: so long, or half of the extrusion."""
BASE_s = 5.0
FEWEST_SHOTS, FEWEST_SAMPLES = 3, 8
FLOWING_mm3_per_s = 0.05
USUAL_C = 220.0
NAME = "load_per_mm3"


@dataclass(frozen=True, slots=True)
class Shot:
    """One extrusion's balance. load: cooling of the near node per mm³ and kelvin of rise, 1/mm³."""

    flow_mm3_per_s: float
    rise_K: float
    load_per_mm3: float


def with_load(fit: HeaterFit, runs: Sequence[Run]) -> HeaterFit:
    """The fit with the filament's heat load from extrusion runs; unchanged where none tell it.

    The interval spans single extrusions, since the load per volume falls a little with flow.
    """
    shots = [shot for run in runs for shot in balances(fit, run)]
    if len(shots) < FEWEST_SHOTS:
        gap = Unidentified(
            "load_per_flow",
            f"{len(shots)} extrusions long enough to balance, {FEWEST_SHOTS} are needed",
            "record extrude",
        )
        kept = tuple(item for item in fit.unidentified if item.name != gap.name)
        return replace(fit, unidentified=(*kept, gap)) if runs else fit
    load = _load(fit, shots)
    return replace(
        fit,
        parameters={**fit.parameters, NAME: load},
        values={**fit.values, NAME: load.value},
        load_per_flow=_scaled(load, USUAL_C - fit.ambient.value),
        unidentified=tuple(i for i in fit.unidentified if i.name != "load_per_flow"),
        next_tests=tuple(t for t in fit.next_tests if not t.shrinks.startswith("heat load")),
    )


def balances(fit: HeaterFit, run: Run) -> Iterator[Shot]:
    """The balance of every extrusion of a run that is long enough.

    Near node: b u (1 - c x) = x' + loss(x) + g (x - x2) + l Q x; the far node and the ambient are
    taken as unchanged between the seconds before the extrusion and its later part.
    """
    flowing = run.flow_mm3_per_s > FLOWING_mm3_per_s
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flowing, [False])).astype(np.int8)))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        shot = _balance(fit, run, int(first), int(past))
        if shot is not None:
            yield shot


def _balance(fit: HeaterFit, run: Run, first: int, past: int) -> Shot | None:
    begin_s, end_s = run.time_s[first], run.time_s[past - 1]
    settled_s = begin_s + max(SETTLE_s, 0.5 * (end_s - begin_s))
    during = _usable(run, settled_s, end_s)
    before = _usable(run, begin_s - BASE_s, begin_s) & (run.flow_mm3_per_s <= FLOWING_mm3_per_s)
    if min(during.sum(), before.sum()) < FEWEST_SAMPLES:
        return None
    flow = float(np.mean(run.flow_mm3_per_s[during]))
    rise_K = float(np.mean(run.temperature_C[during])) - fit.ambient.value
    drawn = _net_K_per_s(fit, run, during) - _net_K_per_s(fit, run, before)
    return Shot(flow, rise_K, drawn / (flow * rise_K))


def _usable(run: Run, from_s: float, to_s: float) -> np.ndarray:
    return (run.time_s >= from_s) & (run.time_s < to_s) & np.isfinite(run.duty)


def _net_K_per_s(fit: HeaterFit, run: Run, where: np.ndarray) -> float:
    """Mean heating less storage and losses, K/s; what the far node takes cancels later."""
    v = fit.values
    rise = run.temperature_C[where] - fit.ambient.value
    heating = v["heating_K_per_s"] * run.duty[where] * (1.0 - v.get("falloff_per_K", 0.0) * rise)
    lost = v["loss_per_s"] * rise * (1.0 + v.get("loss_growth_per_K", 0.0) * np.abs(rise))
    passed_on = v.get("exchange_per_s", 0.0) * rise
    return float(np.mean(heating - lost - passed_on)) - _slope(run.time_s[where], rise)


def _slope(time_s: FloatArray, values: FloatArray) -> float:
    return float(np.polynomial.polynomial.polyfit(time_s - time_s[0], values, 1)[1])


def _load(fit: HeaterFit, shots: Sequence[Shot]) -> Quantity:
    weight = np.array([shot.flow_mm3_per_s * shot.rise_K for shot in shots]) ** 2
    single = np.array([shot.load_per_mm3 for shot in shots])
    value = float(np.average(single, weights=weight))
    spread = float(np.sqrt(np.average((single - value) ** 2, weights=weight)))
    reach = float(stdtrit(len(shots) - 1, 0.975)) * spread
    power = fit.parameters["heating_K_per_s"]
    share = (power.half_width or 0.0) / power.value
    width = float(np.hypot(reach, share * value))
    return _quantity(value, width, "1/mm3", "fitted")


def _scaled(load: Quantity, rise_K: float) -> Quantity:
    return _quantity(load.value * rise_K, (load.half_width or 0.0) * rise_K, "K/mm3", "fitted")


def _quantity(value: float, width: float, unit: str, basis: Basis) -> Quantity:
    return Quantity(
        value=value, unit=unit, low=value - width, high=value + width, confidence=0.95, basis=basis
    )
