"""Predictions held against unseen runs, and ladders of two firmware versions side by side."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hotbench.bench.analysis import Analysis
from hotbench.bench.dips import recorded_dips, time_back, time_down
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit
from hotbench.fitting.ladders import LadderComparison, compare_ladders
from hotbench.fitting.ramps import Direction, trials_of

DIRECTIONS: tuple[Direction, ...] = ("heating", "cooling")
LADDER_HEADS = (
    "ramps",
    "count, before / after",
    "faults, before / after",
    "deviation, after over before",
    "95 % interval",
    "chance if equal",
    "the same, faults",
    "significant",
)
HEADS = ("run", "prediction", "predicted", "measured", "difference")


@dataclass(frozen=True)
class Judgement:
    """One prediction and what the record says; measured is None where only an error is stated."""

    run_id: str
    what: str
    predicted: float
    measured: float | None
    unit: str

    @property
    def error_percent(self) -> float | None:
        """Predicted against measured; None where there is no measured value."""
        return 100.0 * (self.predicted / self.measured - 1.0) if self.measured else None

    def plain(self) -> dict[str, Any]:
        """JSON values."""
        return {
            "run": self.run_id,
            "what": self.what,
            "predicted": self.predicted,
            "measured": self.measured,
            "unit": self.unit,
            "error_percent": self.error_percent,
        }


def judge(analysis: Analysis, runs: Sequence[Run]) -> tuple[Judgement, ...]:
    """Every held-out run against the heater fit; nothing where there is no fit."""
    heater = analysis.heater
    if heater is None:
        return ()
    return tuple(row for run in runs for row in _judged(heater, run))


def judgement_table(rows: Sequence[Judgement]) -> Table:
    """Held-out predictions for people."""
    cells = tuple(
        (
            row.run_id,
            row.what,
            f"{number(row.predicted)} {row.unit}",
            "-" if row.measured is None else f"{number(row.measured)} {row.unit}",
            "-" if row.error_percent is None else f"{row.error_percent:+.1f} %",
        )
        for row in rows
    )
    return Table("predictions on runs the fit has not seen", HEADS, cells, frozenset({2, 3, 4}))


def ladder_table(first_runs: Sequence[Run], second_runs: Sequence[Run]) -> Table:
    """Ramp ladders before and after, such as on two firmware versions, by direction.

    The ratio is that of the deviations at equal rate. A direction that only one side has ramps
    of is left out; BadInput when that leaves nothing.
    """
    before, after = trials_of(first_runs), trials_of(second_runs)
    found = [compare_ladders(before, after, direction) for direction in DIRECTIONS]
    rows = tuple(_ladder_row(one) for one in found if min(one.trials))
    if not rows:
        raise BadInput(
            "no ramps of one direction on both sides", remedy="record ramp with each firmware"
        )
    return Table("ramp ladders, before and after", LADDER_HEADS, rows, frozenset({1, 2, 3, 4}))


def _ladder_row(found: LadderComparison) -> tuple[str, ...]:
    ratio, interval, chance = found.deviation_ratio, "-", "-"
    if ratio is not None and ratio.low is not None and ratio.high is not None:
        interval = f"{number(ratio.low)} to {number(ratio.high)}"
    if found.p_deviation is not None:
        chance = number(found.p_deviation, 2)
    return (
        found.direction,
        " / ".join(map(str, found.trials)),
        " / ".join(map(str, found.faults)),
        "-" if ratio is None else number(ratio.value),
        interval,
        chance,
        number(found.p_faults, 2),
        "yes" if found.significant else "no",
    )


def _judged(heater: HeaterFit, run: Run) -> Iterator[Judgement]:
    """The whole run's temperature and its dips, predicted from the logged duty and fan alone."""
    predicted_C = heater.predict(run).temperature_C
    rms_K = float(np.sqrt(np.mean(np.square(predicted_C - run.temperature_C))))
    yield Judgement(run.info.run_id, "temperature, whole run, RMS error", rms_K, None, "K")
    for dip in recorded_dips(run):
        for name, timing in (("down", time_down), ("back", time_back)):
            measured = timing(run, dip, run.temperature_C)
            predicted = timing(run, dip, predicted_C)
            if measured is not None and predicted is not None:
                what = f"time {name} {dip.from_C:g}-{dip.to_C:g} °C, fan {dip.fan:g}"
                yield Judgement(run.info.run_id, what, predicted.value, measured.value, "s")
