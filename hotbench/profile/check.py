"""Whether a profile can be trusted: findings that refuse it, and findings that warn."""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain, pairwise
from typing import Literal

from hotbench.core.errors import nearest
from hotbench.core.quantity import Quantity
from hotbench.models.heater import HEATER_MODELS
from hotbench.profile.types import (
    CoolingRate,
    HeatingRate,
    MachineProfile,
    Melt,
    Row,
    SafeJump,
    SafeRepetition,
    SlewRate,
)
from hotbench.profile.walk import Entry, condition, entries

FEWEST_TRIALS, FEWEST_RAMPS = 3, 5
"""No tolerance bound of this project is stated from fewer changes or dips, or from fewer ramps."""
LEAST_COVERAGE, LEAST_CONFIDENCE = 0.99, 0.95
"""A move of which more fault, or that is less sure, is not called safe."""
SAMPLES = "samples.csv"
ASSUMED_SPREAD = "assumed_fault_spread"
"""Provenance option: spread of the board's fault level that safe moves assume, none declared."""
DECLARED_SPREAD = "fault_spread"
"""Provenance option: that spread as the user declared it."""
Severity = Literal["refuse", "warn"]
SafeClaim = SlewRate | SafeJump | SafeRepetition

# Common practice, no source: what a hot end of today does not exceed by any known means.
PLAUSIBLE_RATE_K_PER_S = 100.0
PLAUSIBLE_LAG_S = 30.0
PLAUSIBLE_FLOW_MM3_PER_S = 500.0
PLAUSIBLE_AMBIENT_C = (-20.0, 60.0)
# Common practice, no source: a year of nozzle changes and reseated sensors.
STALE_DAYS = 365
# Common practice, no source: beyond these a loop rings; 2.0 is the usual upper choice of Ms.
SENSITIVITY_MOST = 2.0
CHOICES = (
    "slew",
    "jumps",
    "repetition",
    "smoothing",
    "dips.earliest",
    "control.gains",
    "control.feedforward",
)
SINGLY = 2
"""Rows with the same warning that still get a line each; refusals always do."""


@dataclass(frozen=True)
class Finding:
    """One remark about a profile: 'refuse' means do not use the number, 'warn' means beware."""

    severity: Severity
    where: str
    text: str
    remedy: str = ""

    @property
    def line(self) -> str:
        """The finding on one line."""
        remedy = f"; {self.remedy}" if self.remedy else ""
        return f"{self.severity}: {self.where}: {self.text}{remedy}"


Rule = Callable[[MachineProfile], Iterable[Finding]]


def check(
    profile: MachineProfile, *, today: date | None = None, stale_days: int = STALE_DAYS
) -> list[Finding]:
    """All findings, refusals first. Age is judged only when `today` is given."""
    findings = list(chain.from_iterable(rule(profile) for rule in RULES))
    if today is not None:
        findings += _stale(profile, today, stale_days)
    return sorted(findings, key=lambda finding: finding.severity != "refuse")


def brief(findings: Iterable[Finding]) -> list[str]:
    """The findings as lines, what is said of more than SINGLY rows on one line with their count."""
    together: dict[Finding, list[str]] = {}
    for finding in findings:
        together.setdefault(replace(finding, where=""), []).append(finding.where)
    return [line for said, rows in together.items() for line in _lines(said, rows)]


def _lines(said: Finding, rows: list[str]) -> Iterator[str]:
    if said.severity == "refuse" or len(rows) <= SINGLY:
        yield from (replace(said, where=row).line for row in rows)
    else:
        yield replace(
            said, where=f"{len(rows)} numbers", text=f"{said.text}: {'; '.join(rows)}"
        ).line


def refused(findings: Iterable[Finding]) -> bool:
    """True when any finding says that the profile must not be used."""
    return any(finding.severity == "refuse" for finding in findings)


def _no_number_without_provenance(profile: MachineProfile) -> Iterator[Finding]:
    rests = [e.where for e in entries(profile) if e.quantity.basis not in ("assumed", "declared")]
    if rests and not profile.provenance.runs:
        text = f"{len(rests)} numbers rest on runs, and no run is named"
        yield Finding("refuse", "provenance.runs", text, "build the profile from its run folders")
    for run in profile.provenance.runs:
        if not run.sha256:
            yield Finding("refuse", f"provenance.runs[{run.run}]", "no digest of any file")
        elif SAMPLES not in run.sha256:
            yield Finding("refuse", f"provenance.runs[{run.run}]", f"no digest of its {SAMPLES}")


