"""Predictions held against runs that no fit has seen."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hotbench.bench.analysis import Analysis
from hotbench.bench.tables import Table, number
from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit
from hotbench.models.dips import WITHIN_DOWN_K

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
    yield Judgement(run.info.run_id, "temperature over the whole run, RMS error", rms_K, None, "K")
    for first, past in stretches(run, "dip "):
        from_C, to_C = map(float, str(run.phase[first]).removeprefix("dip ").split("-"))
        measured_s = time_down_s(run, run.temperature_C, first, past, to_C)
        predicted_s = time_down_s(run, predicted_C, first, past, to_C)
        if measured_s is not None and predicted_s is not None:
            what = f"time down {from_C:g} to {to_C:g} °C, fan {run.fan[first]:g}"
            yield Judgement(run.info.run_id, what, predicted_s, measured_s, "s")


def stretches(run: Run, prefix: str) -> Iterator[tuple[int, int]]:
    """First and last-plus-one sample of each stretch whose phase starts with `prefix`."""
    edges = np.flatnonzero(run.phase[1:] != run.phase[:-1]) + 1
    for first, past in zip([0, *edges], [*edges, len(run)], strict=True):
        if str(run.phase[first]).startswith(prefix):
            yield int(first), int(past)


def time_down_s(
    run: Run, temperature_C: FloatArray, first: int, past: int, to_C: float
) -> float | None:
    """Seconds from the command down until within reach, interpolated; None if never reached."""
    time_s, level_C = run.time_s[first:past], to_C + WITHIN_DOWN_K
    smooth_C = np.convolve(temperature_C[first:past], np.ones(3) / 3.0, mode="same")
    below = np.flatnonzero(smooth_C[1:-1] <= level_C) + 1
    if below.size == 0 or below[0] < 2:
        return None
    k = int(below[0])
    share = (smooth_C[k - 1] - level_C) / (smooth_C[k - 1] - smooth_C[k])
    return float(time_s[k - 1] + share * (time_s[k] - time_s[k - 1]) - _commanded_s(run, first))


def _commanded_s(run: Run, first: int) -> float:
    """When the setpoint was sent: the last command at or before the stretch's first sample."""
    sent = [
        event.time_s
        for event in run.events
        if event.kind == "command"
        and event.text.startswith("M104")
        and event.time_s <= run.time_s[first]
    ]
    return sent[-1] if sent else float(run.time_s[first])
