"""Runs are columns of the samples they were made from."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.records import SAMPLE_FIELDS, Event, Extrusion, Run, RunInfo, Sample

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


numbers = st.floats(-1e3, 1e3) | st.just(math.nan)
samples = st.builds(
    Sample, numbers, numbers, numbers, numbers, numbers, numbers, st.text("abc ", max_size=9)
)


@given(st.lists(samples, max_size=20))
def test_every_field_of_every_sample_is_in_its_column(given_samples: list[Sample]) -> None:
    run = Run.from_samples(INFO, given_samples)
    for name in SAMPLE_FIELDS:
        column = getattr(run, name)
        assert column.shape == (len(given_samples),)
        np.testing.assert_array_equal(column, [getattr(s, name) for s in given_samples])


@given(st.lists(st.sampled_from(["heat 1", "hold 1", "validate hold 1", ""]), max_size=20))
def test_phases_are_told_by_their_beginning(phases: list[str]) -> None:
    run = Run.from_samples(INFO, [Sample(float(i), 20.0, phase=p) for i, p in enumerate(phases)])
    for prefix in ("heat", "validate", "hold"):
        assert run.mask_phase(prefix).tolist() == [p.startswith(prefix) for p in phases]


def test_a_run_keeps_events_extrusions_and_outcome() -> None:
    events, shots = [Event(0.0, "note", "x")], [Extrusion(220.0, 5.0, 10.0)]
    run = Run.from_samples(INFO, [], events=events, extrusions=shots, outcome="stopped")
    assert (run.events, run.extrusions, run.outcome) == (tuple(events), tuple(shots), "stopped")
