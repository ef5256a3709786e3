"""Plain tolerance bounds of claims: published factor, and coverage by simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct, norm

from hotbench.fitting.claims import log_bound
from hotbench.fitting.slew import LEAST_SPREAD


def test_bound_is_mean_plus_the_one_sided_factor() -> None:
    # Source of the factor: NIST/SEMATECH e-Handbook 7.2.6.3, k1 = t'(0.95; n-1, z sqrt(n))/sqrt(n)
    # with z the 99 % quantile of the normal distribution; here by scipy's noncentral t.
    logs = np.array([0.0, 0.1, -0.1, 0.2, -0.2, 0.05, -0.05, 0.15, -0.15, 0.0])
    k1 = nct.ppf(0.95, 9, norm.ppf(0.99) * np.sqrt(10.0)) / np.sqrt(10.0)
    assert k1 == pytest.approx(3.981, abs=5e-4)
    expected = logs.mean() + k1 * logs.std(ddof=1)
    assert log_bound(np.exp(logs).tolist(), 0.0, 0.95) == pytest.approx(expected, rel=1e-6)


def test_equal_values_keep_the_least_spread() -> None:
    bound = log_bound([2.0] * 8, 0.0, 0.95)
    assert bound > np.log(2.0) + 2.326 * LEAST_SPREAD


@settings(deadline=None)
@given(
    values=st.lists(st.floats(0.1, 50.0), min_size=2, max_size=12),
    scale=st.floats(0.1, 10.0),
    known=st.floats(0.0, 0.3),
)
def test_bound_lies_above_the_mean_and_scales_with_the_unit(
    values: list[float], scale: float, known: float
) -> None:
    bound = log_bound(values, known, 0.95)
    assert bound > np.mean(np.log(values))
    scaled = log_bound([scale * value for value in values], known, 0.95)
    assert scaled == pytest.approx(bound + np.log(scale), abs=1e-6)


@settings(deadline=None)
@given(values=st.lists(st.floats(0.5, 20.0), min_size=3, max_size=8))
def test_more_doubt_raises_the_bound(values: list[float]) -> None:
    assert log_bound(values, 0.2, 0.95) > log_bound(values, 0.05, 0.95)
    assert log_bound(values, 0.1, 0.99) >= log_bound(values, 0.1, 0.90)


def test_bound_covers_as_claimed() -> None:
    """99 % of future values below it in at least 95 % of samples of five, known spread included."""
    random = np.random.default_rng(63_001)
    own, known = 0.05, 0.1
    needed = norm.ppf(0.99) * np.hypot(own, known)
    held = [
        log_bound(np.exp(own * random.standard_normal(5)).tolist(), known, 0.95) >= needed
        for _ in range(600)
    ]
    assert np.mean(held) >= 0.95 - 2.0 * np.sqrt(0.05 * 0.95 / 600)
