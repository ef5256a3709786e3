"""Look-ahead and its cost: closed forms and invariants."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.models.smoothing import least_look_ahead_s, smoothing_curve, transition_cost_s

RATES = st.floats(0.05, 30.0)
ENDS = st.floats(150.0, 280.0)


def test_least_look_ahead_is_the_step_over_the_rate_of_its_direction() -> None:
    assert least_look_ahead_s(30.0, 6.0, 1.5) == 5.0
    assert least_look_ahead_s(-30.0, 6.0, 1.5) == 20.0
    assert least_look_ahead_s(0.0, 6.0, 1.5) == 0.0


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan")])
def test_a_rate_that_is_none_is_refused(rate: float) -> None:
    with pytest.raises(BadInput, match="must be positive"):
        least_look_ahead_s(10.0, rate, 1.0)
    with pytest.raises(BadInput, match="must be positive"):
        smoothing_curve(200.0, 220.0, rate, [1.0])


def test_a_print_that_waits_pays_for_what_look_ahead_leaves_out() -> None:
    assert transition_cost_s(220.0, 190.0, 5.0, 2.0) == 10.0
    assert transition_cost_s(220.0, 190.0, 15.0, 2.0) == 0.0
    assert transition_cost_s(220.0, 190.0, -3.0, 2.0) == 15.0


def test_a_print_that_slows_pays_the_mean_of_the_missing_flow() -> None:
    # Flow limit linear from 5 to 10 mm³/s over the ramp of 10 s, 10 wanted: a quarter is missing.
    cost_s = transition_cost_s(
        200.0, 220.0, 0.0, 2.0, flow_mm3_per_s=10.0, flow_limit=lambda at: 5.0 + (at - 200.0) / 4.0
    )
    assert cost_s == pytest.approx(2.5)


def test_a_flow_that_every_temperature_allows_costs_nothing() -> None:
    cost_s = transition_cost_s(
        200.0, 220.0, 0.0, 2.0, flow_mm3_per_s=3.0, flow_limit=lambda at: at / 20.0
    )
    assert cost_s == 0.0


@given(from_C=ENDS, to_C=ENDS, rate=RATES)
def test_cost_falls_to_nothing_at_the_least_look_ahead(
    from_C: float, to_C: float, rate: float
) -> None:
    least_s = least_look_ahead_s(to_C - from_C, rate, rate)
    points = smoothing_curve(from_C, to_C, rate, np.linspace(0.0, 2.0 * least_s, 9).tolist())
    costs = [point.time_cost_s for point in points]
    assert costs == sorted(costs, reverse=True)
    assert costs[0] == pytest.approx(least_s)
    assert all(cost == pytest.approx(0.0, abs=1e-9) for cost in costs[4:])
    assert all(point.slope_K_per_s <= rate * (1.0 + 1e-9) for point in points)
    assert [point.early_s for point in points] == [point.look_ahead_s for point in points]


@given(from_C=ENDS, to_C=ENDS, rate=RATES, ahead_s=st.floats(0.0, 60.0), flow=st.floats(1.0, 40.0))
def test_slowing_never_costs_more_than_waiting(
    from_C: float, to_C: float, rate: float, ahead_s: float, flow: float
) -> None:
    waiting = transition_cost_s(from_C, to_C, ahead_s, rate)
    slowed = transition_cost_s(
        from_C, to_C, ahead_s, rate, flow_mm3_per_s=flow, flow_limit=lambda at: at / 15.0
    )
    assert 0.0 <= slowed <= waiting + 1e-9
