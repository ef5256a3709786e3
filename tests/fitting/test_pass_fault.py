"""Claims from passes and faults alone: against quadrature, by invariants, and by simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from hotbench.fitting.pass_fault import (
    OVER_FASTEST,
    SPAN,
    STEEPNESS,
    limit_belief,
    safe_rate_from_faults,
)

RATES = st.lists(st.floats(0.1, 30.0), min_size=1, max_size=15)


def test_belief_agrees_with_quadrature() -> None:
    """The posterior of a probit limit under a flat prior, integrated by scipy."""
    rates, faulted = np.array([1.0, 2.0, 3.0, 3.5]), np.array([False, False, False, True])

    def density(log_limit: float) -> float:
        chance = norm.cdf((np.log(rates) - log_limit) / STEEPNESS)
        return float(np.prod(np.where(faulted, chance, 1.0 - chance)))

    low, high, cut = np.log(0.5), np.log(10.0), np.log(3.4)
    whole, _ = quad(density, low, high, points=[np.log(3.2)])
    below, _ = quad(density, low, cut, points=[np.log(3.2)])
    belief = limit_belief(rates, faulted, 0.5, 10.0)
    assert belief.quantile(below / whole) == pytest.approx(3.4, rel=0.01)
    expected, _ = quad(
        lambda at: density(at) * norm.cdf((np.log(3.0) - at) / STEEPNESS), low, high, points=[cut]
    )
    assert belief.fault_chance(3.0) == pytest.approx(expected / whole, rel=0.02)


@settings(deadline=None)
@given(rates=RATES, mask=st.lists(st.booleans(), min_size=15, max_size=15))
def test_a_claim_never_passes_a_clean_ramp(rates: list[float], mask: list[bool]) -> None:
    tried, faulted = np.array(rates), np.array(mask[: len(rates)])
    claim = safe_rate_from_faults(tried, faulted, 0.99, 0.95)
    if faulted.all():
        assert claim is None
        return
    assert claim is not None
    assert 0.0 < claim.rate_K_per_s <= tried[~faulted].max()
    assert claim.rate_K_per_s < claim.median_K_per_s <= OVER_FASTEST * tried.max() * 1.001
    assert claim.median_K_per_s <= SPAN * tried.min() * 1.001


@settings(deadline=None)
@given(rates=RATES, confidence=st.floats(0.5, 0.95), coverage=st.floats(0.6, 0.99))
def test_asking_for_more_claims_no_more(
    rates: list[float], confidence: float, coverage: float
) -> None:
    tried = np.array(rates)
    clean = np.zeros(tried.size, dtype=np.bool_)
    asked = safe_rate_from_faults(tried, clean, coverage, confidence)
    surer = safe_rate_from_faults(tried, clean, coverage, confidence + 0.04)
    wider = safe_rate_from_faults(tried, clean, coverage + 0.009, confidence)
    assert asked is not None
    assert surer is not None
    assert wider is not None
    assert surer.rate_K_per_s <= asked.rate_K_per_s
    assert wider.rate_K_per_s <= asked.rate_K_per_s


def test_a_fault_at_a_rate_claims_less_than_a_pass() -> None:
    tried = np.array([1.0, 1.5, 2.0, 2.5])
    passed = safe_rate_from_faults(tried, np.zeros(4, dtype=np.bool_), 0.99, 0.95)
    faulted = safe_rate_from_faults(tried, np.array([False, False, False, True]), 0.99, 0.95)
    assert passed is not None
    assert faulted is not None
    assert faulted.rate_K_per_s < passed.rate_K_per_s
    assert "15 %" in passed.assumption


def test_nothing_tried_or_nothing_clean_claims_nothing() -> None:
    assert safe_rate_from_faults(np.array([]), np.array([], dtype=np.bool_), 0.99, 0.95) is None
    assert safe_rate_from_faults(np.array([1.0]), np.array([True]), 0.99, 0.95) is None


def test_claims_are_safe_where_the_assumption_holds() -> None:
    """Boards as steep as assumed, limits anywhere above the first rate; 1 % may fault."""
    random, safe = np.random.default_rng(17), []
    for _ in range(300):
        limit = float(np.exp(random.uniform(np.log(2.0), np.log(15.0))))
        rates = np.geomspace(1.0, 14.0, 10)
        limits = limit * np.exp(STEEPNESS * random.standard_normal(rates.size))
        faulted = rates > limits
        past = int(np.argmax(faulted)) + 1 if faulted.any() else rates.size
        claim = safe_rate_from_faults(rates[:past], faulted[:past], 0.99, 0.95)
        assert claim is not None
        safe.append(norm.cdf(np.log(claim.rate_K_per_s / limit) / STEEPNESS) <= 0.01)
    assert np.mean(safe) >= 0.93  # 95 % less two standard errors of 300 boards
