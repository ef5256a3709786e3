"""Melt model against published tables, a finite-difference solution and its own inverse."""

import numpy as np
import pytest
from ht.conv_internal import laminar_T_const
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.models import melt
from hotbench.sim.melting import flow_limit_mm3_per_s
from hotbench.sim.printers import PRINTERS


def finite_difference_excess(fourier: float, cells: int = 400, steps: int = 4000) -> np.ndarray:
    """Cylinder, wall at 0, start at 1: axis and mean, Crank-Nicolson after damped first steps."""
    width = 1.0 / cells
    faces = np.arange(cells + 1) * width
    volume = (faces[1:] ** 2 - faces[:-1] ** 2) / 2.0
    link = faces / width
    link[-1] = 2.0 / width
    matrix = np.diag(-(link[1:] + link[:-1]) / volume)
    matrix += np.diag(link[1:-1] / volume[:-1], 1) + np.diag(link[1:-1] / volume[1:], -1)
    step, unit = fourier / steps, np.eye(cells)
    settle = np.linalg.inv(unit - step / 4.0 * matrix)
    move = np.linalg.solve(unit - step / 2.0 * matrix, unit + step / 2.0 * matrix)
    start = np.linalg.matrix_power(settle, 4) @ np.ones(cells)
    field = np.linalg.matrix_power(move, steps - 1) @ start
    # The innermost cell's mean lies half a cell out; a parabola carries it to the axis.
    axis = field[0] + (field[0] - field[1]) / 2.0 * 0.5
    return np.array([axis, 2.0 * field @ volume])


@pytest.mark.parametrize("fourier", [0.05, 0.2, 0.6])
def test_series_agrees_with_finite_differences(fourier: float) -> None:
    series = [melt.excess_at(fourier, criterion) for criterion in melt.CRITERIA]
    assert np.allclose(series, finite_difference_excess(fourier), atol=1e-4)


@pytest.mark.parametrize(
    ("biot", "root", "amplitude"),
    [(1.0, 1.2558, 1.2071), (10.0, 2.1795, 1.5677)],
)
def test_contact_series_agrees_with_cengel_table_4_2(
    biot: float, root: float, amplitude: float
) -> None:
    # Source: Çengel, Heat Transfer, table 4-2 (cylinder); Incropera, table 5.1, has the same.
    roots, amplitudes = melt.contact_series(biot)
    assert (round(roots[0], 4), round(amplitudes[0], 4)) == (root, amplitude)


def test_perfect_contact_is_the_limit_of_the_contact_series() -> None:
    # Source: Çengel, table 4-2, Bi to infinity: 2.40483, 1.60197.
    roots, amplitudes = melt.contact_series(1e7)
    assert np.allclose([roots[0], amplitudes[0]], [2.40483, 1.60197], atol=1e-5)
    axis = float(np.sum(amplitudes * np.exp(-(roots**2) * 0.1)))
    assert axis == pytest.approx(melt.excess_at(0.1, "centre"), abs=1e-5)


def test_graetz_eigenvalues_and_nusselt_numbers() -> None:
    # Source: Graetz problem, constant wall temperature (Shah and London 1978): 2.70436, 6.67903,
    # 10.67338; Nu 3.6568. Plug flow: 5.78319, the square of J0's first zero.
    assert np.allclose(melt.graetz_eigenvalues(3), [2.70436, 6.67903, 10.67338], atol=6e-6)
    assert melt.nusselt_number("parabolic") == pytest.approx(3.6568, abs=5e-5)
    assert melt.nusselt_number("plug") == pytest.approx(5.78319, abs=5e-6)
    # Source: library ht, laminar flow at constant wall temperature (rounded there to 3.66).
    assert melt.nusselt_number("parabolic") == pytest.approx(laminar_T_const(), abs=5e-3)


def test_one_term_of_the_series_is_not_enough() -> None:
    def one_term(excess: float) -> float:
        return float(np.log(1.60197 / excess) / 2.40483**2)

    errors = [abs(one_term(x) / melt.fourier_number(x) - 1.0) for x in (0.5, 0.9)]
    assert errors[0] == pytest.approx(0.004, abs=0.002)
    assert errors[1] > 0.1


@pytest.mark.parametrize("criterion", melt.CRITERIA)
def test_fourier_number_inverts_the_series(criterion: melt.Criterion) -> None:
    excess = np.concatenate(([1e-8, 1e-4], np.linspace(0.01, 0.99, 99), [0.9999]))
    fourier = melt.fourier_number(excess, criterion)
    assert np.all(np.diff(fourier) < 0.0)
    assert np.allclose(melt.excess_at(fourier, criterion), excess, rtol=1e-10)


@pytest.mark.parametrize("criterion", melt.CRITERIA)
def test_slope_of_the_fourier_number(criterion: melt.Criterion) -> None:
    row = melt.criterion_index(criterion)
    for excess in (0.2, 0.6, 0.95):
        step = 1e-6
        ends = melt.fourier_number(np.array([excess - step, excess + step]), criterion)
        slope = melt.fourier_and_slope(excess, row)[1]
        assert slope == pytest.approx((ends[1] - ends[0]) / (2.0 * step), rel=1e-6)


