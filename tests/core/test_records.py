"""Runs are columns of the samples they were made from."""

import numpy as np

from hotbench.core.records import Run, RunInfo, Sample

INFO = RunInfo(run_id="r1", procedure="step", created="2026-01-01T00:00:00Z")


def test_columns_keep_order_and_unknowns() -> None:
    samples = [
        Sample(0.0, 24.0, 240.0, 1.0, 0.0, 0.0, "heat 240"),
        Sample(0.1, 25.5, phase="validate heat 200"),
    ]
    run = Run.from_samples(INFO, samples)
    assert len(run) == 2
    np.testing.assert_array_equal(run.temperature_C, [24.0, 25.5])
    assert np.isnan(run.duty[1])
    np.testing.assert_array_equal(run.mask_phase("validate"), [False, True])


def test_an_empty_run_has_no_samples() -> None:
    run = Run.from_samples(INFO, [])
    assert len(run) == 0
    assert run.mask_phase("heat").size == 0