def _slew_has_evidence(profile: MachineProfile) -> Iterator[Finding]:
    claims: dict[str, tuple[SafeClaim, ...]] = {
        "slew": profile.slew,
        "jumps": profile.jumps,
        "repetition": profile.repetition,
    }
    known = {run.run for run in profile.provenance.runs}
    for section, rows in claims.items():
        for row in rows:
            yield from _evidence(row, f"{section}[{condition(row.keys)}]", known)


def _spread_assumed(profile: MachineProfile) -> Iterator[Finding]:
    options = profile.provenance.options
    spread = options.get(ASSUMED_SPREAD)
    held = [r for r in profile.slew if r.basis in ("measured", "fitted") and _of_the_board(r)]
    if held and spread is None and options.get(DECLARED_SPREAD) is None:
        text = "not said by how much the board's fault level varies where these rates are safe"
        yield Finding("warn", "slew", text, "build the profile again")
    if isinstance(spread, int | float):
        text = f"safe where the board's fault level varies by {100.0 * spread:.3g} % at most"
        remedy = "declare a wider spread, --fault-spread, and build again"
        yield Finding("warn", "slew", f"{text}, which is assumed", remedy)


def _evidence(row: SafeClaim, where: str, known: set[str]) -> Iterator[Finding]:
    if row.basis in ("measured", "fitted"):
        yield from _missing_evidence(row, where)
        yield from _too_weak(row, where)
    if row.basis == "declared":
        yield Finding("warn", where, "declared, not recorded", "record it")
    if not row.quantity.value > 0.0 and not isinstance(row, SafeRepetition):
        yield Finding("refuse", where, f"{row.quantity.text()} is no move", "leave it out")
    if row.evidence.faults:
        text = f"{row.evidence.faults} of {row.evidence.trials} trials ended in a fault"
        yield Finding("warn", where, text, "keep well below what faulted")
    for run in sorted(set(row.evidence.runs) - known):
        yield Finding("refuse", where, f"evidence '{run}' is no run of this profile")


def _missing_evidence(row: SafeClaim, where: str) -> Iterator[Finding]:
    fewest = FEWEST_RAMPS if isinstance(row, SlewRate) else FEWEST_TRIALS
    if not row.evidence.trials or not row.evidence.runs:
        remedy = "name the trials and runs, or mark it extrapolated or assumed"
        yield Finding("refuse", where, f"called {row.basis} without a trial behind it", remedy)
    elif row.evidence.trials < fewest:
        text = f"{row.evidence.trials} trials tell no spread; {fewest} at least"
        yield Finding("refuse", where, text, "record more, or mark it assumed")
    elif row.evidence.trials - row.evidence.faults < fewest:
        clean = row.evidence.trials - row.evidence.faults
        text = f"{clean} of {row.evidence.trials} trials were clean; {fewest} at least"
        yield Finding("refuse", where, text, "record slower or smaller ones, or mark it assumed")
    elif not row.evidence.confirmed:
        yield Finding("warn", where, "not confirmed by a trial at this number", "record it again")


def _too_weak(row: SafeClaim, where: str) -> Iterator[Finding]:
    """A rate that the board does not limit may say nothing of faults."""
    if row.coverage is None or row.confidence is None:
        if _of_the_board(row):
            text = f"called {row.basis}, but not which share of moves stays clear of a fault"
            yield Finding(
                "refuse", where, text, "state coverage and confidence, or mark it assumed"
            )
    elif row.coverage < LEAST_COVERAGE or row.confidence < LEAST_CONFIDENCE:
        text = f"coverage {row.coverage:g} and confidence {row.confidence:g} make no safe move"
        yield Finding(
            "refuse", where, text, f"{LEAST_COVERAGE:g} and {LEAST_CONFIDENCE:g} at least"
        )


def _of_the_board(row: SafeClaim) -> bool:
    """Whether it is the board that limits the move, not what the hot end can do."""
    return not (isinstance(row, SlewRate) and row.limiting_cause in ("power", "passive cooling"))


def _beyond_the_data(profile: MachineProfile) -> Iterator[Finding]:
    for entry in entries(profile):
        basis, bounded = entry.quantity.basis, entry.quantity.low is not None
        if basis in ("extrapolated", "assumed"):
            yield Finding("warn", entry.where, basis)
        elif not bounded and basis in ("measured", "fitted") and not _is_choice(entry):
            yield Finding("warn", entry.where, f"{basis}, but no interval")


def _is_choice(entry: Entry) -> bool:
    """Safe rates, commands ahead and gains are chosen from intervals and have none of their own."""
    return entry.kind.startswith(CHOICES)


