"""Compiling the heater fit in a second process, while this one still records.

On a fresh machine the fit's kernels take about as long to compile as the demo's tests take to
record; the compiled code reaches this process through numba's cache on disk.
"""

from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context

import numpy as np

from hotbench.core.records import Run, RunInfo

STEP_s, SAMPLES = 0.1, 900


@contextmanager
def warmed() -> Iterator["Future[None]"]:
    """Starts compiling at once; the future is done when the fit can run at full speed."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        yield pool.submit(warm)


def warm() -> None:
    """Fit every model to a small made-up record."""
    from hotbench.fitting.heater import fit_heater

    fit_heater([_record()])


def _record() -> Run:
    """Heating, holding and cooling with the fan: enough for every kernel to be called once."""
    time_s = STEP_s * np.arange(SAMPLES, dtype=np.float64)
    thirds = np.arange(SAMPLES) // (SAMPLES // 3)
    duty = np.choose(thirds, (1.0, 0.15, 0.0))
    rise_K = np.choose(
        thirds, (6.0 * time_s, np.full(SAMPLES, 180.0), 180.0 * np.exp(-(time_s - 60.0) / 60.0))
    )
    return Run(
        info=RunInfo(run_id="warm", procedure="step", created="2026-01-01T00:00:00Z"),
        time_s=time_s,
        temperature_C=24.0 + rise_K,
        setpoint_C=np.full(SAMPLES, 204.0),
        duty=duty,
        fan=np.choose(thirds, (0.0, 0.0, 1.0)),
        flow_mm3_per_s=np.zeros(SAMPLES),
        phase=np.choose(thirds, ("heat 204", "hold 204", "validate cool")),
    )
