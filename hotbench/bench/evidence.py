"""Safe rates of a profile held against the ramps of the runs that they name."""

from collections.abc import Iterator, Mapping, Sequence
from functools import cache

from hotbench.bench.claims import smoothing_of
from hotbench.bench.tables import number
from hotbench.core.records import Run
from hotbench.fitting.ramps import Direction, RampTrial, trials_of
from hotbench.fitting.slew import CONFIDENCE, COVERAGE, REACH, DirectionFit, fit_slew
from hotbench.profile.types import MachineProfile, ProfileRun, SlewRate, Smoothing
from hotbench.profile.walk import condition

ROUNDED = 1.001
"""A profile's numbers are rounded to five digits."""
RANGE_K = 0.2
"""Temperatures of safe rates are rounded to a tenth."""
FAN = 0.005
AGAIN = "build the profile again"


def unlike_their_runs(profile: MachineProfile, runs: Mapping[str, Run]) -> list[str]:
    """A line for each safe rate that the ramps of its runs do not bear out.

    runs: those at hand, by name. A rate is left alone where one of its runs is not there.
    """
    stated = profile.provenance.options
    level_K, spread = (_number(stated.get(key)) for key in ("fault_deviation_K", "fault_spread"))

    @cache
    def trials(names: tuple[str, ...]) -> list[RampTrial]:
        return trials_of([runs[name] for name in names])

    @cache
    def told(
        names: tuple[str, ...], way: Direction, coverage: float, confidence: float
    ) -> DirectionFit | None:
        own = [trial for trial in trials(names) if trial.direction == way]
        fit = fit_slew(own, level_K, fault_spread=spread, coverage=coverage, confidence=confidence)
        return fit.of(way)

    return [
        f"refuse: slew[{condition(row.keys)}]: {said}; {AGAIN}"
        for row in profile.slew
        if (names := row.evidence.runs) and set(names) <= set(runs)
        for said in _differing(
            row,
            [trial for trial in trials(names) if trial.direction == row.direction],
            told(names, row.direction, row.coverage or COVERAGE, row.confidence or CONFIDENCE),
            has_heater=profile.heater is not None,
        )
    ]


def unlike_as_recorded(profile: MachineProfile, runs: Mapping[str, Run]) -> list[str]:
    """A line for each run of which the profile states something else than its folder does."""
    return [
        f"refuse: provenance.runs[{stated.run}]: {said}; {AGAIN}"
        for stated in profile.provenance.runs
        if (run := runs.get(stated.run))
        for said in _misstated(stated, run)
    ]


def unlike_its_rates(profile: MachineProfile) -> list[str]:
    """A line for each look-ahead that is shorter than the profile's own safe rates make it."""
    return [
        f"refuse: smoothing[{condition(row.keys)}]: {said}; {AGAIN}"
        for row in profile.smoothing
        for least in smoothing_of(profile.slew, row.from_C, row.to_C)
        for said in _too_soon(row, least)
    ]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _differing(
    row: SlewRate, own: Sequence[RampTrial], told: DirectionFit | None, *, has_heater: bool
) -> Iterator[str]:
    faults = sum(trial.fault is not None for trial in own)
    stated = row.evidence
    if (stated.trials, stated.faults) != (len(own), faults):
        yield (
            f"states {stated.trials} ramps and {stated.faults} faults, its runs hold {len(own)} "
            f"and {faults}"
        )
    fastest = max((trial.rate_K_per_s for trial in own if trial.clean), default=0.0)
    if row.rate_K_per_s > ROUNDED * REACH * fastest:
        rates = f"{number(row.rate_K_per_s)} K/s", f"{number(fastest)} K/s"
        yield f"claims {rates[0]}, the fastest clean ramp of its runs is {rates[1]}"
    elif told is not None:
        yield from _unlike_told(row, told, has_heater=has_heater)


def _unlike_told(row: SlewRate, told: DirectionFit, *, has_heater: bool) -> Iterator[str]:
    """Where the claim says more than the same ramps do when they are evaluated again."""
    safe = told.rate.value if told.rate else 0.0
    if row.rate_K_per_s > ROUNDED * safe:
        yield (
            f"claims {number(row.rate_K_per_s)} K/s, its ramps bear out {number(safe)} K/s at a "
            f"coverage of {told.coverage:g} and a confidence of {told.confidence:g}"
        )
        return
    capped = has_heater and row.rate_K_per_s * ROUNDED < safe
    if row.limiting_cause != told.cause and not capped:
        yield f"is called limited by {row.limiting_cause}, its ramps say by {told.cause}"
    if row.evidence.confirmed and not told.confirmed and not capped:
        yield "is called confirmed, and the last ramp near it was not clean, or there was none"
    yield from _elsewhere(row, told)


def _elsewhere(row: SlewRate, told: DirectionFit) -> Iterator[str]:
    """A claim for a fan or a temperature that its ramps have not seen."""
    low_C, high_C = told.temperature_range_C
    if not low_C - RANGE_K <= row.temperature_C <= high_C + RANGE_K:
        yield (f"stands at {row.temperature_C:g} °C, its ramps ran from {low_C:g} to {high_C:g} °C")
    if abs(row.fan - told.fan) > FAN:
        yield f"stands at fan {row.fan:g}, its ramps ran at fan {told.fan:g}"


def _misstated(stated: ProfileRun, run: Run) -> Iterator[str]:
    held = {
        "procedure": (stated.procedure, run.info.procedure),
        "created": (stated.created, run.info.created),
        "outcome": (stated.outcome, run.outcome),
        "simulated": (stated.simulated, run.info.simulated),
    }
    for name, (said, found) in held.items():
        if said != found:
            yield f"states {name} '{said}', its folder '{found}'"


def _too_soon(row: Smoothing, least: Smoothing) -> Iterator[str]:
    if row.look_ahead_s * ROUNDED < least.look_ahead_s:
        yield (
            f"{number(row.look_ahead_s)} s, the safe rates on its way need "
            f"{number(least.look_ahead_s)} s"
        )
    if row.slope_K_per_s > ROUNDED * least.slope_K_per_s:
        yield (
            f"moves at {number(row.slope_K_per_s)} K/s, the safe rate on its way is "
            f"{number(least.slope_K_per_s)} K/s"
        )