def _within_range(profile: MachineProfile) -> Iterator[Finding]:
    if profile.heater and profile.heater.valid_temperature:
        span = profile.heater.valid_temperature
        rows: tuple[Row, ...] = (*profile.heater.heating_rate, *profile.heater.cooling_rate)
        yield from _outside(rows, "heater", "temperature_C", span.low, span.high)
    if profile.melt and profile.melt.validity:
        tried = profile.melt.validity
        limits = profile.melt.flow_limit
        yield from _outside(limits, "melt", "temperature_C", tried.low_C, tried.high_C)


def _outside(
    rows: Iterable[Row], section: str, column: str, low: float, high: float
) -> Iterator[Finding]:
    for row in rows:
        value = getattr(row, column)
        if not low <= value <= high and row.basis in ("measured", "fitted"):
            text = f"called {row.basis}, but the data reach from {low:g} to {high:g}"
            where = f"{section}[{condition(row.keys)}]"
            yield Finding("refuse", where, text, "mark it extrapolated")


def _plausible(profile: MachineProfile) -> Iterator[Finding]:
    for entry in entries(profile):
        ceiling = _ceiling(entry)
        if ceiling is not None and entry.quantity.value > ceiling:
            text = f"{entry.quantity.text()} is above {ceiling:g}, which no known hot end reaches"
            yield Finding("warn", entry.where, text, "look at the record")
    if profile.heater and profile.heater.ambient:
        yield from _plausible_ambient(profile.heater.ambient)


def _ceiling(entry: Entry) -> float | None:
    by_unit = {"K/s": PLAUSIBLE_RATE_K_PER_S, "mm3/s": PLAUSIBLE_FLOW_MM3_PER_S}
    if entry.kind == "heater.combined_lag":
        return PLAUSIBLE_LAG_S
    return by_unit.get(entry.quantity.unit) if entry.keys else None


def _plausible_ambient(ambient: Quantity) -> Iterator[Finding]:
    low, high = PLAUSIBLE_AMBIENT_C
    if not low <= ambient.value <= high:
        text = f"{ambient.text()} is no room temperature"
        yield Finding("warn", "heater.ambient", text, "did the run start warm?")


def _no_negative_times(profile: MachineProfile) -> Iterator[Finding]:
    for entry in entries(profile):
        if entry.quantity.unit == "s" and entry.quantity.value < 0.0:
            yield Finding("refuse", entry.where, f"{entry.quantity.text()} is negative")


def _repeated_rows(profile: MachineProfile) -> Iterator[Finding]:
    seen: set[str] = set()
    for entry in entries(profile):
        if entry.where in seen:
            yield Finding("refuse", entry.where, "stated twice")
        seen.add(entry.where)


def _slew_within_power(profile: MachineProfile) -> Iterator[Finding]:
    for row in profile.slew:
        physical = _physical_rate(profile, row)
        if physical is not None and row.rate_K_per_s > physical:
            text = f"{row.rate_K_per_s:.3g} K/s, but it changes by {physical:.3g} K/s at most"
            yield Finding("refuse", f"slew[{condition(row.keys)}]", text)


def _physical_rate(profile: MachineProfile, row: SlewRate) -> float | None:
    """The fastest the heater can do at the row's temperature; None where it is not stated."""
    if profile.heater is None:
        return None
    rows: list[HeatingRate | CoolingRate] = (
        list(profile.heater.heating_rate)
        if row.direction == "heating"
        else [cooling for cooling in profile.heater.cooling_rate if cooling.fan == row.fan]
    )
    rates = [
        _cautious_high(candidate.quantity)
        for candidate in rows
        if candidate.temperature_C == row.temperature_C
    ]
    return max(rates, default=None)


def _flow_rises(profile: MachineProfile) -> Iterator[Finding]:
    if profile.melt is None:
        return
    melt: Melt = profile.melt
    limits = sorted(melt.flow_limit, key=lambda row: row.temperature_C)
    yield from _falls(limits, "melt.flow_limit", "flow limit falls as it gets hotter")
    needs = sorted(melt.minimum_temperature, key=lambda row: row.flow_mm3_per_s)
    what = "needed temperature falls as the flow grows"
    yield from _falls(needs, "melt.minimum_temperature", what)


def _falls(rows: Iterable[Row], where: str, text: str) -> Iterator[Finding]:
    """Refuse a fall that the intervals cannot explain, warn of one that they can."""
    for before, after in pairwise(rows):
        first, second = before.quantity, after.quantity
        if second.value < first.value:
            apart = _cautious_high(second) < _cautious_low(first)
            severity: Severity = "refuse" if apart else "warn"
            yield Finding(severity, f"{where}[{condition(after.keys)}]", text)


