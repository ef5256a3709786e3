"""Names beside curves: kept apart, in order, near where they belong; texts of a readable size."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.text import Text

from hotbench.core.records import Run, RunInfo, Sample
from hotbench.plots import curves, traces
from hotbench.plots.style import WIDTH_IN, End, LABEL_GAP_pt, label_ends, new_figure, spread, styled

COLUMN_IN = 3.5
LEAST_pt = 5.0
"""Smallest text in print that journals accept, from memory of their guides to authors."""
POSITIONS = st.lists(st.floats(-1e3, 1e3), max_size=12).map(sorted)


@given(POSITIONS, st.floats(0.1, 50.0))
def test_spread_labels_keep_their_order_and_distance(at: list[float], gap: float) -> None:
    placed = spread(at, gap)
    assert len(placed) == len(at)
    assert all(b - a >= gap * (1.0 - 1e-6) - 1e-6 for a, b in itertools.pairwise(placed))


@given(POSITIONS, st.floats(0.1, 50.0))
def test_spreading_moves_the_middle_of_nothing(at: list[float], gap: float) -> None:
    assert sum(spread(at, gap)) == pytest.approx(sum(at), abs=1e-6 * (1.0 + sum(map(abs, at))))


@given(POSITIONS)
def test_labels_that_are_apart_stay_where_they_are(at: list[float]) -> None:
    apart = [20.0 * k + 0.001 * value for k, value in enumerate(at)]
    assert spread(apart, 10.0) == pytest.approx(apart)


def test_a_curve_is_named_at_its_last_known_point() -> None:
    end = End.of([0.0, 1.0, 2.0], [5.0, 6.0, np.nan], "a", "k")
    assert end == End(1.0, 6.0, "a", "k")
    assert End.of([0.0, 1.0], [np.nan, np.nan], "a", "k") is None
    assert End.of([], [], "a", "k") is None


def heights_pt(axes: Axes) -> dict[str, float]:
    figure = axes.figure
    figure.canvas.draw()
    scale = 72.0 / figure.dpi
    return {t.get_text(): scale * t.get_window_extent().y0 for t in axes.texts}


def test_curves_that_end_together_have_names_apart() -> None:
    with styled():
        _, (axes,) = new_figure()
        axes.plot([0.0, 1.0], [0.0, 240.0])
        label_ends(axes, [End(1.0, 240.0, name, "k") for name in ("a", "b", "c")])
        at = sorted(heights_pt(axes).values())
    assert min(np.diff(at)) > 0.8 * LABEL_GAP_pt


def test_unknown_curves_get_no_name() -> None:
    _, (axes,) = new_figure()
    label_ends(axes, [None, End(0.5, 0.5, "known", "k")])
    assert [text.get_text() for text in axes.texts] == ["known"]


def run(setpoint_C: float = 240.0, duty: float = 0.5) -> Run:
    info = RunInfo(run_id="a", procedure="step", created="2026-01-01T00:00:00Z")
    samples = [
        Sample(i / 10.0, 24.0 + i, 0.0 if i < 20 else setpoint_C, duty, 0.0, phase="heat")
        for i in range(60)
    ]
    return Run.from_samples(info, samples)


def named(axes: Axes) -> set[str]:
    return {text.get_text() for text in axes.texts}


def test_the_setpoint_is_drawn_only_while_the_heater_is_on() -> None:
    with styled() as c:
        _, (axes,) = new_figure()
        traces.temperature(axes, run(), c)
    setpoint = next(line for line in axes.lines if line.get_label() == "setpoint")
    drawn = np.asarray(setpoint.get_ydata(), dtype=float)
    assert np.isnan(drawn[:20]).all()
    assert (drawn[20:] == 240.0).all()
    assert named(axes) == {"setpoint", "measured"}


def test_a_log_without_setpoint_and_duty_is_drawn_with_what_it_has() -> None:
    bare = run(setpoint_C=np.nan, duty=np.nan)
    with styled() as c:
        _, (top, bottom) = new_figure(2)
        traces.temperature(top, bare, c)
        traces.drive(bottom, bare, c)
    assert named(top) == {"measured"}
    assert named(bottom) == {"fan"}


@pytest.mark.parametrize(("decades", "ticks"), [(1.0, curves.FINE), (3.0, curves.COARSE)])
def test_long_scales_carry_fewer_ticks(decades: float, ticks: tuple[float, ...]) -> None:
    _, (axes,) = new_figure()
    axes.set_xlim(1.0, 10.0**decades)
    axes.set_ylim(1.0, 10.0**decades)
    curves.plain_log_scales(axes)
    major = list(axes.yaxis.get_major_locator().tick_values(1.0, 10.0**decades))
    leading = {round(t / 10.0 ** np.floor(np.log10(t)), 6) for t in major}
    assert leading <= set(ticks)


def test_no_text_is_too_small_in_a_column() -> None:
    with styled() as c:
        figure, (top, bottom) = new_figure(2)
        traces.temperature(top, run(), c)
        traces.drive(bottom, run(), c)
    shrunk = COLUMN_IN / WIDTH_IN
    sizes = {t.get_fontsize() for t in figure.findobj(Text) if t.get_text()}
    assert min(sizes) * shrunk >= LEAST_pt
