"""Tolerance factors against the published table and scipy; bounds against simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct, norm

from hotbench.fitting.tolerance import fit_line, tolerance_factor, upper_bound


def test_nist_tolerance_factor() -> None:
    # Source: NIST/SEMATECH e-Handbook, section 7.2.6.3: n = 43, 90 % of the population, 99 %
    # confidence: k1 = 1.8740.
    k1 = tolerance_factor(0.90, 0.99, 42, 1.0 / np.sqrt(43.0))
    assert float(k1) == pytest.approx(1.8740, abs=5e-5)


@pytest.mark.parametrize("dof", [3.0, 10.5, 40.0])
@pytest.mark.parametrize("root", [0.25, 0.6, 1.2])
def test_factor_agrees_with_scipys_noncentral_t(dof: float, root: float) -> None:
    expected = root * nct.ppf(0.95, dof, norm.ppf(0.99) / root)
    assert float(tolerance_factor(0.99, 0.95, dof, root)) == pytest.approx(expected, rel=1e-6)


def test_line_gives_exact_coefficients_and_leverage() -> None:
    x = np.linspace(0.0, 2.0, 7)
    line = fit_line(x, 1.0 + 2.0 * x - 0.5 * x**2, 2)
    assert np.allclose(line.value(x), 1.0 + 2.0 * x - 0.5 * x**2)
    assert line.slope(1.5) == pytest.approx(0.5)
    assert float(np.sum(line.leverage(x))) == pytest.approx(3.0)


def test_known_spread_of_nothing_changes_nothing() -> None:
    x = np.linspace(0.0, 1.0, 9)
    line = fit_line(x, x + 0.05 * np.sin(40.0 * x), 1)
    plain, limit = (
        upper_bound(line, x, coverage=0.99, confidence=0.95, least_spread=0.0, known_spread=known)
        for known in (0.0, 1e-9)
    )
    assert np.allclose(plain, limit, rtol=0.01)


@given(
    coverage=st.floats(0.6, 0.99),
    confidence=st.floats(0.6, 0.95),
    known=st.floats(0.0, 0.3),
    at=st.floats(-1.0, 3.0),
)
@settings(max_examples=40, deadline=None)
def test_bounds_widen_with_what_is_asked_and_with_distance(
    coverage: float, confidence: float, known: float, at: float
) -> None:
    x = np.linspace(0.0, 2.0, 9)
    line = fit_line(x, x + 0.05 * np.sin(40.0 * x), 1)

    def margin(share: float, sure: float, spread: float, x_at: float) -> float:
        here = np.array([x_at])
        bound = upper_bound(
            line, here, coverage=share, confidence=sure, least_spread=0.02, known_spread=spread
        )
        return float((bound - line.value(here))[0])

    plain = margin(coverage, confidence, known, at)
    assert plain > 0.0
    assert margin(coverage + 0.009, confidence, known, at) >= plain
    assert margin(coverage, confidence + 0.04, known, at) >= plain
    assert margin(coverage, confidence, known + 0.1, at) >= plain
    beyond = at + 0.5 if at >= 1.0 else at - 0.5
    assert margin(coverage, confidence, known, beyond) >= plain - 1e-9


@pytest.mark.parametrize("known", [0.0, 0.02, 0.1])
def test_bound_covers_as_claimed(known: float) -> None:
    """The bound must lie above 99 % of future values in 95 % of fits, known spread included."""
    random = np.random.default_rng(11)
    x, at, own = np.linspace(0.0, 1.0, 12), np.array([1.2]), 0.05
    needed = 2.0 + at[0] + norm.ppf(0.99) * np.hypot(own, known)
    held = []
    for _ in range(1500):
        line = fit_line(x, 2.0 + x + own * random.standard_normal(x.size), 1)
        bound = upper_bound(
            line, at, coverage=0.99, confidence=0.95, least_spread=0.0, known_spread=known
        )
        held.append(bound[0] >= needed)
    assert np.mean(held) == pytest.approx(0.95, abs=0.018)
