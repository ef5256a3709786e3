"""Radial finite volumes against the series solution of the infinite cylinder, computed here.

Series: Incropera & DeWitt ch. 5 and Cengel ch. 4, theta = sum A_n J0(z_n r) exp(-z_n^2 Fo) with
z J1(z) / J0(z) = Bi and A_n = 2 J1(z_n) / (z_n (J0(z_n)^2 + J1(z_n)^2)).
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import j0, j1, jn_zeros

from hotbench.core.arrays import FloatArray
from hotbench.sim.melting import (
    LOSS_AT_LIMIT,
    Criterion,
    Rolloff,
    cooling_curve,
    delivered_ratio,
    flow_limit_mm3_per_s,
    fourier_to_melt,
)

# Cengel, Heat Transfer, table 4-2, cylinder: Bi, lambda_1, A_1.
PUBLISHED = [(1.0, 1.2558, 1.2071), (10.0, 2.1795, 1.5677)]


def roots(biot: float, count: int = 40) -> FloatArray:
    """z J1(z) = Bi J0(z), one root between consecutive zeros of J1."""
    edges = np.concatenate([[0.0], jn_zeros(1, count)])
    return np.array(
        [brentq(lambda z: z * j1(z) - biot * j0(z), a + 1e-9, b - 1e-9) for a, b in pairwise(edges)]
    )


def amplitudes(z: FloatArray) -> FloatArray:
    found: FloatArray = 2.0 * j1(z) / (z * (j0(z) ** 2 + j1(z) ** 2))
    return found


def series(biot: float, fo: float, criterion: Criterion) -> float:
    z = roots(biot)
    weight = np.ones_like(z) if criterion == "centre" else 2.0 * j1(z) / z
    return float(np.sum(amplitudes(z) * weight * np.exp(-(z**2) * fo)))


@pytest.mark.parametrize(("biot", "root", "amplitude"), PUBLISHED)
def test_the_series_has_the_published_first_term(
    biot: float, root: float, amplitude: float
) -> None:
    z = roots(biot)
    assert z[0] == pytest.approx(root, abs=6e-5)
    assert amplitudes(z)[0] == pytest.approx(amplitude, abs=6e-5)


@pytest.mark.parametrize("criterion", ["centre", "mean"])
@pytest.mark.parametrize("biot", [1.0, 3.0, 10.0, 100.0])
@pytest.mark.parametrize("fo", [0.03, 0.1, 0.2, 0.5, 1.0])
def test_finite_volumes_follow_the_whole_series(
    fo: float, biot: float, criterion: Criterion
) -> None:
    grid, excess = cooling_curve(biot, criterion)
    # 120 cells: second order in 1/120, so a few parts in ten thousand.
    assert np.interp(fo, grid, excess) == pytest.approx(series(biot, fo, criterion), abs=2e-3)


@pytest.mark.parametrize("criterion", ["centre", "mean"])
@pytest.mark.parametrize("biot", [1.0, 10.0])
def test_fourier_number_inverts_the_series(biot: float, criterion: Criterion) -> None:
    for wall_C in (150.0, 180.0, 220.0, 260.0):
        fo = fourier_to_melt(wall_C, 30.0, 125.0, biot, criterion)
        wanted = (wall_C - 125.0) / (wall_C - 30.0)
        assert series(biot, fo, criterion) == pytest.approx(wanted, abs=2e-3)


def test_the_mean_melts_before_the_centre() -> None:
    for biot in (1.0, 10.0, 1e3):
        centre, mean = (fourier_to_melt(220.0, 25.0, 125.0, biot, c) for c in ("centre", "mean"))
        assert mean < centre


@given(st.floats(130.0, 300.0), st.floats(0.5, 50.0))
def test_better_contact_and_hotter_walls_melt_sooner(wall_C: float, biot: float) -> None:
    here = fourier_to_melt(wall_C, 25.0, 125.0, round(biot, 1), "centre")
    assert fourier_to_melt(wall_C + 5.0, 25.0, 125.0, round(biot, 1), "centre") < here
    assert fourier_to_melt(wall_C, 25.0, 125.0, round(biot, 1) + 1.0, "centre") < here


@given(st.floats(1.0, 60.0), st.floats(0.03, 0.2))
def test_the_limit_is_proportional_to_length_and_diffusivity(
    zone_mm: float, diffusivity: float
) -> None:
    def limit(zone_mm: float, diffusivity: float) -> float:
        return flow_limit_mm3_per_s(
            220.0,
            feed_C=25.0,
            melt_C=125.0,
            biot=10.0,
            criterion="mean",
            diffusivity_mm2_per_s=diffusivity,
            zone_mm=zone_mm,
        )

    assert limit(zone_mm, diffusivity) == pytest.approx(
        limit(1.0, 1.0) * zone_mm * diffusivity, rel=1e-9
    )


SHAPES = st.sampled_from([int(Rolloff.HILL), int(Rolloff.KNEE)])


@given(SHAPES, st.floats(2.0, 12.0), st.floats(0.9, 1.0))
def test_five_percent_are_missing_at_the_limit(shape: int, exponent: float, full: float) -> None:
    assert delivered_ratio(1.0, shape, exponent, full) == pytest.approx(
        (1.0 - LOSS_AT_LIMIT) * full
    )
    assert delivered_ratio(0.0, shape, exponent, full) == pytest.approx(full)


@given(SHAPES, st.floats(2.0, 12.0), st.floats(0.0, 10.0), st.floats(0.0, 1.0))
def test_more_flow_never_raises_the_ratio(
    shape: int, exponent: float, load: float, more: float
) -> None:
    here, further = (delivered_ratio(at, shape, exponent, 1.0) for at in (load, load + more))
    assert 0.0 < further <= here <= 1.0


@given(st.floats(3.0, 12.0), st.floats(0.1, 6.0), st.floats(0.01, 1.0))
def test_a_knee_never_delivers_less_for_more(exponent: float, load: float, more: float) -> None:
    here, further = (
        at * delivered_ratio(at, int(Rolloff.KNEE), exponent, 1.0) for at in (load, load + more)
    )
    assert further >= here * (1.0 - 1e-12)


def test_infinite_or_undefined_load_delivers_nothing() -> None:
    for load in (math.inf, math.nan):
        assert delivered_ratio(load, int(Rolloff.HILL), 5.0, 1.0) == 0.0
