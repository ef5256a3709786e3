"""Figures of setpoint moves: what governs is coloured, marks and names are there."""

from io import BytesIO
from typing import get_args

import numpy as np
import pytest
from matplotlib.axes import Axes

from hotbench.plots import moves, style

AT_C = np.linspace(180.0, 240.0, 13)
LIMITS = {"power": 8.0 - 0.05 * (AT_C - 180.0), "loop tracking": np.full(13, 6.5)}
HUES = {"power": "#0072B2", "loop tracking": "#D55E00"}


def drawn(axes: Axes) -> bytes:
    image = BytesIO()
    axes.figure.savefig(image, format="png")
    return image.getvalue()


@pytest.mark.parametrize("theme", get_args(style.Theme))
def test_area_below_the_lowest_limit_is_coloured_by_its_cause(theme: style.Theme) -> None:
    with style.styled(theme) as c:
        _, (axes,) = style.new_figure()
        moves.safe_slew(axes, AT_C, LIMITS, [(200.0, 5.0), (220.0, 5.0)], HUES, c)
        axes.set_xlabel("temperature / °C")
        assert drawn(axes).startswith(b"\x89PNG")
    assert len(axes.collections) == 2
    assert {text.get_text() for text in axes.texts} == {"power", "loop tracking"}
    low, high = axes.get_ylim()
    assert low == 0.0
    assert high == pytest.approx(moves.ABOVE * 6.5)


def test_a_limit_far_above_is_not_named_and_does_not_stretch_the_axis() -> None:
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        far = {"power": np.full(13, 400.0), "loop tracking": np.full(13, 2.0)}
        moves.safe_slew(axes, AT_C, far, [], HUES, c)
        drawn(axes)
    assert axes.get_ylim()[1] < 5.0
    assert [text.get_text() for text in axes.texts] == ["loop tracking"]
    assert axes.get_legend() is None


def test_a_claim_above_every_limit_is_still_seen() -> None:
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        moves.safe_slew(axes, AT_C, LIMITS, [(200.0, 20.0)], HUES, c)
    assert axes.get_ylim()[1] > 20.0


def test_a_dip_shows_both_traces_and_where_each_arrives() -> None:
    time_s = np.linspace(-2.0, 20.0, 100)
    trace = moves.DipTrace(
        title="220 to 190 °C, fan 0",
        time_s=time_s,
        measured_C=np.clip(220.0 - 2.0 * time_s, 190.0, 220.0),
        predicted_C=np.clip(220.0 - 2.1 * time_s, 190.0, 220.0),
        setpoint_C=np.where(time_s < 0.0, 220.0, 190.0),
        measured=[(14.0, 192.0)],
        predicted=[(13.3, 192.0)],
    )
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        moves.dip(axes, trace, c)
        drawn(axes)
    assert {"measured", "predicted"} <= {line.get_label() for line in axes.lines}
    assert len(axes.lines) == 5
    assert axes.get_title(loc="left") == "220 to 190 °C, fan 0"
    assert "/ s" in axes.get_xlabel()


def test_a_dip_that_never_arrived_has_no_marks() -> None:
    flat = np.full(5, 220.0)
    trace = moves.DipTrace("", np.arange(5.0), flat, flat, flat)
    with style.styled() as c:
        _, (axes,) = style.new_figure()
        moves.dip(axes, trace, c)
    assert len(axes.lines) == 3


def test_every_change_has_its_line_and_slowed_ones_a_dashed_one() -> None:
    ahead = np.linspace(0.0, 10.0, 5)
    waits = {"200 to 220": (ahead, 8.0 - 0.8 * ahead), "220 to 200": (ahead, 4.0 - 0.4 * ahead)}
    with style.styled():
        _, (axes,) = style.new_figure()
        moves.look_ahead(axes, waits, {"200 to 220": (ahead, 1.0 - 0.1 * ahead)}, style.series())
        drawn(axes)
    assert [line.get_linestyle() for line in axes.lines] == ["-", "--", "-"]
    assert "/ s" in axes.get_ylabel()
    assert axes.get_xlim()[0] == axes.get_ylim()[0] == 0.0
