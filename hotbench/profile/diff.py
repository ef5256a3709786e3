"""What differs between two profiles, with intervals, significance and plain words."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy.stats import norm

from hotbench.core.quantity import Quantity
from hotbench.profile.types import MachineProfile
from hotbench.profile.walk import Entry, condition, entries

CLAIM_KINDS = ("slew", "jumps", "repetition")
"""Kinds that trials chose to be safe: one-sided, so that two of them differ by chance as well."""

LIMIT_KINDS = (
    *CLAIM_KINDS,
    "dips",
    "melt.flow_limit",
    "melt.minimum_temperature",
    "other_melts.flow_limit",
    "other_melts.minimum_temperature",
)
"""Kinds that a print must keep to."""

_CALLED = {
    "heater.heating_rate": ("heats", "faster", "slower"),
    "heater.cooling_rate": ("cools", "faster", "slower"),
    "heater.hold_duty": ("holds with", "more duty", "less duty"),
    "heater.combined_lag": ("senses with", "more lag", "less lag"),
    "heater.load_per_flow": ("is cooled by the filament", "more", "less"),
    "slew": ("may ramp", "faster", "slower"),
    "jumps": ("may jump", "further", "less far"),
    "repetition": ("needs", "more rest between dips", "less rest between dips"),
    "dips.time_down": ("dips", "slower", "faster"),
    "dips.time_back": ("comes back from a dip", "slower", "faster"),
    "dips.earliest_command": ("needs the command", "earlier", "later"),
    "melt.flow_limit": ("melts", "more", "less"),
    "melt.minimum_temperature": ("needs", "hotter", "less hot"),
    "other_melts.flow_limit": ("melts", "more", "less"),
    "other_melts.minimum_temperature": ("needs", "hotter", "less hot"),
}
"""By kind: the verb, the word for a larger number and the word for a smaller one."""

_WORSE_WHEN_LARGER = (
    "dips",
    "repetition",
    "melt.minimum_temperature",
    "other_melts.minimum_temperature",
)
_SPANNED = ("temperature_C", "flow_mm3_per_s", "from_C", "to_C")
"""Key columns over which rows share a line of plain words."""
MANIFOLD_PERCENT = 150.0
"""Beyond this people say how many times as much, not by how many percent more."""
NOTHING = "nothing that the intervals do not explain"
_MOST_LOG = math.log(1e6)
_INTERVAL_SCALES = ("°C", "deg", "")
"""Units whose zero is arbitrary, and bare numbers: their ratio says nothing."""


Scale = Callable[[float], float]


@dataclass(frozen=True)
class Difference:
    """One number that both profiles state.

    change: after minus before, in the number's unit (K for temperatures). percent: the same
    relative to before, None where a ratio says nothing. significant: whether the interval of the
    change leaves out zero; None when a profile gives no interval, or rests the number on an
    assumption, whose doubt no interval holds.
    """

    where: str
    kind: str
    condition: str
    keys: Mapping[str, object]
    before: Quantity
    after: Quantity
    change: Quantity
    percent: Quantity | None
    significant: bool | None

    @property
    def is_limit(self) -> bool:
        """Whether a print must keep to this number."""
        return self.kind.startswith(LIMIT_KINDS)

    @property
    def tighter(self) -> bool:
        """Whether the change leaves a print less room."""
        grew = self.change.value > 0.0
        return self.is_limit and grew == self.kind.startswith(_WORSE_WHEN_LARGER)

    @property
    def words(self) -> str:
        """Such as 'heats 12 % faster (9 to 15) at 220 °C, cold'."""
        return _words(self)


EVEN_SURFACE = "even_surface"
"""Its rows are temperatures against a reference: under another one they are other quantities."""


@dataclass(frozen=True)
class Comparison:
    """All differences in the file's order, and what only one of the profiles states.

    causes: lines about ramps whose limiting cause is another one now. shared_runs: runs that
    both rest on; the two are then not independent and the significances do not hold.
    """

    differences: tuple[Difference, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    causes: tuple[str, ...]
    shared_runs: tuple[str, ...]

    @property
    def significant(self) -> tuple[Difference, ...]:
        """Differences that the intervals do not explain."""
        return tuple(row for row in self.differences if row.significant)

    @property
    def limits_changed(self) -> tuple[Difference, ...]:
        """Significant changes of what a print must keep to."""
        return tuple(row for row in self.significant if row.is_limit)

    @property
    def claims_changed(self) -> tuple[Difference, ...]:
        """Safe moves that are stated otherwise, which does not tell that the machine changed."""
        return tuple(
            row
            for row in self.differences
            if row.kind in CLAIM_KINDS and row.significant is None and row.change.value != 0.0
        )

    @property
    def for_prints(self) -> list[str]:
        """What changed for prints, in plain words; tighter limits first, then unproven claims.

        Rows that differ in their temperatures only, and change the same way, share a line.
        """
        proven = [
            f"{'tighter' if group[0].tighter else 'wider'}: {_line(group)}"
            for group in _alike(self.limits_changed)
        ]
        claims = [f"claimed, not proven: {_line(group)}" for group in _alike(self.claims_changed)]
        return [*(proven or [NOTHING]), *claims, *self.causes]


def compare(before: MachineProfile, after: MachineProfile) -> Comparison:
    """Compare two profiles number by number; only rows of the same condition are compared."""
    old = {entry.where: entry for entry in entries(before)}
    new = {entry.where: entry for entry in entries(after)}
    common = [where for where in old if where in new]
    same = _references(before) == _references(after)
    alike = [
        where
        for where in common
        if old[where].quantity.unit == new[where].quantity.unit
        and (same or EVEN_SURFACE not in where)
    ]
    return Comparison(
        differences=tuple(difference(old[where], new[where]) for where in alike),
        only_before=tuple(where for where in old if where not in alike),
        only_after=tuple(where for where in new if where not in alike),
        causes=_causes(before, after),
        shared_runs=_shared_runs(before, after),
    )


def _references(profile: MachineProfile) -> list[tuple[float, float]]:
    """What the rows of an even surface keep to: flow and temperature of their reference."""
    melts = (profile.melt, *profile.other_melts) if profile.melt else profile.other_melts
    rows = (row for melt in melts for row in melt.even_surface if row.reference)
    return [(row.flow_mm3_per_s, row.temperature_C) for row in rows]


def difference(old: Entry, new: Entry) -> Difference:
    """The difference of one number that two profiles state under the same name."""
    before, after = old.quantity, new.quantity
    change = subtract(after, before)
    told = change.low is not None and "assumed" not in (before.basis, after.basis)
    return Difference(
        where=old.where,
        kind=old.kind,
        condition=old.condition,
        keys=old.keys,
        before=before,
        after=after,
        change=change,
        percent=ratio_percent(after, before),
        significant=not _holds_zero(change) if told else None,
    )


def subtract(after: Quantity, before: Quantity) -> Quantity:
    """after minus before, with the interval from both by variance estimates recovery (MOVER).

    low = d - sqrt((a - a_low)^2 + (b_high - b)^2), high = d + sqrt((a_high - a)^2 + (b - b_low)^2)
    for independent a and b (Zou and Donner, Statistics in Medicine 27, 2008); symmetric intervals
    give the usual root of the sum of squares. Confidences that differ are brought to the greater.
    """
    unit = "K" if after.unit == "°C" else after.unit
    return _mover(after, before, lambda x: x, lambda d: d, unit)


def ratio_percent(after: Quantity, before: Quantity) -> Quantity | None:
    """100 (after / before - 1) %, by the same method on logarithms; None where it says nothing.

    The interval is left out where one of the intervals reaches zero, or where the ratio's own
    reaches a million times or a millionth.
    """
    if after.unit in _INTERVAL_SCALES or after.value <= 0.0 or before.value <= 0.0:
        return None
    if abs(math.log(after.value) - math.log(before.value)) >= _MOST_LOG:
        return None
    positive = all(part.low is None or part.low > 0.0 for part in (after, before))
    if positive and after.low is not None and before.low is not None:
        found = _mover(after, before, math.log, _percent, "%")
        if {found.low, found.high}.isdisjoint(map(_percent, (-_MOST_LOG, _MOST_LOG))):
            return found
    return _mover(_bare(after), _bare(before), math.log, _percent, "%")


def _percent(log_ratio: float) -> float:
    return 100.0 * math.expm1(min(max(log_ratio, -_MOST_LOG), _MOST_LOG))


def _mover(
    after: Quantity, before: Quantity, forward: Scale, backward: Scale, unit: str
) -> Quantity:
    """Difference on the scale of `forward`, brought back by `backward`."""
    change = forward(after.value) - forward(before.value)
    basis = after.basis if after.basis == before.basis else "assumed"
    if after.confidence is None or before.confidence is None:
        return Quantity(value=backward(change), unit=unit, basis=basis)
    confidence = max(after.confidence, before.confidence)
    a_down, a_up = _arms(after, confidence, forward)
    b_down, b_up = _arms(before, confidence, forward)
    return Quantity(
        value=backward(change),
        unit=unit,
        low=backward(change - math.hypot(a_down, b_up)),
        high=backward(change + math.hypot(a_up, b_down)),
        confidence=confidence,
        basis=basis,
    )


def _arms(quantity: Quantity, confidence: float, forward: Scale) -> tuple[float, float]:
    """Lengths of the interval below and above the value, stretched to `confidence`."""
    if quantity.low is None or quantity.high is None or quantity.confidence is None:
        return 0.0, 0.0
    stretch = float(norm.ppf(0.5 + confidence / 2.0) / norm.ppf(0.5 + quantity.confidence / 2.0))
    value = forward(quantity.value)
    down, up = value - forward(quantity.low), forward(quantity.high) - value
    return stretch * down, stretch * up


def _holds_zero(change: Quantity) -> bool:
    return change.low is not None and change.high is not None and change.low <= 0.0 <= change.high


def _bare(quantity: Quantity) -> Quantity:
    return Quantity(value=quantity.value, unit=quantity.unit, basis=quantity.basis)


def _words(row: Difference) -> str:
    verb, larger, smaller = _CALLED.get(row.kind, (f"{row.kind} is", "higher", "lower"))
    where = f" at {row.condition}" if row.condition else ""
    shown = row.percent or row.change
    if row.significant is False or shown.value == 0.0:
        return f"{verb} about the same{where} ({_signed(shown)})"
    word = larger if row.change.value > 0.0 else smaller
    return f"{verb} {_amount([shown], word)} ({_unsigned(shown)}){where}"


def _amount(changes: Sequence[Quantity], word: str) -> str:
    """'12 % faster', '14 to 26 % less'; where it grew manifold 'slower, 2.8 times what it was'."""
    many = max(map(_manifold, changes))
    sizes = [_size(change.value, many=many) for change in changes]
    ends = " to ".join(dict.fromkeys((_short(min(sizes)), _short(max(sizes)))))
    if many:
        return f"{word}, {ends} times what it was"
    return f"{f'{ends} {changes[0].unit}'.strip()} {word}"


def _manifold(change: Quantity) -> bool:
    return change.unit == "%" and change.value > MANIFOLD_PERCENT


def _size(value: float, *, many: bool) -> float:
    """Size of a change, or how many times as much it is now."""
    return 1.0 + value / 100.0 if many else abs(value)


def _alike(rows: Iterable[Difference]) -> list[list[Difference]]:
    """Rows that share a line, those that leave a print less room first."""
    groups: dict[tuple[object, ...], list[Difference]] = {}
    for row in sorted(rows, key=lambda row: not row.tighter):
        groups.setdefault((row.kind, row.tighter, *_others(row)), []).append(row)
    return list(groups.values())


def _others(row: Difference) -> tuple[tuple[str, object], ...]:
    """The key columns that a line's rows have in common."""
    return tuple((k, v) for k, v in row.keys.items() if k not in _SPANNED)


