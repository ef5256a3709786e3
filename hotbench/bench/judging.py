"""Predictions held against unseen runs."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hotbench.bench.analysis import Analysis
from hotbench.bench.dips import recorded_dips, time_back, time_down
from hotbench.bench.tables import Table, number
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit

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
