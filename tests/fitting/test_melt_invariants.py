"""What a melt fit keeps whatever the numbers: order, scale, derivatives, noise of each evidence."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from melt_truths import TEMPERATURES_C, Truth

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.fitting.melt import MeltFit, fit_melt
from hotbench.fitting.melt_curve import HOTTEST_C, LimitCurve
from hotbench.fitting.melt_points import EVIDENCE, melt_points
from hotbench.fitting.melt_solve import Layout, fill_curve, fill_rows
from hotbench.models import units

LOADS = (0.4, 0.5, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2)
FULL_g = units.mass_of_length_g(100.0, 1.75, 1.24)


def weighed(seed: int) -> list[Extrusion]:
    truth = Truth(seed)
    return [truth.weigh(at, load * truth.limit(at)) for at in TEMPERATURES_C for load in LOADS]


def logs(fit: MeltFit) -> FloatArray:
    return np.log([[q.limit.low, q.limit.value, q.limit.high] for q in fit.limits])


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_weighings_does_not_matter(seed: int, random) -> None:
    extrusions = weighed(seed)
    shuffled = list(extrusions)
    random.shuffle(shuffled)
    assert np.allclose(logs(fit_melt(extrusions)), logs(fit_melt(shuffled)), atol=1e-4)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.floats(0.2, 5.0))
def test_limits_go_with_the_unit_of_flow(seed: int, times: float) -> None:
    extrusions = weighed(seed)
    faster = [replace(e, commanded_mm3_per_s=times * e.commanded_mm3_per_s) for e in extrusions]
    shift = logs(fit_melt(faster)) - logs(fit_melt(extrusions))
    assert np.allclose(shift, np.log(times), atol=2e-3)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_intervals_hold_their_value_and_widen_with_confidence(seed: int) -> None:
    extrusions = weighed(seed)
    found = [fit_melt(extrusions, confidence=share).limits for share in (0.5, 0.8, 0.95, 0.99)]
    for at in zip(*found, strict=True):
        widths = [row.limit.half_width for row in at]
        assert widths == sorted(widths)
        assert len({row.limit.value for row in at}) == 1
        assert all(row.limit.low < row.limit.value < row.limit.high for row in at)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.floats(185.0, 260.0))
def test_minimum_temperature_and_flow_limit_are_inverse(seed: int, at_C: float) -> None:
    fit = fit_melt(weighed(seed))
    flow = fit.flow_limit(at_C).value
    found = fit.minimum_temperature(flow)
    assert found.value == pytest.approx(at_C, abs=0.3)
    assert fit.feed_C <= found.low <= found.value <= found.high <= HOTTEST_C


def test_repeating_every_weighing_narrows_the_intervals() -> None:
    extrusions = weighed(3)
    once, thrice = (fit_melt(extrusions * times) for times in (1, 3))
    for a, b in zip(once.limits, thrice.limits, strict=True):
        assert b.limit.half_width < 0.8 * a.limit.half_width


def test_noisier_weighings_widen_the_intervals() -> None:
    truth = [Truth(7, noise=noise) for noise in (0.005, 0.04)]
    widths = []
    for one in truth:
        shots = [one.weigh(at, load * one.limit(at)) for at in TEMPERATURES_C for load in LOADS]
        fit = fit_melt(shots)
        widths.append(np.mean([q.limit.half_width / q.limit.value for q in fit.limits]))
    assert widths[1] > 2.0 * widths[0]


def filled(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Data rows and curve rows of a small made-up problem, with their derivatives."""
    layout = Layout(1, 3, joint=True)
    shape = (1, 3, 1)
    place = np.array([0.0, 1.0, 2.0, 1.0])
    residual, slope = np.zeros(7), np.zeros((7, layout.size))
    log_flow, log_level = np.log([5.0, 9.0, 12.0, 14.0]), np.log([0.98, 0.95, 0.9, 0.7])
    weight = np.array([70.0, 60.0, 50.0, 40.0])
    fill_rows(
        theta, shape, place, np.zeros(4), log_flow, log_level, weight, 0.0513, residual, slope
    )
    fill_curve(theta, shape, np.array(TEMPERATURES_C), 30.0, 0, 66.0, 4, residual, slope)
    return residual, slope


