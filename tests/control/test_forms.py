"""Conversions between forms, scales and sample times."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.control.forms import (
    FULL_SCALES,
    Pid,
    from_ideal,
    from_samples,
    from_scale,
    from_series,
)
from hotbench.core.errors import BadInput

gains = st.floats(1e-3, 1e3)


def test_worked_example() -> None:
    """Series 2, 4 s, 1 s: share 1.25, so ideal 2.5, 5 s, 0.8 s and parallel 2.5, 0.5, 2."""
    pid = from_series(2.0, 4.0, 1.0)
    assert pid.ideal == pytest.approx((2.5, 5.0, 0.8))
    assert (pid.Kp, pid.Ki, pid.Kd) == pytest.approx((2.5, 0.5, 2.0))


@given(gains, gains, gains)
def test_series_round_trip(Kc: float, Ti: float, Td: float) -> None:
    long, short = max(Ti, Td), min(Ti, Td)
    again = from_series(Kc, long, short).series
    assert again == pytest.approx((Kc, long, short), rel=1e-4)


@given(gains, gains, gains)
def test_all_forms_have_one_frequency_response(Kc: float, Ti: float, Td: float) -> None:
    s = 1j * np.array([0.01, 0.3, 7.0])
    series = Kc * (1.0 + 1.0 / (Ti * s)) * (Td * s + 1.0)
    pid = from_series(Kc, Ti, Td)
    ideal_Kc, ideal_Ti, ideal_Td = pid.ideal
    ideal = ideal_Kc * (1.0 + 1.0 / (ideal_Ti * s) + ideal_Td * s)
    assert np.allclose(pid.response(s.imag), series, rtol=1e-9)
    assert np.allclose(ideal, series, rtol=1e-9)


def test_no_series_form_for_a_strong_derivative() -> None:
    with pytest.raises(BadInput, match="no series form"):
        _ = from_ideal(1.0, 2.0, 1.0).series


def test_without_integral_or_derivative_the_forms_coincide() -> None:
    assert Pid(2.0).ideal == (2.0, math.inf, 0.0)
    assert Pid(2.0).series == (2.0, math.inf, 0.0)
    assert from_ideal(2.0, 4.0).series == (2.0, 4.0, 0.0)


@pytest.mark.parametrize("full_scale", FULL_SCALES)
def test_duty_scale_round_trip(full_scale: float) -> None:
    pid = Pid(0.1, 0.02, 0.3, filter_s=0.05)
    board = pid.scaled(full_scale)
    assert board.Kp == pytest.approx(0.1 * full_scale)
    assert board.filter_s == 0.05
    back = from_scale(board.Kp, board.Ki, board.Kd, full_scale)
    assert (back.Kp, back.Ki, back.Kd) == pytest.approx((0.1, 0.02, 0.3))


def test_per_sample_round_trip() -> None:
    """A board that adds errors every 0.2 s needs a fifth of Ki and five times Kd."""
    per_sample = Pid(0.1, 0.02, 0.3).per_sample(0.2)
    assert per_sample == pytest.approx((0.1, 0.004, 1.5))
    back = from_samples(*per_sample, 0.2)
    assert (back.Kp, back.Ki, back.Kd) == pytest.approx((0.1, 0.02, 0.3))


def test_stated_names() -> None:
    pid = from_series(2.0, 4.0, 1.0)
    assert pid.stated("parallel") == pytest.approx({"Kp": 2.5, "Ki": 0.5, "Kd": 2.0})
    assert pid.stated("ideal") == pytest.approx({"Kc": 2.5, "Ti": 5.0, "Td": 0.8})
    assert pid.stated("series") == pytest.approx({"Kc": 2.0, "Ti": 4.0, "Td": 1.0})
