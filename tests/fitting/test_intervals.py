import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from hotbench.core.arrays import FloatArray
from hotbench.fitting.intervals import (
    NO_MODEL_ERROR,
    Information,
    Share,
    half_widths,
)


def information(jacobians: list[FloatArray], residuals: list[FloatArray]) -> Information:
    products = []
    for rows, residual in zip(jacobians, residuals, strict=True):
        bordered = np.column_stack([rows, residual])
        products.append(bordered.T @ bordered)
    count = jacobians[0].shape[1]
    return Information(
        products=np.array(products),
        ridge=np.zeros(count),
        rms_K=1.0,
        inflation=4.0,
        free=np.ones(count, dtype=bool),
    )


def drawn(segments: int, seed: int) -> tuple[list[FloatArray], list[FloatArray]]:
    """Rows of a straight line and white noise, by segment."""
    draws = np.random.default_rng(seed)
    rows = [np.column_stack([np.ones(30), draws.normal(size=30)]) for _ in range(segments)]
    return rows, [draws.normal(size=30) for _ in range(segments)]


def line(segments: int, seed: int) -> tuple[list[FloatArray], list[FloatArray]]:
    """A straight line fitted to noise, residuals (predicted - measured) at the optimum."""
    rows, noise = drawn(segments, seed)
    best = np.linalg.lstsq(np.vstack(rows), np.concatenate(noise), rcond=None)[0]
    return rows, [r @ best - n for r, n in zip(rows, noise, strict=True)]


def test_leaving_a_segment_out_moves_to_the_fit_without_it() -> None:
    rows, residuals = line(5, 1)
    left = information(rows, residuals).left_out()
    kept_rows, kept = np.vstack(rows[1:]), np.concatenate(residuals[1:])
    exact = -np.linalg.lstsq(kept_rows, kept, rcond=None)[0]
    np.testing.assert_allclose(left[0], exact, atol=1e-12)


def test_jackknife_width_is_a_share_of_students_t_times_the_jackknife_spread() -> None:
    rows, residuals = line(6, 2)
    odd = [r + 3.0 * (-1.0) ** i for i, r in enumerate(residuals)]
    known = information(rows, odd)
    moved = known.left_out()[:, 0]
    spread = np.sqrt(5 / 6 * np.sum((moved - moved.mean()) ** 2))
    width = half_widths(known, np.array([[1.0, 0.0]]), np.zeros(1), [NO_MODEL_ERROR])[0]
    assert width == pytest.approx(NO_MODEL_ERROR.jackknife * stats.t.ppf(0.975, 5) * spread)
    assert width > 1.96 * np.sqrt(known.covariance(1.0)[0, 0])


def test_no_width_falls_below_what_white_noise_leaves() -> None:
    known = information(*line(6, 2))
    width = half_widths(known, np.array([[1.0, 0.0]]), np.zeros(1), [NO_MODEL_ERROR])[0]
    assert width == pytest.approx(1.96 * np.sqrt(known.covariance(1.0)[0, 0]))


@pytest.mark.parametrize(
    ("noise_K", "excess_K"),
    [(0.0, 1.0), (0.6, 0.8), (1.0, 0.0), (2.0, 0.0)],
)
def test_model_error_is_what_the_residual_has_beyond_noise(noise_K: float, excess_K: float) -> None:
    known = replace(information(*line(6, 1)), noise_K=noise_K)
    assert known.excess_K == pytest.approx(excess_K)


def test_model_error_widens_in_quadrature() -> None:
    rows, residuals = line(6, 3)
    known = information(rows, residuals)
    slopes = np.array([[1.0, 0.0]])
    plain = half_widths(known, slopes, np.array([10.0]), [NO_MODEL_ERROR])[0]
    wide = half_widths(known, slopes, np.array([10.0]), [Share(0.04)])[0]
    model = 1.96 * 0.04 * known.excess_K * 10.0
    assert wide == pytest.approx(np.hypot(plain, model))


