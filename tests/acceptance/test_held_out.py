"""Fits judged by the simulated printers' true figures, within twice the acceptance table.

Every printer, named and randomised, with seeds from 9000 on that served no development: each keeps
to twice the table's 95 of 100, and the median over the six of a kind to twice the table's median.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from closed_loop import dip_times_s

from hotbench.bench.analysis import Analysis, analyse
from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.predicting import dip_rows
from hotbench.bench.recording import record
from hotbench.fitting.heater_result import FigureRow
from hotbench.models.dips import REST_s
from hotbench.procedures.steps import StepTest
from hotbench.sim import truth
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS, PrinterSpec, randomised

pytestmark = pytest.mark.slow

AT_C, TOP_C = 220.0, 240.0
DIP_C = (220.0, 190.0)
FIGURES = ("heating", "cooling fan 0", "cooling fan 1", "time down", "time back")
SLEEVE = {"median": (1.3, 2.1, 1.9, 1.2, 1.1), "95 of 100": (4.3, 5.9, 7.2, 2.6, 4.9)}
BLOCK = {"median": (0.3, 1.0, 1.0, 0.2, 0.3), "95 of 100": (0.9, 3.8, 3.6, 1.4, 1.3)}
"""Absolute error in %, by figure, of the prototype over 200 randomised printers."""
ACCEPTED = {"swift-sleeve": SLEEVE, "plain-block": BLOCK, "long-melt": BLOCK}
FACTOR = 2.0
FIRST_SEED = 9000
RELATIVES = 5


@dataclass(frozen=True)
class Case:
    """A printer and the seed of its run's noise."""

    kind: str
    seed: int
    relative: bool

    @property
    def spec(self) -> PrinterSpec:
        return randomised(self.kind, self.seed) if self.relative else PRINTERS[self.kind]

    @property
    def label(self) -> str:
        return f"{self.kind}-{self.seed}" if self.relative else self.kind


NAMED = [Case(kind, FIRST_SEED + i, relative=False) for i, kind in enumerate(PRINTERS)]
RANDOM = [
    Case(kind, FIRST_SEED + 10 * i + j, relative=True)
    for i, kind in enumerate(PRINTERS, start=1)
    for j in range(RELATIVES)
]


def recorded(case: Case, folder: Path) -> Path:
    """A step test over the virtual line into a run folder."""
    board = SimulatedPrinter(case.spec, seed=case.seed)
    line = Line(board.transport(), board.scale, ())
    test = StepTest(to_C=(TOP_C,), fans=(0.0, 1.0), dip=DIP_C)
    record(test, line, LinkOptions(port=f"sim:{case.kind}"), folder)
    return folder


def predicted(analysis: Analysis, spec: PrinterSpec) -> np.ndarray:
    """Rates as the profile states them; the dip under the board's own control law."""
    fit = analysis.heater
    assert fit is not None, analysis.gaps
    heating = _value(fit.heating_rate, start_C=None)
    cooling = [_value(fit.cooling_rate, fan=fan) for fan in (0.0, 1.0)]
    down_s, back_s = dip_times_s(fit.propagation.base, spec, rest_s=REST_s)
    return np.array([heating, *cooling, down_s, back_s])


def _value(rows: tuple[FigureRow, ...], **keys: float | None) -> float:
    (found,) = [
        row.quantity.value
        for row in rows
        if row.figure.temperature_C == AT_C
        and all(getattr(row.figure, name) == value for name, value in keys.items())
    ]
    return found


def true(spec: PrinterSpec) -> np.ndarray:
    """The same figures from the noise-free physics."""
    cooling = [truth.cooling_rate_K_per_s(spec, AT_C, fan=fan, start_C=TOP_C) for fan in (0.0, 1.0)]
    dip = truth.dip_times(spec, *DIP_C, rest_s=REST_s)
    return np.array([truth.heating_rate_K_per_s(spec, AT_C), *cooling, dip.down_s, dip.back_s])


def stated(analysis: Analysis) -> np.ndarray:
    """Time down and time back in the profile's row of that dip, without fan."""
    assert analysis.heater is not None
    (row,) = [
        row
        for row in dip_rows(analysis.heater, analysis.runs)
        if (row.from_C, row.to_C, row.fan) == (*DIP_C, 0.0)
    ]
    return np.array([row.time_down.value, row.time_back.value])


def errors_percent(fit: Analysis, spec: PrinterSpec) -> np.ndarray:
    """Signed errors of the figures."""
    return np.asarray(100.0 * (predicted(fit, spec) / true(spec) - 1.0))


def stated_errors_percent(analysis: Analysis, spec: PrinterSpec) -> np.ndarray:
    """Signed errors of the dip as the profile states it."""
    dip = truth.dip_times(spec, *DIP_C)
    return np.asarray(100.0 * (stated(analysis) / [dip.down_s, dip.back_s] - 1.0))


def too_large(
    names: Sequence[str], errors: np.ndarray, accepted: Sequence[float]
) -> Mapping[str, str]:
    """The figures whose error exceeds FACTOR times what is accepted."""
    rows = zip(names, errors, accepted, strict=True)
    return {
        name: f"{error:+.2f} % of {FACTOR * limit:.1f} %"
        for name, error, limit in rows
        if not abs(error) <= FACTOR * limit
    }


@pytest.mark.parametrize("kind", PRINTERS)
def test_every_printer_of_a_kind(kind: str, tmp_path: Path) -> None:
    """One test a kind, since each fit serves every judgement."""
    each, median = ACCEPTED[kind]["95 of 100"], ACCEPTED[kind]["median"]
    mine = [case for case in NAMED + RANDOM if case.kind == kind]
    found, beyond = [], {}
    for case in mine:
        analysis = analyse([recorded(case, tmp_path / case.label)])
        found.append(errors_percent(analysis, case.spec))
        beyond[case.label] = too_large(FIGURES, found[-1], each)
        beyond[f"{case.label}, dip in the profile"] = too_large(
            FIGURES[3:], stated_errors_percent(analysis, case.spec), each[3:]
        )
    beyond["median"] = dict(too_large(FIGURES, np.median(np.abs(found), axis=0), median))
    assert {what: rows for what, rows in beyond.items() if rows} == {}
