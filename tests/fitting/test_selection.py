import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.fitting.selection import TIE, Candidate, bic, choose, inflation


def candidate(bic_value: float, held_out: float = math.nan) -> Candidate:
    return Candidate("model", 3, 1.0, bic_value, held_out)


def test_inflation_of_white_noise_is_one() -> None:
    noise = np.random.default_rng(1).standard_normal(20000)
    assert inflation([noise]) == pytest.approx(1.0, abs=0.1)


def test_inflation_of_a_first_order_process_is_the_known_one() -> None:
    """Source: integrated autocorrelation of AR(1), (1 + phi) / (1 - phi)."""
    random, phi = np.random.default_rng(2), 0.9
    values = np.zeros(100000)
    noise = random.standard_normal(values.size)
    for k in range(1, values.size):
        values[k] = phi * values[k - 1] + noise[k]
    assert inflation([values]) == pytest.approx(19.0, rel=0.15)


def test_inflation_of_nothing_is_one() -> None:
    assert inflation([np.zeros(50)]) == 1.0


def test_bic_charges_the_logarithm_of_the_effective_samples() -> None:
    more = bic(100.0, 1000, 10.0, 5) - bic(100.0, 1000, 10.0, 4)
    assert more == pytest.approx(math.log(100.0))


def test_a_tie_goes_to_the_smaller_model() -> None:
    assert choose([candidate(0.0), candidate(-TIE + 0.1)]) == 0
    assert choose([candidate(0.0), candidate(-TIE - 0.1)]) == 1


def test_a_larger_model_must_predict_better_what_was_held_out() -> None:
    assert choose([candidate(0.0, 1.0), candidate(-100.0, 1.2)]) == 0
    assert choose([candidate(0.0, 1.0), candidate(-100.0, 0.8)]) == 1


def test_what_was_held_out_decides_a_tie() -> None:
    assert choose([candidate(0.0, 1.0), candidate(TIE - 0.1, 0.8)]) == 1
    assert choose([candidate(0.0, 1.0), candidate(TIE + 0.1, 0.8)]) == 0
    assert choose([candidate(0.0, 1.0), candidate(-TIE + 0.1, 1.2)]) == 0


def test_an_idle_middle_model_does_not_bar_a_better_large_one() -> None:
    assert choose([candidate(0.0), candidate(5.0), candidate(-50.0)]) == 2


@given(
    st.lists(
        st.tuples(st.floats(-1e4, 1e4), st.one_of(st.just(math.nan), st.floats(0.01, 10.0))),
        min_size=1,
        max_size=6,
    )
)
def test_what_is_kept_beats_the_smallest_model(
    offers: list[tuple[float, float]],
) -> None:
    candidates = [Candidate(f"m{i}", i, 1.0, b, h) for i, (b, h) in enumerate(offers)]
    kept = candidates[choose(candidates)]
    told = [not math.isnan(h) for _, h in offers]
    if kept is not candidates[0] and not any(told):
        assert candidates[0].bic - kept.bic > TIE
    assert not all(told) or kept.held_out_rms_K <= candidates[0].held_out_rms_K


@given(st.lists(st.floats(-5.0, 5.0), min_size=3, max_size=80), st.floats(0.1, 100.0))
def test_inflation_knows_no_unit_and_is_at_least_one(values: list[float], factor: float) -> None:
    residual = np.round(np.array(values), 3)
    whole = inflation([residual])
    assert whole >= 1.0
    assert inflation([factor * residual]) == pytest.approx(whole, rel=1e-6)
    assert inflation([residual, residual]) == pytest.approx(whole)
