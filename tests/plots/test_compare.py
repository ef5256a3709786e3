"""Figures of before and after: order, form of what is beyond chance, and what axes show."""

import math
from io import BytesIO

import numpy as np
import pytest

from hotbench.core.records import Run, RunInfo, Sample
from hotbench.plots.compare import LEAST_SPAN, Change, changes, overlay
from hotbench.plots.style import new_figure, styled


def run(delay_s: float) -> Run:
    def sample(i: int) -> Sample:
        told = i / 10.0 >= delay_s
        warm = 200.0 * (1.0 - np.exp(-max(i / 10.0 - delay_s, 0.0) / 8.0))
        return Sample(i / 10.0, 24.0 + warm, 220.0 if told else 0.0, float(told), 0.0, 0.0, "heat")

    info = RunInfo(run_id="r", procedure="step", created="2026-01-01T00:00:00Z")
    return Run.from_samples(info, [sample(i) for i in range(400)])


@pytest.mark.parametrize("ratio", [1.02, 30.0])
def test_changes_from_the_top_with_one_marked(ratio: float) -> None:
    rows = [
        Change("heating", ratio, 0.9 * ratio, 1.1 * ratio, significant=True),
        Change("lag", 1.0, math.nan, math.nan, significant=False),
    ]
    with styled() as c:
        figure, (axes,) = new_figure()
        changes(axes, rows, c)
        figure.savefig(BytesIO(), format="png")
        points = [line for line in axes.lines if line.get_marker() == "o"]
        assert [point.get_ydata()[0] for point in points] == [2.0, 1.0]
        faces = [point.get_markerfacecolor() for point in points]
        assert faces == [c.predicted, c.ground]
    low, high = axes.get_xlim()
    assert low <= LEAST_SPAN[0]
    assert high >= LEAST_SPAN[1]
    assert [label.get_text() for label in axes.get_yticklabels()] == ["heating", "lag"]
    assert axes.get_xlabel().startswith("after over before")


def test_traces_start_where_each_was_told_to_heat() -> None:
    """The same answer recorded with different idle times before it lies on itself."""
    with styled() as c:
        _, (axes,) = new_figure()
        overlay(axes, run(2.0), run(9.0), c)
    first, second = axes.lines[:2]
    ends = np.linspace(0.0, 25.0, 20)
    there = [np.interp(ends, line.get_xdata(), line.get_ydata()) for line in (first, second)]
    assert there[0] == pytest.approx(there[1], abs=1e-6)


def test_a_run_that_was_never_heated_is_drawn_from_its_start() -> None:
    cold = run(1e6)
    with styled() as c:
        _, (axes,) = new_figure()
        overlay(axes, cold, cold, c)
    assert axes.lines[0].get_xdata()[0] == 0.0