def _hold_duty_rises(profile: MachineProfile) -> Iterator[Finding]:
    rows = profile.heater.hold_duty if profile.heater else ()
    for fan in sorted({row.fan for row in rows}):
        at_fan = sorted((r for r in rows if r.fan == fan), key=lambda row: row.temperature_C)
        yield from _falls(at_fan, "heater.hold_duty", "less duty holds a higher temperature")


def _known_model(profile: MachineProfile) -> Iterator[Finding]:
    if profile.heater is None:
        return
    model = HEATER_MODELS.get(profile.heater.model)
    if model is None:
        text = f"'{profile.heater.model}' is no model of this package"
        yield Finding("warn", "heater.model", text, f"known: {', '.join(HEATER_MODELS)}")
        return
    names = [parameter.name for parameter in model.parameters]
    for name in sorted(set(profile.heater.parameters) - set(names)):
        remedy = f"did you mean '{guess}'?" if (guess := nearest(name, names)) else ""
        yield Finding("refuse", f"heater.parameters.{name}", "no parameter of the model", remedy)


def _judged(profile: MachineProfile) -> Iterator[Finding]:
    if profile.heater is None:
        return
    if profile.heater.parameters and not profile.heater.validation:
        text, remedy = "no phase was held out to judge the fit", "record step adds such phases"
        yield Finding("warn", "heater.validation", text, remedy)
    for row in profile.heater.unidentified:
        yield Finding("warn", f"heater.{row.parameter}", "not identified", row.test)


def _margins(profile: MachineProfile) -> Iterator[Finding]:
    if profile.control is None:
        return
    for name, least in (("gain_margin", 1.0), ("phase_margin", 0.0)):
        margin: Quantity | None = getattr(profile.control, name)
        if margin is not None and _cautious_low(margin) <= least:
            yield Finding(
                "refuse", f"control.{name}", "the loop may be unstable within its interval"
            )
    sensitivity = profile.control.maximum_sensitivity
    if sensitivity is not None and _cautious_high(sensitivity) > SENSITIVITY_MOST:
        text = f"up to {_cautious_high(sensitivity):.3g}, above {SENSITIVITY_MOST:g}"
        yield Finding("warn", "control.maximum_sensitivity", text, "choose gentler gains")


def _cautious_low(quantity: Quantity) -> float:
    return quantity.value if quantity.low is None else quantity.low


def _cautious_high(quantity: Quantity) -> float:
    return quantity.value if quantity.high is None else quantity.high


def _below_limit_temperature(profile: MachineProfile) -> Iterator[Finding]:
    limit = profile.machine.limit_temperature_C
    for entry in entries(profile):
        if limit is not None and _hottest(entry) > limit:
            text = f"stated above the limit of {limit:g} °C"
            severity: Severity = "warn" if entry.quantity.basis == "extrapolated" else "refuse"
            yield Finding(severity, entry.where, text)


def _hottest(entry: Entry) -> float:
    """The highest temperature among the key columns; minus infinity where there is none."""
    keys = entry.keys.items()
    celsius = [value for k, value in keys if k.endswith("_C") and isinstance(value, float)]
    return max(celsius, default=-math.inf)


def _simulated(profile: MachineProfile) -> Iterator[Finding]:
    if profile.machine.simulated or any(run.simulated for run in profile.provenance.runs):
        text = "figures come from a simulated printer"
        yield Finding("warn", "machine.simulated", text, "do not use them on hardware")


def _stale(profile: MachineProfile, today: date, stale_days: int) -> Iterator[Finding]:
    where, stated = "provenance.date", profile.provenance.date
    try:
        age_days = (today - date.fromisoformat(stated[:10])).days
    except ValueError:
        yield Finding("refuse", where, f"'{stated[:20]}' is no ISO 8601 date")
        return
    if age_days > stale_days:
        yield Finding("warn", where, f"{age_days} days old", "record again")
    if age_days < -1:
        yield Finding("warn", where, "lies in the future", "is a clock wrong?")


RULES: tuple[Rule, ...] = (
    _no_number_without_provenance,
    _slew_has_evidence,
    _spread_assumed,
    _beyond_the_data,
    _within_range,
    _plausible,
    _no_negative_times,
    _repeated_rows,
    _slew_within_power,
    _flow_rises,
    _hold_duty_rises,
    _known_model,
    _judged,
    _margins,
    _below_limit_temperature,
    _simulated,
)
"""Applied in this order; each yields its findings."""
