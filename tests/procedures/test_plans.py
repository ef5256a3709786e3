"""Durations in plans: settling by a loop's lag, and what a person is told."""

import math

import pytest

from hotbench.procedures.plan import ASSUMED_PACE, HEAVY_PACE, QUICK_PACE, Pace, minutes
from hotbench.procedures.waiting import Settling


def test_the_last_kelvins_go_with_a_well_tuned_loops_integral_time() -> None:
    # Skogestad 2003: tau_I = 4 (tau_c + theta) = 8 theta at tau_c = theta
    pace, settling = Pace(lag_s=2.0), Settling(within_K=0.5, window_s=10.0, timeout_s=1000.0)
    assert pace.settle_s(settling) == pytest.approx(8.0 + 16.0 * math.log(2.0 / 0.5))


def test_nobody_waits_longer_than_the_settling_allows_nor_less_than_its_window() -> None:
    slow = Pace(lag_s=100.0)
    assert slow.settle_s(Settling(within_K=0.5, timeout_s=60.0)) == 60.0
    assert slow.settle_s(Settling(within_K=5.0, window_s=10.0)) == pytest.approx(8.0)


def test_without_a_profile_the_range_covers_light_and_heavy_hot_ends() -> None:
    assert ASSUMED_PACE.bounds() == (QUICK_PACE, HEAVY_PACE)
    quick, slow = Pace(lag_s=4.0).bounds()
    assert quick.lag_s == slow.lag_s == 4.0
    assert quick.tail < 1.0 < slow.tail


@pytest.mark.parametrize(
    ("expected_s", "range_s", "said"),
    [
        (600.0, (540.0, 660.0), "about 10 min"),
        (600.0, (400.0, 660.0), "6 to 11 min"),
        (600.0, (590.0, 900.0), "9 to 15 min"),
        (30.0, (20.0, 50.0), "about 1 min"),
        (601.0, (601.0, 601.0), "about 11 min"),
    ],
)
def test_a_person_is_told_one_number_only_where_it_is_clear(
    expected_s: float, range_s: tuple[float, float], said: str
) -> None:
    assert minutes(expected_s, range_s) == said