def _line(rows: Sequence[Difference]) -> str:
    """One row's words, or those of several with the range of their changes."""
    first = rows[0]
    if len(rows) == 1:
        return first.words
    verb, larger, smaller = _CALLED.get(first.kind, (f"{first.kind} is", "higher", "lower"))
    word = larger if first.change.value > 0.0 else smaller
    where = ", ".join(text for text in (condition(dict(_others(first))), _span(rows)) if text)
    return f"{verb} {_amount([row.percent or row.change for row in rows], word)} at {where}"


def _span(rows: Sequence[Difference]) -> str:
    """The temperatures or flows of several rows, or how many dips they are."""
    for column, unit in (("temperature_C", "°C"), ("flow_mm3_per_s", "mm3/s")):
        if column in rows[0].keys:
            return f"{_range([float(str(row.keys[column])) for row in rows])} {unit}"
    return f"each of {len(rows)} dips"


def _short(number: float) -> str:
    return f"{number:.2g}" if abs(number) < 100.0 else f"{number:.0f}"


def _signed(change: Quantity) -> str:
    if change.low is None or change.high is None:
        return "no interval"
    return f"{_short(change.low)} to {_short(change.high)} {change.unit}".strip()


def _unsigned(change: Quantity) -> str:
    """The interval of a change without its sign: the word beside it says which way it goes."""
    if change.low is None or change.high is None:
        return "no interval"
    near, far = sorted(_size(end, many=_manifold(change)) for end in (change.low, change.high))
    return f"{_short(near)} to {_short(far)}"


def _causes(before: MachineProfile, after: MachineProfile) -> tuple[str, ...]:
    """Ramps that something else limits now; those that differ in temperature only share a line."""
    old = {condition(row.keys): row.limiting_cause for row in before.slew}
    groups: dict[tuple[str, float, str, str], list[float]] = {}
    for row in after.slew:
        was = old.get(condition(row.keys), row.limiting_cause)
        if was != row.limiting_cause:
            key = (row.direction, row.fan, row.limiting_cause, was)
            groups.setdefault(key, []).append(row.temperature_C)
    return tuple(
        f"{direction}, {_range(at_C)} °C, fan {fan:g}: now limited by {now}, was {was}"
        for (direction, fan, now, was), at_C in groups.items()
    )


def _range(values: Sequence[float]) -> str:
    """'220' or '180 to 240'."""
    ends = f"{min(values):g}", f"{max(values):g}"
    return " to ".join(dict.fromkeys(ends))


def _shared_runs(before: MachineProfile, after: MachineProfile) -> tuple[str, ...]:
    old = {(run.run, *sorted(run.sha256.values())) for run in before.provenance.runs}
    runs = after.provenance.runs
    return tuple(run.run for run in runs if (run.run, *sorted(run.sha256.values())) in old)