def test_a_residual_within_the_noise_proves_no_more_than_the_least() -> None:
    known = replace(information(*line(6, 3)), noise_K=2.0)
    arguments = np.array([[1.0, 0.0]]), np.array([10.0])
    plain, wide = (half_widths(known, *arguments, [Share(k, least_K=0.2)])[0] for k in (0.0, 0.04))
    assert wide == pytest.approx(np.hypot(plain, 1.96 * 0.04 * 0.2 * 10.0))


def test_what_the_fan_does_is_judged_by_the_residual_with_the_fan_on() -> None:
    known = replace(information(*line(6, 3)), fan_rms_K=2.0)
    arguments = np.array([[1.0, 0.0]]), np.array([10.0])
    plain, fanned = (
        half_widths(known, *arguments, [Share(k, fanned=True)])[0] for k in (0.0, 0.04)
    )
    assert fanned == pytest.approx(np.hypot(plain, 1.96 * 0.04 * 2.0 * 10.0))
    without = replace(known, fan_rms_K=None)
    assert half_widths(without, *arguments, [Share(0.04, fanned=True)]) == half_widths(
        without, *arguments, [Share(0.04)]
    )


def test_few_segments_fall_back_on_the_effective_sample_error() -> None:
    rows, residuals = line(2, 4)
    known = information(rows, residuals)
    width = half_widths(known, np.array([[0.0, 1.0]]), np.zeros(1), [NO_MODEL_ERROR])[0]
    assert width == pytest.approx(2.0 * 1.96 * np.sqrt(known.covariance()[1, 1]))


def test_a_parameter_on_its_bound_neither_moves_nor_spreads() -> None:
    rows, residuals = line(5, 5)
    known = information(rows, residuals)
    stuck = Information(known.products, known.ridge, 1.0, 1.0, np.array([True, False]))
    assert np.all(stuck.left_out()[:, 1] == 0.0)
    assert stuck.covariance()[1, 1] == 0.0


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.floats(1e-3, 1e3))
def test_widths_follow_the_unit_of_the_quantity(seed: int, factor: float) -> None:
    """A quantity in other units has the same relative interval."""
    given_line = information(*line(6, seed))
    slopes, values, shares = np.array([[1.0, 0.5]]), np.array([7.0]), [Share(0.02)]
    width = half_widths(given_line, slopes, values, shares)
    scaled = half_widths(given_line, factor * slopes, factor * values, shares)
    np.testing.assert_allclose(scaled, factor * width, rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_the_segments_does_not_matter(seed: int, shuffle: random.Random) -> None:
    rows, residuals = line(6, seed)
    order = list(range(6))
    shuffle.shuffle(order)
    turned = information([rows[i] for i in order], [residuals[i] for i in order])
    arguments = np.eye(2), np.ones(2), [Share(0.02)] * 2
    expected = half_widths(information(rows, residuals), *arguments)
    np.testing.assert_allclose(half_widths(turned, *arguments), expected, rtol=1e-9)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.floats(0.0, 0.1), st.floats(0.0, 0.1))
def test_more_model_error_never_narrows(seed: int, share: float, more: float) -> None:
    known = information(*line(6, seed))
    values = np.array([3.0, -4.0])
    width = half_widths(known, np.eye(2), values, [Share(share)] * 2)
    assert np.all(half_widths(known, np.eye(2), values, [Share(share + more)] * 2) >= width)
    assert np.all(width >= 1.96 * share * known.rms_K * np.abs(values) * (1.0 - 1e-12))


def test_the_jackknife_covers_what_it_claims_where_the_model_is_right() -> None:
    """The slope of a straight line in white noise, whose truth is 0: 95 % of 400 draws, within
    three standard errors of a share (binomial, 1.1 % each)."""
    inside = []
    for seed in range(400):
        rows, noise = drawn(8, 50_000 + seed)
        best = np.linalg.lstsq(np.vstack(rows), np.concatenate(noise), rcond=None)[0]
        known = information(*line(8, 50_000 + seed))
        width = half_widths(known, np.array([[0.0, 1.0]]), best[1:], [NO_MODEL_ERROR])
        inside.append(abs(best[1]) <= width[0])
    assert 0.95 - 0.033 <= np.mean(inside) <= 0.95 + 0.033
