import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import j1

from hotbench.sim.melting import (
    Rolloff,
    cooling_curve,
    delivered_ratio,
    flow_limit_mm3_per_s,
    fourier_to_melt,
)
from hotbench.sim.plant import flow_limit_of
from hotbench.sim.printers import PRINTERS

# Cengel, Heat Transfer, table 4-2 (cylinder), and its limit for an isothermal wall.
ONE_TERM = [(1.0, 1.2558, 1.2071), (10.0, 2.1795, 1.5677), (1e9, 2.40483, 1.60197)]


@pytest.mark.parametrize(("biot", "eigenvalue", "amplitude"), ONE_TERM)
@pytest.mark.parametrize("fo", [0.35, 0.6, 1.0])
def test_centre_agrees_with_published_one_term_coefficients(
    biot: float, eigenvalue: float, amplitude: float, fo: float
) -> None:
    grid, excess = cooling_curve(biot, "centre")
    expected = amplitude * math.exp(-(eigenvalue**2) * fo)
    assert np.interp(fo, grid, excess) == pytest.approx(expected, rel=4e-3)


@pytest.mark.parametrize(("biot", "eigenvalue", "amplitude"), ONE_TERM)
def test_mean_agrees_with_the_integrated_one_term_solution(
    biot: float, eigenvalue: float, amplitude: float
) -> None:
    """Mean over the cross-section of A J0(lambda r) exp(-lambda^2 Fo) is A 2 J1(lambda)/lambda."""
    grid, excess = cooling_curve(biot, "mean")
    expected = amplitude * 2.0 * j1(eigenvalue) / eigenvalue * math.exp(-(eigenvalue**2) * 0.5)
    assert np.interp(0.5, grid, excess) == pytest.approx(expected, rel=4e-3)


@pytest.mark.parametrize("fo", [0.002, 0.005, 0.01])
def test_mean_starts_like_a_half_space(fo: float) -> None:
    """Short times, isothermal wall (Carslaw & Jaeger): 1 - 4 sqrt(Fo/pi) + Fo + ..."""
    grid, excess = cooling_curve(1e9, "mean")
    assert np.interp(fo, grid, excess) == pytest.approx(
        1.0 - 4.0 * math.sqrt(fo / math.pi) + fo, abs=2e-3
    )


def test_curve_falls_from_one_to_nothing() -> None:
    for criterion in ("centre", "mean"):
        _, excess = cooling_curve(3.0, criterion)
        assert excess[0] == pytest.approx(1.0, abs=5e-3)
        assert np.all(np.diff(excess) <= 1e-12)
        assert excess[-1] < 1e-6


def test_nothing_melts_below_the_softening_temperature() -> None:
    assert fourier_to_melt(120.0, 25.0, 125.0, 10.0, "centre") == math.inf
    limit = flow_limit_mm3_per_s(
        120.0,
        feed_C=25.0,
        melt_C=125.0,
        biot=10.0,
        criterion="centre",
        diffusivity_mm2_per_s=0.058,
        zone_mm=20.0,
    )
    assert limit == 0.0


def test_limit_grows_with_length_and_temperature() -> None:
    spec = PRINTERS["swift-sleeve"]
    start, end = spec.melt_zone
    half = replace(spec, melt_zone=(start, (start + end) / 2.0))
    assert flow_limit_of(half, 220.0) == pytest.approx(flow_limit_of(spec, 220.0) / 2.0)
    limits = [flow_limit_of(spec, wall_C) for wall_C in (160.0, 180.0, 200.0, 220.0, 240.0)]
    assert np.all(np.diff(limits) > 0.0)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("plain-block", 8, 15), ("swift-sleeve", 8, 15), ("long-melt", 16, 32)],
)
def test_limits_are_plausible(name: str, low: float, high: float) -> None:
    """8 to 15 mm3/s of PLA at 220 C, a long zone twice that: common practice, no source."""
    assert low <= flow_limit_of(PRINTERS[name], 220.0) <= high


@pytest.mark.parametrize("shape", list(Rolloff))
def test_ratio_rolls_off_through_the_limit(shape: Rolloff) -> None:
    ratio = [delivered_ratio(load, int(shape), 5.0, 0.98) for load in (0.0, 0.3, 1.0, 1.5, 3.0)]
    assert ratio[0] == pytest.approx(0.98)
    assert ratio[1] == pytest.approx(0.98, rel=1e-3)
    assert ratio[2] == pytest.approx(0.98 * 0.95)
    assert np.all(np.diff(ratio) < 0.0)
    assert delivered_ratio(math.inf, int(shape), 5.0, 0.98) == 0.0


def test_knee_delivers_a_ceiling() -> None:
    flows = [load * delivered_ratio(load, int(Rolloff.KNEE), 7.0, 1.0) for load in (3.0, 6.0)]
    assert flows[1] == pytest.approx(flows[0], rel=1e-3)
