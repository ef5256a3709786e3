"""Figures: units on every axis, measured points visible, bands where intervals are known."""

from io import BytesIO
from typing import get_args

import numpy as np
import pytest
from matplotlib.axes import Axes

from hotbench.core.records import Run, RunInfo, Sample
from hotbench.plots import curves, style, traces

INFO = RunInfo(run_id="made-up", procedure="step", created="2026-01-01T00:00:00Z")


@pytest.fixture
def run() -> Run:
    rng = np.random.default_rng(5)

    def sample(i: int) -> Sample:
        heating = 24.0 + 216.0 * (1.0 - np.exp(-i / 300.0))
        phase = "validate heat 240" if 600 <= i < 800 else "heat 240"
        return Sample(i / 10.0, heating + rng.normal(0, 0.2), 240.0, 0.7, 0.5, 0.0, phase)

    return Run.from_samples(INFO, [sample(i) for i in range(1000)])


@pytest.fixture
def band() -> curves.Band:
    return curves.Band.from_rows([(240, 12, 11, 13), (220, 10, 9, 11), (200, 8, 7.5, 8.5)])


def has_unit(label: str) -> bool:
    return "/" in label or label in {"fraction", "autocorrelation of residuals"}


def drawn(axes: Axes) -> bytes:
    image = BytesIO()
    axes.figure.savefig(image, format="png")
    return image.getvalue()


@pytest.mark.parametrize("theme", get_args(style.Theme))
def test_trace_shows_points_prediction_and_held_out_stretch(run: Run, theme: style.Theme) -> None:
    with style.styled(theme) as c:
        _, (top, middle, bottom) = style.new_figure(3, height_in=5.4, ratios=(3, 1, 1))
        traces.temperature(top, run, c, run.temperature_C + 0.1)
        traces.residual(middle, run, run.temperature_C + 0.1, c)
        traces.drive(bottom, run, c)
        assert drawn(top).startswith(b"\x89PNG")
    labels = [line.get_label() for line in top.lines]
    assert {"measured", "predicted", "setpoint"} <= set(labels)
    assert len(top.patches) == 1
    low, high = middle.get_ylim()
    assert low < -0.1 < high
    assert all(has_unit(a.get_ylabel()) for a in (top, middle, bottom))
    assert has_unit(bottom.get_xlabel())


def test_thinning_keeps_the_ends_and_never_adds() -> None:
    assert traces.thinned(5).tolist() == [0, 1, 2, 3, 4]
    kept = traces.thinned(100_000)
    assert kept.size <= traces.MAX_POINTS
    assert (kept[0], kept[-1]) == (0, 99_999)


def test_band_sorts_rows(band: curves.Band) -> None:
    assert band.x.tolist() == [200, 220, 240]
    assert np.all(band.low <= band.y)


def test_curves_carry_units(band: curves.Band) -> None:
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        curves.flow_limit(axes, band, band, c)
        assert has_unit(axes.get_xlabel())
        assert has_unit(axes.get_ylabel())
        _, (axes,) = style.new_figure()
        curves.bands(axes, {"a": band}, style.series(), x_label="t / °C", y_label="r / K/s")
        assert axes.get_ylim()[0] == 0.0


def test_delivered_ratio_marks_each_limit() -> None:
    flow = np.array([2.0, 6.0, 10.0])
    with style.styled():
        _, (axes,) = style.new_figure()
        points = {220.0: (flow, np.array([1.0, 0.99, 0.93]))}
        curves.delivered_ratio(axes, points, {220.0: (flow, flow**0)}, {220.0: 9.0}, style.series())
    assert len(axes.lines) == 3


def test_deviation_plot_shows_fault_level_and_choice() -> None:
    rates = np.array([2.0, 4.0, 8.0])
    bound = curves.Band(rates, rates, rates * 0.9, rates * 1.2)
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        curves.deviation_by_rate(axes, rates, rates, bound, 12.0, 7.0, c)
        _, (bare,) = style.new_figure()
        curves.deviation_by_rate(bare, rates, rates, None, None, None, c)
    assert len(axes.lines) == len(bare.lines) + 4
    assert axes.get_xscale() == "log"
    assert axes.get_legend() is None


def test_ramps_cut_short_are_told_apart_and_the_cause_is_named() -> None:
    rates, whole = np.array([2.0, 4.0, 8.0]), np.array([True, True, False])
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        curves.deviation_by_rate(
            axes, rates, rates, None, None, 4.0, c, whole=whole, cause="passive cooling"
        )
    full, cut = axes.lines[:2]
    assert list(full.get_xdata()) == [2.0, 4.0]
    assert (list(cut.get_xdata()), cut.get_markerfacecolor()) == ([8.0], "none")
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["not run to its end"]
    assert [text.get_text() for text in axes.texts] == ["safe 4 K/s\npassive cooling"]


def test_residuals_and_autocorrelation(run: Run) -> None:
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        traces.residual_by_temperature(axes, run.temperature_C, run.temperature_C * 0, c)
        assert has_unit(axes.get_xlabel())
        _, (axes,) = style.new_figure()
        traces.autocorrelation(axes, np.arange(5.0), np.ones(5), c)
        assert axes.get_ylim() == (-1.05, 1.05)
