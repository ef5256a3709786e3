"""Dips as a profile states them on random printers: errors, and whether their intervals cover.

One session per printer (step test with fans 0 and 1 and one recorded dip), judged by the noise-free
physics at every dip that the profile states. Writes its table beside this file.
HOTBENCH_STUDY_PRINTERS sets how many printers of each kind, 20 by default.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from hotbench.bench.analysis import analyse
from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.predicting import dip_rows
from hotbench.bench.recording import record
from hotbench.core.quantity import Quantity
from hotbench.procedures.steps import StepTest
from hotbench.sim import truth
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import randomised

TABLE = Path(__file__).with_name("dip_study.txt")
FIRST_SEED = 98_000
PRINTERS = int(os.environ.get("HOTBENCH_STUDY_PRINTERS", "20"))
KINDS = ("swift-sleeve", "plain-block")
RECORDED = (220.0, 190.0)
Judged = tuple[str, str, float, bool]
"""Kind, what, signed error in %, whether the interval covers."""


def judged(kind: str, seed: int, folder: Path) -> Iterator[Judged]:
    """Every dip of one printer's profile against its true times."""
    spec = randomised(kind, seed)
    board = SimulatedPrinter(spec, seed=seed)
    line = Line(board.transport(), board.scale, ())
    test = StepTest(to_C=(240.0,), fans=(0.0, 1.0), dip=RECORDED, validate=False)
    record(test, line, LinkOptions(port=f"sim:{kind}"), folder)
    analysis = analyse([folder])
    assert analysis.heater is not None
    for row in dip_rows(analysis.heater, analysis.runs):
        true = truth.dip_times(spec, row.from_C, row.to_C, fan=row.fan)
        own = (row.from_C, row.to_C) == RECORDED and row.fan == 0.0
        yield kind, f"down, fan {row.fan:g}", *_against(row.time_down, true.down_s)
        back = "back, recorded dip" if own else "back, other dips"
        yield kind, back, *_against(row.time_back, true.back_s)


def _against(stated: Quantity, true_s: float) -> tuple[float, bool]:
    inside = stated.low is not None and stated.high is not None
    covers = inside and stated.low <= true_s <= stated.high  # type: ignore[operator]
    return 100.0 * (stated.value / true_s - 1.0), bool(covers)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> list[Judged]:
    """All printers; the seeds served no development."""
    folder = tmp_path_factory.mktemp("dips")
    rows = [
        row
        for kind in KINDS
        for seed in range(FIRST_SEED, FIRST_SEED + PRINTERS)
        for row in judged(kind, seed, folder / f"{kind}-{seed}")
    ]
    head = f"{'printer':14s} {'time':20s} {'n':>4s} {'median %':>9s} {'p95 %':>7s} {'covered':>8s}"
    lines = [f"{PRINTERS} printers of each kind, one session each", head]
    for kind, what in sorted({(row[0], row[1]) for row in rows}):
        own = [row for row in rows if row[:2] == (kind, what)]
        errors = np.abs([row[2] for row in own])
        covered = np.mean([row[3] for row in own])
        lines.append(
            f"{kind:14s} {what:20s} {len(own):4d} {np.median(errors):9.2f}"
            f" {np.quantile(errors, 0.95):7.2f} {covered:8.3f}"
        )
    TABLE.write_text("\n".join(lines) + "\n", "utf-8")
    return rows


def short(what: str, covered: float) -> object:
    """Where intervals miss too often yet; the figure is that of the seeds above."""
    return pytest.param(what, marks=pytest.mark.xfail(reason=f"{covered:.0%}", strict=True))


@pytest.mark.parametrize("what", [short("down, fan 0", 0.87), short("down, fan 1", 0.82), "back"])
def test_intervals_cover_as_they_claim(found: list[Judged], what: str) -> None:
    """The design's 90 % at least; above 98 % is wide, not wrong."""
    own = [row[3] for row in found if row[1].startswith(what)]
    assert np.mean(own) >= 0.90
