"""Pictures of print jobs: nothing hidden, nothing crowded, nothing made up."""

from collections.abc import Iterator

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from hotbench.jobs.prediction import Prediction
from hotbench.jobs.rehearsal import Trace
from hotbench.plots import jobs, style

BINS = 5000


@pytest.fixture(scope="module")
def trace() -> Trace:
    time_s = (np.arange(BINS) + 0.5) * 0.25
    ones = np.ones(BINS, dtype=np.int64)
    flow = 6.0 + 4.0 * np.sin(time_s / 9.0)
    set_C = 215.0 + 10.0 * np.sin(time_s / 100.0)
    return Trace(0.25, time_s, flow, np.full(BINS, 9.0), set_C, 0.0 * flow, ones, ones)


@pytest.fixture(scope="module")
def told(trace: Trace) -> Prediction:
    exit_C = np.where(np.arange(BINS) % 7, trace.set_C - trace.flow_mm3_per_s, np.nan)
    T = trace.set_C
    return Prediction(T, T - 2.0, T + 2.0, 0.0 * T, exit_C)


@pytest.fixture
def axes() -> Iterator[Axes]:
    with style.styled():
        _, (only,) = style.new_figure()
        yield only


def drawn(axes: Axes) -> list[str]:
    """Labels of the lines in the order of drawing, the last on top."""
    return [str(line.get_label()) for line in sorted(axes.lines, key=lambda line: line.zorder)]


def test_the_set_line_lies_over_a_broader_prediction(
    axes: Axes, trace: Trace, told: Prediction
) -> None:
    jobs.temperatures(axes, trace, told, style.LIGHT)
    assert drawn(axes) == ["predicted", "set"]
    predicted, given = axes.lines
    assert given.get_linewidth() < 0.5 * predicted.get_linewidth()
    assert given.get_color() != predicted.get_color()
    assert given.is_dashed()


def test_the_interval_is_filled(axes: Axes, trace: Trace, told: Prediction) -> None:
    jobs.temperatures(axes, trace, told, style.LIGHT)
    (fill,) = (item for item in axes.collections if isinstance(item, PolyCollection))
    heights = fill.get_paths()[0].vertices[:, 1]
    assert heights.min() == pytest.approx(told.low_C.min(), abs=0.1)
    assert heights.max() == pytest.approx(told.high_C.max(), abs=0.1)


def test_without_a_prediction_only_the_set_line_is_drawn(axes: Axes, trace: Trace) -> None:
    jobs.temperatures(axes, trace, None, style.LIGHT)
    assert drawn(axes) == ["set"]
    assert not axes.collections


def test_the_melt_is_one_calm_line_with_its_spread(
    axes: Axes, trace: Trace, told: Prediction
) -> None:
    jobs.exit_melt(axes, trace, told, style.LIGHT)
    (line,) = axes.lines
    y = np.asarray(line.get_ydata())
    assert y.size == jobs.COLUMNS
    assert np.nanmean(y) == pytest.approx(np.nanmean(told.exit_C), abs=0.5)


@pytest.mark.parametrize("known", [True, False])
def test_an_unknown_melt_is_said(axes: Axes, trace: Trace, told: Prediction, known: bool) -> None:
    nothing = np.full(BINS, np.nan)
    T = told.temperature_C
    prediction = Prediction(T, T, T, T, nothing) if known else None
    jobs.exit_melt(axes, trace, prediction, style.LIGHT)
    assert [text.get_text() for text in axes.texts] == ["not known from this profile"]
    assert not axes.lines


@pytest.mark.parametrize("size", [1, 3, jobs.COLUMNS, 10_001])
def test_columns_take_every_value_once(size: int) -> None:
    values = np.arange(size, dtype=np.float64)
    low, high = jobs.columns(values, np.min), jobs.columns(values, np.max)
    assert low.size == min(size, jobs.COLUMNS)
    assert (low[0], high[-1]) == (0.0, size - 1.0)
    np.testing.assert_array_equal(low[1:], high[:-1] + 1.0)


def test_a_part_without_numbers_is_a_gap() -> None:
    values = np.concatenate([np.full(300, np.nan), np.ones(300)])
    found = jobs.columns(values, np.nanmean)
    assert np.isnan(found[:100]).all()
    assert (found[-100:] == 1.0).all()


def test_flow_above_its_limit_is_filled(axes: Axes, trace: Trace) -> None:
    jobs.flow(axes, trace, style.LIGHT)
    assert axes.get_ylim()[0] == 0.0
    assert drawn(axes) == ["flow", "limit at the set temperature"]
    (fill,) = axes.collections
    assert min(path.vertices[:, 1].min() for path in fill.get_paths()) >= 9.0 - 1e-9