def test_derivatives_agree_with_differences() -> None:
    theta = np.array([-0.02, np.log(6.0), *np.log([8.0, 9.0, 10.0]), np.log(0.9), 130.0])
    _, slope = filled(theta)
    for i in range(theta.size):
        step = np.zeros(theta.size)
        step[i] = 1e-5 * max(abs(theta[i]), 1.0)
        change = (filled(theta + step)[0] - filled(theta - step)[0]) / (2.0 * step[i])
        assert np.allclose(slope[:, i], change, rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("kind", sorted(EVIDENCE))
def test_declared_noise_is_of_the_reading_and_of_the_scale(kind: str) -> None:
    evidence = EVIDENCE[kind]
    small = evidence.noise_absolute / evidence.noise_relative
    shots = [Extrusion(220.0, 5.0, 100.0, **{evidence.column: value}) for value in (small, 1e6)]
    deviation = melt_points(shots, kind=kind).deviation
    assert deviation[0] == pytest.approx(np.sqrt(2.0) * evidence.noise_relative)
    assert deviation[1] == pytest.approx(evidence.noise_relative, rel=1e-3)


def test_levels_are_shares_of_what_was_commanded() -> None:
    length = Extrusion(220.0, 5.0, 80.0, delivered_mm=72.0)
    assert melt_points([length]).level == pytest.approx([0.9])
    mass = Extrusion(220.0, 5.0, 80.0, delivered_mass_g=0.4 * FULL_g)
    assert melt_points([mass]).level == pytest.approx([0.5])
    pulled = Extrusion(220.0, 5.0, 80.0, bond_force_N=300.0, bond_section_mm2=12.0)
    assert melt_points([pulled]).level == pytest.approx([25.0])
    bare = Extrusion(220.0, 5.0, 80.0, bond_force_N=300.0)
    assert melt_points([bare], section_mm2=10.0).level == pytest.approx([30.0])


@pytest.mark.parametrize(
    ("shot", "message"),
    [
        (Extrusion(220.0, 5.0, 0.0, delivered_mm=9.0), "commanded amount or section"),
        (Extrusion(220.0, 5.0, -3.0, delivered_mass_g=0.2), "commanded amount or section"),
        (Extrusion(220.0, 5.0, 80.0, bond_force_N=-1.0), "bond_force_N must be positive"),
        (Extrusion(220.0, 5.0, 80.0, delivered_mm=0.0), "delivered_mm must be positive"),
    ],
)
def test_points_without_an_amount_are_refused(shot: Extrusion, message: str) -> None:
    with pytest.raises(BadInput, match=message):
        melt_points([shot])


def test_the_curve_passes_through_the_limits_and_knows_its_own_temperatures() -> None:
    fit = fit_melt(weighed(5))
    at_known, _ = fit.curve.at(np.array(TEMPERATURES_C))
    assert np.allclose(at_known, [np.log(q.limit.value) for q in fit.limits])
    assert [fit.curve.place_of(at) for at in (200.3, 219.8, 240.0)] == [0, 1, 2]
    with pytest.raises(BadInput, match="no weighings at this temperature"):
        fit.curve.place_of(210.0)


def test_doubt_grows_away_from_what_was_measured() -> None:
    curve: LimitCurve = fit_melt(weighed(5)).curve
    _, beyond = curve.at(np.array([240.0, 250.0, 260.0, 280.0]))
    assert (np.diff(beyond) > 0.0).all()
    _, under = curve.at(np.array([200.0, 195.0, 190.0, 185.0]))
    assert (np.diff(under) > 0.0).all()


def test_even_surface_interval_closes_at_the_reference() -> None:
    fit = fit_melt(weighed(9))
    flow = 0.5 * fit.flow_limit(220.0).value
    rows = fit.even_surface_table(
        [0.5 * flow, flow, 1.6 * flow], reference_C=220.0, reference_mm3_per_s=flow
    )
    slow, same, fast = (row.temperature for row in rows)
    assert same.low == pytest.approx(220.0)
    assert same.high == pytest.approx(220.0)
    assert slow.high < 220.0 < fast.low
