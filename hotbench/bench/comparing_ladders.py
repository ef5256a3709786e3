"""Ramp ladders of two firmware versions: one table, plain words, and what to beware of."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from hotbench.bench.tables import Table, number
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.ladders import Contrast, LadderComparison, Levels, compare_ladders
from hotbench.fitting.ramps import Direction, trials_of

HEADS = ("number", "at", "before", "after", "ratio", "95 %", "chance", "changed")
SafeRates = Mapping[Direction, tuple[float, float]]
"""The safe rate before and after, by direction, K/s."""
ALIKE: Mapping[str, str] = {
    "low_C": "lower end",
    "high_C": "upper end",
    "fan": "fan",
    "interval_s": "time between steps of the setpoint",
}
"""Settings that two ladders must share for their deviations to mean the same."""
ONE_EACH = (
    "one ladder on each side tells its own scatter, not what differs from day to day: record each "
    "again, and compare the runs of one firmware too"
)


def compared(
    first_runs: Sequence[Run], second_runs: Sequence[Run], levels_K: Levels
) -> tuple[LadderComparison, ...]:
    """The ladders among the runs, by direction; one without ramps on both sides is left out."""
    return compare_ladders(trials_of(first_runs), trials_of(second_runs), levels_K)


def ladder_tables(
    found: Sequence[LadderComparison], caption: str, safe: SafeRates, levels_K: Levels
) -> tuple[Table, ...]:
    """A table for each direction.

    at: the rate, or the share of the fault level, that a number is stated for. ratio: after over
    before, with its interval. chance: of a difference so large without a change. changed: yes or no
    by it, all rows of both tables judged together; safe rates are claims, chosen from the trials.
    """
    return tuple(_table(one, caption, safe, levels_K) for one in found)


def _table(found: LadderComparison, caption: str, safe: SafeRates, levels_K: Levels) -> Table:
    rows = [*_rows(found, safe.get(found.direction))]
    if None not in levels_K:
        rows.append(("fault level / K", "-", *_two(levels_K), "-", "-", "-", "stated"))
    return Table(f"{found.direction} {caption}", HEADS, tuple(rows), frozenset({2, 3, 4, 6}))


def ladder_caption(first_runs: Sequence[Run], second_runs: Sequence[Run]) -> str:
    """What is compared, with the firmware of both sides where the boards said it."""
    before, after = (_firmware(runs) for runs in (first_runs, second_runs))
    if not (before and after):
        return "ramps, before and after"
    return f"ramps: {before} before, {after} after"


def ladder_words(found: Sequence[LadderComparison]) -> list[str]:
    """What the ramps prove, in plain words."""
    return [line for one in found for line in _words(one)]


def ladder_cautions(first_runs: Sequence[Run], second_runs: Sequence[Run]) -> list[str]:
    """Why two ladders may differ although the firmware does not."""
    return [
        *_unlike(first_runs, second_runs),
        *([ONE_EACH] if min(len(first_runs), len(second_runs)) < 2 else []),
    ]


def _firmware(runs: Sequence[Run]) -> str:
    return ", ".join(dict.fromkeys(run.info.firmware for run in runs if run.info.firmware))


def _rows(found: LadderComparison, safe: tuple[float, float] | None) -> Iterator[tuple[str, ...]]:
    """A direction's rows, those left out that its ramps do not tell."""
    yield ("faulted", "-", *_shares(found.faulted, found.trials), *_told(found.faults))
    if any(found.abandoned):
        yield ("abandoned", "-", *_shares(found.abandoned, found.trials), *_told(None))
    if found.deviation and found.rate_K_per_s:
        at = f"{number(found.rate_K_per_s)} K/s"
        yield ("deviation / K", at, *_sides(found.deviation))
    if found.rate and found.share:
        yield ("rate / K/s", f"{100.0 * found.share:.0f} %", *_sides(found.rate))
    if safe:
        ratio = number(safe[1] / safe[0])
        yield ("safe rate / K/s", "-", *_two(safe), ratio, "-", "-", "claimed")


def _shares(counts: tuple[int, int], totals: tuple[int, int]) -> tuple[str, str]:
    before, after = (f"{count} of {total}" for count, total in zip(counts, totals, strict=True))
    return before, after


def _two(pair: Sequence[float | None]) -> tuple[str, ...]:
    return tuple("-" if value is None else number(value) for value in pair)


def _sides(contrast: Contrast) -> tuple[str, ...]:
    return (number(contrast.before), number(contrast.after), *_told(contrast))


def _told(contrast: Contrast | None) -> tuple[str, str, str, str]:
    """Ratio, interval, chance and verdict."""
    if contrast is None:
        return ("-", "-", "-", "-")
    ratio, interval = "-", "-"
    if contrast.ratio is not None:
        ratio, interval = number(contrast.ratio.value), _interval(contrast.ratio)
    verdict = "yes" if contrast.significant else "no"
    return (ratio, interval, _chance(contrast.chance), verdict)


def _chance(chance: float) -> str:
    return "< 0.001" if chance < 1e-3 else number(chance, 2)


def _interval(ratio: Quantity) -> str:
    if ratio.low is None or ratio.high is None:
        return "-"
    return f"{number(ratio.low, 2)}-{number(ratio.high, 2)}"


def _words(found: LadderComparison) -> Iterator[str]:
    way = found.direction
    if (one := found.deviation) and one.significant and found.rate_K_per_s:
        by, at = _by(one, "more", "less"), number(found.rate_K_per_s)
        yield f"{_room(one, more=False)}: {way} ramps deviate {by} at {at} K/s"
    if (one := found.rate) and one.significant and found.share:
        ways = _by(one, "faster", "slower")
        level = f"{100.0 * found.share:.0f} % of the fault level"
        yield f"{_room(one, more=True)}: {way} ramps that reach {level} are {ways}"
    if (one := found.faults) and one.significant:
        before, after = _shares(found.faulted, found.trials)
        room = "tighter" if one.after > one.before else "wider"
        yield f"{room}: {after} {way} ramps faulted, {before} before"


def _room(contrast: Contrast, *, more: bool) -> str:
    """Whether prints have more room; more: whether a larger number gives it."""
    return "wider" if (contrast.after > contrast.before) == more else "tighter"


def _by(contrast: Contrast, larger: str, smaller: str) -> str:
    """Such as '19 % more (11 to 27)'."""
    ratio = contrast.ratio
    if ratio is None or ratio.low is None or ratio.high is None:
        return larger if contrast.after > contrast.before else smaller
    word = larger if ratio.value > 1.0 else smaller
    percents = [100.0 * abs(end - 1.0) for end in (ratio.value, ratio.low, ratio.high)]
    size, *ends = (number(percent, 2) for percent in percents)
    low, high = sorted(ends, key=float)
    return f"{size} % {word} ({low} to {high})"


def _unlike(first_runs: Sequence[Run], second_runs: Sequence[Run]) -> Iterator[str]:
    """Settings in which the ladders of the two sides differ."""
    for name, called in ALIKE.items():
        before, after = (_settings(runs, name) for runs in (first_runs, second_runs))
        if before and after and before != after:
            yield (
                f"the ladders differ in their {called}: {', '.join(before)} before, "
                f"{', '.join(after)} after"
            )


def _settings(runs: Sequence[Run], name: str) -> list[str]:
    values: list[Any] = [run.info.settings.get(name) for run in runs]
    return sorted({f"{value:g}" for value in values if isinstance(value, int | float)})