def test_fourier_number_outside_the_range_is_unknown() -> None:
    assert np.isnan(melt.fourier_number(np.array([-0.1, 0.0, 1.0, 1.5]))).all()


def test_short_times_of_the_mean_join_the_series() -> None:
    below, above = melt.excess_at(np.array([0.999999e-3, 1.000001e-3]), "mean")
    assert below - above == pytest.approx(0.0, abs=2e-7)


@given(
    temperature_C=st.floats(170.0, 300.0),
    alpha_L=st.floats(0.1, 10.0),
    softening_C=st.floats(60.0, 160.0),
    criterion=st.sampled_from(melt.CRITERIA),
)
def test_minimum_temperature_inverts_the_flow_limit(
    temperature_C: float, alpha_L: float, softening_C: float, criterion: melt.Criterion
) -> None:
    flow = melt.flow_limit_mm3_per_s(
        temperature_C, alpha_L, softening_C, feed_C=30.0, criterion=criterion
    )
    back = melt.minimum_temperature_C(flow, alpha_L, softening_C, feed_C=30.0, criterion=criterion)
    assert back == pytest.approx(temperature_C, abs=1e-6)


def test_nothing_melts_below_softening() -> None:
    limit = melt.flow_limit_mm3_per_s(np.array([120.0, 125.0, 126.0]), 1.0, 125.0, feed_C=30.0)
    assert list(limit[:2]) == [0.0, 0.0]
    assert limit[2] > 0.0
    assert melt.minimum_temperature_C(0.0, 1.0, 125.0, feed_C=30.0) == 125.0
    assert np.isnan(melt.minimum_temperature_C(1e9, 1e-3, 125.0, feed_C=30.0))


def test_limit_rises_half_a_percent_per_kelvin() -> None:
    # The reason why a minimum temperature is known to no better than 11 K at 5 % in flow.
    flow = melt.flow_limit_mm3_per_s(np.array([219.5, 220.5]), 1.0, 125.0, feed_C=30.0)
    assert np.log(flow[1] / flow[0]) == pytest.approx(0.0044, abs=0.0012)


@pytest.mark.parametrize(("zone_mm", "low", "high"), [(12.0, 8.0, 15.0), (24.0, 16.0, 30.0)])
def test_common_practice_flow_limits(zone_mm: float, low: float, high: float) -> None:
    # Common practice, no source: an ordinary short melt zone carries about 8 to 15 mm³/s of PLA
    # near 220 °C, a long one about twice that. PLA: k 0.13 W/mK, cp 1800 J/kgK, 1300 kg/m³.
    diffusivity = 0.13 / (1300.0 * 1800.0) * 1e6
    flow = melt.flow_limit_mm3_per_s(220.0, diffusivity * zone_mm, 130.0, feed_C=30.0)
    assert low <= flow <= high


def test_delivered_ratio_loses_five_percent_at_the_limit() -> None:
    ratio = melt.delivered_ratio(np.array([0.0, 10.0]), 10.0, 6.0, 0.98)
    assert np.allclose(ratio, [0.98, 0.98 * 0.95])


def test_even_surface_keeps_the_exit_temperature() -> None:
    flows = np.array([4.0, 8.0, 12.0])
    wall = melt.constant_exit_wall_C(
        flows, 0.8, feed_C=30.0, reference_wall_C=210.0, reference_flow_mm3_per_s=8.0
    )
    exits = melt.exit_temperature_C(wall, flows, 0.8, feed_C=30.0)
    assert np.allclose(exits, exits[1])
    assert wall[1] == pytest.approx(210.0)
    assert np.all(np.diff(wall) > 0.0)


def test_heater_governs_when_it_saturates_first() -> None:
    assert melt.saturation_flow_mm3_per_s(6.0, 0.5) == 12.0
    assert melt.saturation_flow_mm3_per_s(-1.0, 0.5) == 0.0
    assert melt.saturation_flow_mm3_per_s(6.0, 0.0) == float("inf")
    assert melt.governing_flow(15.0, 12.0) == (12.0, "heater power")
    assert melt.governing_flow(10.0, 12.0) == (10.0, "melting")


def test_unknown_criterion_is_named() -> None:
    with pytest.raises(BadInput, match="did you mean 'centre'"):
        melt.criterion_index("center")


def test_common_practice_holds_for_the_simulated_printers() -> None:
    # Common practice, no source: a short melt zone carries about 8 to 15 mm³/s of PLA near 220 °C,
    # a long one about twice that.
    limits = {}
    for name, spec in PRINTERS.items():
        heat = spec.filament_heat_J_per_kg_K * spec.filament_density_kg_per_m3
        begin, end = spec.melt_zone
        limits[name] = flow_limit_mm3_per_s(
            220.0,
            feed_C=30.0,
            melt_C=spec.softening_C,
            biot=spec.melt_biot,
            criterion=spec.melt_criterion,
            diffusivity_mm2_per_s=1e6 * spec.filament_conductivity_W_per_mK / heat,
            zone_mm=(end - begin) * spec.length_mm,
        )
    short = [limits["swift-sleeve"], limits["plain-block"]]
    assert all(8.0 <= limit <= 15.0 for limit in short)
    assert 1.5 <= limits["long-melt"] / float(np.mean(short)) <= 3.0
