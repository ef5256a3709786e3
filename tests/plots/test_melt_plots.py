"""Pictures of flow limits: labels with units, bands, and open low ends that do not squeeze."""

import numpy as np
import pytest

from hotbench.plots import style
from hotbench.plots.curves import Band
from hotbench.plots.melt import SHOWN_BELOW_K, compared_limits, wanted_temperatures

LEAST = Band.from_rows([(4, 195, 30, 205), (8, 210, 200, 220), (12, 230, 215, 260)])


@pytest.fixture
def axes_and_colours():
    with style.styled("light") as c:
        _, (axes,) = style.new_figure(height_in=3.0)
        yield axes, c


def test_minimum_temperature_has_units_and_its_even_surface(axes_and_colours) -> None:
    axes, c = axes_and_colours
    even = (np.array([4.0, 8.0, 12.0]), np.array([200.0, 210.0, 225.0]))
    wanted_temperatures(axes, LEAST, even, c)
    assert [line.get_label() for line in axes.lines] == ["minimum", "even surface (model)"]
    assert axes.get_xlabel() == "volumetric flow / mm³/s"
    assert axes.get_ylabel() == "temperature / °C"
    assert np.array_equal(axes.lines[0].get_ydata(), [195.0, 210.0, 230.0])


def test_an_open_low_end_does_not_squeeze_the_rest(axes_and_colours) -> None:
    axes, c = axes_and_colours
    wanted_temperatures(axes, LEAST, None, c)
    low, high = axes.get_ylim()
    assert low == 195.0 - SHOWN_BELOW_K
    assert high > 255.0
    assert len(axes.lines) == 1


def test_an_empty_even_surface_draws_no_line(axes_and_colours) -> None:
    axes, c = axes_and_colours
    wanted_temperatures(axes, LEAST, (np.array([]), np.array([])), c)
    assert len(axes.lines) == 1


def test_several_hot_ends_have_a_curve_and_a_band_each(axes_and_colours) -> None:
    axes, _ = axes_and_colours
    limits = {
        "short, PLA": Band.from_rows([(200, 8, 7.5, 8.5), (220, 10, 9, 11)]),
        "long, PLA": Band.from_rows([(200, 16, 15, 17), (220, 20, 18, 22)]),
    }
    compared_limits(axes, limits, style.series())
    assert set(limits) <= {text.get_text() for text in axes.texts}
    assert len(axes.collections) == 2
    assert (axes.get_xlabel(), axes.get_ylabel()) == (
        "temperature / °C",
        "flow at the limit / mm³/s",
    )
