"""The step test on a simulated printer, through wire, recorder and run folder."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.recording import record
from hotbench.core.records import Run
from hotbench.procedures.steps import StepTest
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PrinterSpec
from hotbench.store.reader import read_run

LONG_BOOTED_s = 5.0


def step_session(spec: PrinterSpec, seed: int, interval_s: float) -> Run:
    """One session from cold: 240 C, cool-downs without and with full fan, dip 220/190/220.

    The line is opened at a random moment of the board's control period.
    """
    board = SimulatedPrinter(spec, seed=seed)
    phase_s = np.random.default_rng([seed, 5]).uniform(0.0, spec.control_period_s)
    board.step(LONG_BOOTED_s + float(phase_s))
    line = Line(board.transport(), board.scale, ())
    options = LinkOptions(port=f"sim:{spec.name}", interval_s=interval_s)
    test = StepTest(to_C=(240.0,), fans=(0.0, 1.0), dip=(220.0, 190.0))
    with TemporaryDirectory() as folder:
        record(test, line, options, Path(folder) / "run")
        return read_run(Path(folder) / "run")
