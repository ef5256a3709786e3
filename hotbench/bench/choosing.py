"""Choosers that procedures are given: which ramp rate or which flow to try next."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.special import ndtri

from hotbench.core.records import Event, Extrusion, Run, RunInfo
from hotbench.fitting.flow_choice import FlowPlan, next_extrusion
from hotbench.fitting.ramps import ABANDONED, Direction, RampTrial, ramp_trials
from hotbench.fitting.rate_choice import LadderPlan, next_rate
from hotbench.fitting.slew import COVERAGE, SlewOptions
from hotbench.procedures.ramps import NextRate
from hotbench.procedures.ramps import RampTrial as RecordedRamp

FIRST_RATES: Mapping[Direction, float] = {"heating": 0.5, "cooling": 0.2}
"""Where a ladder begins when nothing is known, K/s: slower than any hot end cools by itself."""
MOVE_SHARE = 0.7
"""No single change is larger, and no repeated dip deviates by more, than this share of that level;
it is left wider than for ramps, since nothing here is refined towards the level. Where the level
is declared to spread so widely that ramps stop earlier, these do too."""
JUMP_SHARES = (0.3, 0.5, MOVE_SHARE)
"""Sizes of single changes over the fault level where none are given that keep below it."""
_INFO = RunInfo(run_id="ladder", procedure="ramp", created="")


def choosers(
    name: str, settings: Mapping[str, Any], density_g_per_cm3: float
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Settings of the procedure, and the choosers to inject where no fixed list is given.

    What is declared about the board's fault level stays among the settings: the run keeps it.
    """
    plain = dict(settings)
    if name == "ramp":
        return plain, _ramp_choosers(plain)
    if name in ("jump", "repeat"):
        return _kept_below(name, plain), {}
    if name == "extrude" and not plain.get("flows_mm3_per_s"):
        return plain, _flow_chooser(plain, density_g_per_cm3)
    return plain, {}


def _ramp_choosers(plain: dict[str, Any]) -> dict[str, Any]:
    first = plain.pop("first_rate_K_per_s", None)
    fault_K, spread = plain.get("fault_deviation_K"), plain.get("fault_spread")
    highest = plain.pop("highest_K_per_s", None) or 100.0
    if fault_K is not None:
        plain.setdefault("abandon_deviation_K", abandon_share(spread) * fault_K)
    if plain.get("rates_K_per_s"):
        return {}
    ramps = int(plain.get("max_ramps", 15))
    return {
        f"next_{way}_rate": rate_chooser(
            ladder_plan(way, first or slow, highest, fault_K, ramps, spread)
        )
        for way, slow in FIRST_RATES.items()
    }


def abandon_share(fault_spread: float | None) -> float:
    """Share of the level at which the board faults, at which a ramp is stopped.

    There one board in a hundred would fault, by the declared or the assumed spread of the level.
    """
    return float(np.exp(-ndtri(COVERAGE) * SlewOptions(fault_spread=fault_spread).spread))


def _kept_below(name: str, plain: dict[str, Any]) -> dict[str, Any]:
    """Settings that stay below the stated fault level, where one is stated."""
    level_K = plain.get("fault_deviation_K")
    if level_K is None:
        return plain
    share = min(MOVE_SHARE, abandon_share(plain.get("fault_spread")))
    most_K = share * level_K
    if name == "repeat":
        return {"abandon_deviation_K": most_K, **plain}
    given = plain.get("sizes_K", ())
    sizes = tuple(size_K for size_K in given if size_K <= most_K)
    usual = tuple(round(part * most_K / MOVE_SHARE, 1) for part in JUMP_SHARES)
    return {**plain, "sizes_K": sizes or usual}


def ladder_plan(
    direction: Direction,
    first: float,
    highest: float,
    fault_K: float | None,
    ramps: int,
    fault_spread: float | None = None,
) -> LadderPlan:
    """A ladder's plan with the fault level as the user stated it."""
    return LadderPlan(
        direction=direction,
        first_K_per_s=min(first, highest),
        highest_K_per_s=highest,
        fault_deviation_K=fault_K,
        fault_spread=fault_spread,
        ramps=ramps,
    )


def rate_chooser(plan: LadderPlan) -> NextRate:
    """The adaptive ladder as a procedure wants it."""

    def choose(trials: Sequence[RecordedRamp]) -> float | None:
        own = [trial for trial in trials if trial.direction == plan.direction]
        choice = next_rate([t for trial in own for t in _evidence(trial)], plan)
        return None if choice is None else round(choice.rate_K_per_s, 4)

    return choose


def _evidence(recorded: RecordedRamp) -> list[RampTrial]:
    """A ramp as the fit sees it when it reads the run later."""
    heard = []
    if recorded.samples:
        ends_s = recorded.samples[-1].time_s
        heard += [Event(ends_s, "fault", recorded.fault)] if recorded.fault is not None else []
        heard += [Event(ends_s, "note", ABANDONED)] if recorded.abandoned else []
    return ramp_trials(Run.from_samples(_INFO, recorded.samples, events=heard))


def _flow_chooser(plain: Mapping[str, Any], density_g_per_cm3: float) -> dict[str, Any]:
    plan = FlowPlan(
        temperatures_C=tuple(plain.get("temperatures_C", (200.0, 220.0, 240.0))),
        weighings=int(plain.get("max_weighings", 36)),
    )
    diameter_mm = float(plain.get("filament_diameter_mm", 1.75))

    def choose(history: Sequence[Extrusion]) -> tuple[float, float] | None:
        choice = next_extrusion(
            history,
            plan,
            filament_diameter_mm=diameter_mm,
            filament_density_g_per_cm3=density_g_per_cm3,
        )
        return None if choice is None else (choice.temperature_C, choice.flow_mm3_per_s)

    return {"next_flow": choose}
