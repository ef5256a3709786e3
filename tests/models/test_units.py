"""Filament and flow conversions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.models import units

SIZES = st.floats(0.1, 5.0)
AMOUNTS = st.floats(0.01, 1e4)


def test_known_filament() -> None:
    assert units.filament_area_mm2(1.75) == pytest.approx(2.40528, abs=1e-5)
    assert units.mass_of_length_g(1000.0, 1.75, 1.24) == pytest.approx(2.98255, abs=1e-4)
    assert units.flow_of_line_mm3_per_s(0.45, 0.2, 100.0) == pytest.approx(9.0)


@given(flow=AMOUNTS, diameter_mm=SIZES)
def test_feed_and_flow_invert(flow: float, diameter_mm: float) -> None:
    feed = units.feed_of_flow_mm_per_s(flow, diameter_mm)
    assert units.flow_of_feed_mm3_per_s(feed, diameter_mm) == pytest.approx(flow)


@given(length=AMOUNTS, diameter_mm=SIZES, density=SIZES)
def test_mass_and_length_invert(length: float, diameter_mm: float, density: float) -> None:
    mass = units.mass_of_length_g(length, diameter_mm, density)
    assert units.length_of_mass_mm(mass, diameter_mm, density) == pytest.approx(length)


@given(flow=AMOUNTS, width=SIZES, height=SIZES)
def test_line_speed_inverts(flow: float, width: float, height: float) -> None:
    speed = units.speed_of_line_mm_per_s(flow, width, height)
    assert units.flow_of_line_mm3_per_s(width, height, speed) == pytest.approx(flow)


def test_melt_rates() -> None:
    # Source: ISO 1133, MFR = MVR · density of the melt; 10 cm³/10 min at 1.1 g/cm³ is 11 g/10 min.
    assert units.melt_mass_rate_g_per_10min(10.0, 1.1) == pytest.approx(11.0)
    assert units.melt_volume_rate_cm3_per_10min(11.0, 1.1) == pytest.approx(10.0)
    assert units.volume_rate_mm3_per_s(6.0) == pytest.approx(10.0)


@pytest.mark.parametrize("diameter_mm", [0.0, -1.0, float("nan"), float("inf")])
def test_impossible_filament_is_refused(diameter_mm: float) -> None:
    with pytest.raises(BadInput, match="filament diameter must be positive"):
        units.filament_area_mm2(diameter_mm)
