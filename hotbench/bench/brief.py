"""The short form of long results: what people ask for first, and what tells the rest."""

from collections.abc import Iterable, Sequence
from itertools import groupby

from hotbench.bench.analysis import (
    NUMERIC,
    QUANTITY_HEADS,
    Analysis,
    gap_tables,
    next_test_tables,
    slew_tables,
)
from hotbench.bench.claims import claim_tables
from hotbench.bench.tables import Table, number, quantity_cells
from hotbench.core.quantity import Quantity
from hotbench.fitting.heater_result import FigureRow, HeaterFit
from hotbench.fitting.melt import MeltFit

USUAL_C = 220.0
REST = "every number, the models tried and the single extrusions"


def fit_tables(analysis: Analysis) -> tuple[Table, ...]:
    """A fit in a screenful: its figures near 220 °C, how far it is off, and what is missing."""
    heater, melt = analysis.heater, analysis.melt
    rows = [*(_heater_rows(heater) if heater else ()), *(_melt_rows(melt) if melt else ())]
    shown = [Table(_caption(analysis), QUANTITY_HEADS, tuple(rows), NUMERIC)] if rows else []
    shown += slew_tables(analysis.slew) if analysis.slew else []
    shown += claim_tables(analysis.jumps, analysis.repetition)
    shown += _trust(heater) if heater else []
    shown += next_test_tables(heater) if heater else []
    return (*shown, *gap_tables(analysis.gaps), Table("more", ("", ""), ((REST, "--all"),)))


def _caption(analysis: Analysis) -> str:
    count = len(analysis.runs)
    return f"fit of {count} runs" if count > 1 else f"fit of run {analysis.runs[0].info.run_id}"


def _heater_rows(fit: HeaterFit) -> Iterable[tuple[str, ...]]:
    for figures in (fit.heating_rate, fit.cooling_rate, fit.hold_duty):
        for row in usual(figures):
            yield _row(row.figure.label, row.quantity)
    yield _row("sensor lag and dead time", fit.combined_lag)


def _row(label: str, quantity: Quantity) -> tuple[str, ...]:
    """A quantity in one line; the table's head says which interval it is."""
    value, interval, unit, _ = quantity_cells(quantity)
    return label, value, interval, unit, quantity.basis


def usual(rows: Sequence[FigureRow]) -> list[FigureRow]:
    """Of figures that differ in temperature only, the one nearest to a usual print."""

    def kind(row: FigureRow) -> tuple[str, float]:
        start_C = row.figure.start_C if row.figure.kind == "heating rate" else None
        return (str(start_C), row.figure.fan)

    grouped = groupby(sorted(rows, key=kind), key=kind)
    return [
        min(same, key=lambda row: abs(row.figure.temperature_C - USUAL_C)) for _, same in grouped
    ]


def _melt_rows(fit: MeltFit) -> Iterable[tuple[str, ...]]:
    for item in fit.limits:
        yield _row(f"flow limit at {item.temperature_C:g} °C", item.limit)


def _trust(fit: HeaterFit) -> list[Table]:
    """What the heater model is, and how far it is off where it was fitted and where it was not."""
    rows = [("model", fit.title), ("seen", f"{fit.seen_C[0]:.0f} to {fit.seen_C[1]:.0f} °C")]
    rows += [
        ("off while fitted", f"{number(fit.rms_K, 2)} K RMS, {number(fit.worst_K, 2)} K worst")
    ]
    if fit.validation:
        worst = max(fit.validation, key=lambda v: v.worst_K)
        most_K = max(v.rms_K for v in fit.validation)
        said = f"at most {number(most_K, 2)} K RMS, {number(worst.worst_K, 2)} K worst"
        rows += [("off where held out", f"{said} ({worst.run_id}, {worst.phase})")]
    rows += [("note", note) for note in fit.notes]
    return [Table("how far to trust the heater model", ("", "value"), tuple(rows))]
