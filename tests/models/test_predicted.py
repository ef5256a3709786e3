"""Predicted slew, dips, smoothing, and the intervals of derived figures."""

import math

import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.models import dips, slew, smoothing
from hotbench.models.heater import heater_model
from hotbench.models.heater_steps import P
from hotbench.models.spread import spread

AMBIENT_C = 24.0


def one_node(**changed: float) -> np.ndarray:
    """Plain exponential cooling: no growth, no falloff, no sensor lag to speak of."""
    values = {
        "heating_K_per_s": 10.0,
        "falloff_per_K": 0.0,
        "loss_per_s": 0.02,
        "loss_growth_per_K": 0.0,
        "fan_loss_per_s": 0.03,
        "fan_exponent": 1.0,
        "sensor_lag_s": 0.01,
        "dead_time_s": 0.0,
    } | changed
    return heater_model("one-node").vector(values, AMBIENT_C)


def draws(vector: np.ndarray, count: int = 30, size: float = 0.03) -> list[np.ndarray]:
    random = np.random.default_rng(7)
    moved = []
    for _ in range(count):
        other = vector.copy()
        other[[P.HEATING, P.LOSS]] *= np.exp(size * random.standard_normal(2))
        moved.append(other)
    return moved


def test_dip_times_follow_the_exponential() -> None:
    spec = dips.DipSpec(220.0, 190.0)
    down_s, back_s = dips.dip_times(one_node(), spec)
    assert down_s == pytest.approx(math.log(196.0 / 168.0) / 0.02 + 0.01, rel=1e-3)
    # Full duty tends to 10/0.02 = 500 K above ambient.
    assert back_s == pytest.approx(math.log(334.0 / 307.0) / 0.02 + 0.01, rel=1e-2)


def test_fan_and_dead_time_count() -> None:
    still, blown = (
        dips.dip_times(one_node(dead_time_s=0.5), dips.DipSpec(220.0, 190.0, fan=fan))
        for fan in (0.0, 1.0)
    )
    assert still[0] - 0.5 == pytest.approx((blown[0] - 0.5) * 2.5, rel=1e-2)
    assert blown[1] > still[1]


def test_long_rest_cools_the_far_node_and_slows_the_way_back() -> None:
    both = {"heating_K_per_s": 10.0, "exchange_per_s": 0.02, "capacity_ratio": 0.5}
    vector = heater_model("two-node").vector(both, AMBIENT_C)
    short, long = (dips.dip_times(vector, dips.DipSpec(220.0, 180.0, rest_s=r)) for r in (1, 300))
    assert short[0] == long[0]
    assert short[1] < long[1]


def test_prediction_orders_its_commands_and_residuals() -> None:
    vector = one_node()
    found = dips.predict_dip(vector, dips.DipSpec(220.0, 190.0), draws=draws(vector))
    assert found.latest_command.value < found.time_down.value < found.earliest_command.value
    lead_s, excess_K = np.array(found.residual_K).T
    assert excess_K[0] == pytest.approx(30.0)
    assert np.all(np.diff(excess_K) <= 1e-9)
    at_down = float(np.interp(found.time_down.value, lead_s, excess_K))
    assert at_down == pytest.approx(2.0, abs=0.3)


def test_given_times_keep_their_intervals() -> None:
    given = [
        Quantity(value=v, unit="s", low=v - 1, high=v + 1, confidence=0.95, basis="fitted")
        for v in (7.7, 4.2)
    ]
    found = dips.predict_dip(one_node(), dips.DipSpec(220.0, 190.0), times=given)
    assert (found.time_down, found.time_back) == tuple(given)
    assert found.earliest_command.value == 8.7


def test_unreachable_dip_is_refused() -> None:
    with pytest.raises(BadInput, match="never gets there"):
        dips.predict_dip(one_node(heating_K_per_s=3.0), dips.DipSpec(220.0, 190.0))
    with pytest.raises(BadInput, match="scoring bands"):
        dips.DipSpec(200.0, 197.0)


def test_power_limits_heating_and_air_limits_cooling() -> None:
    vector = one_node()
    loop = slew.LoopLimits(allowed_lag_K=50.0, trail_s=1.0)
    table = slew.slew_table(vector, [200.0], [0.0, 1.0], loop=loop, draws=draws(vector))
    assert [row.cause for row in table] == ["power", "passive cooling", "passive cooling"]
    heating, still, blown = (row.rate for row in table)
    assert heating.value == pytest.approx(0.9 * 10.0 - 0.02 * 176.0, rel=0.02)
    assert still.value == pytest.approx(0.9 * 0.02 * 176.0, rel=0.02)
    assert blown.value == pytest.approx(2.5 * still.value, rel=0.02)
    assert heating.low is not None
    assert heating.low < heating.value


def test_loop_limits_are_assumed_until_measured() -> None:
    vector = one_node(sensor_lag_s=1.0, dead_time_s=0.5)
    guessed = slew.slew_limit(vector, "heating", 200.0, loop=slew.LoopLimits(allowed_lag_K=3.0))
    assert (guessed.cause, guessed.rate.basis) == ("loop tracking", "assumed")
    assert guessed.rate.value == pytest.approx(3.0 / (2.0 * 1.5))
    measured = slew.LoopLimits(allowed_lag_K=9.0, trail_s=4.0, fault_deviation_K=6.0)
    found = slew.slew_limit(vector, "heating", 200.0, loop=measured)
    assert (found.cause, found.rate.basis) == ("controller fault", "fitted")
    assert found.rate.value == pytest.approx(0.7 * 6.0 / 4.0)
    assert set(dict(found.by_cause)) == {"power", "loop tracking", "controller fault"}


def test_too_weak_a_heater_has_no_safe_rate() -> None:
    weak = one_node(heating_K_per_s=3.0)
    assert slew.physical_rate_K_per_s(weak, "heating", 200.0) == 0.0


@pytest.mark.parametrize("bad", [{"headroom": 1.0}, {"trail_s": 0.0}, {"allowed_lag_K": -1.0}])
def test_impossible_loop_limits_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(BadInput):
        slew.LoopLimits(**bad)


def test_least_look_ahead_uses_the_direction() -> None:
    assert smoothing.least_look_ahead_s(30.0, 10.0, 2.0) == 3.0
    assert smoothing.least_look_ahead_s(-30.0, 10.0, 2.0) == 15.0
    with pytest.raises(BadInput, match="safe rate"):
        smoothing.least_look_ahead_s(30.0, 0.0, 2.0)


def test_smoothing_curve_trades_look_ahead_for_time() -> None:
    curve = smoothing.smoothing_curve(200.0, 230.0, 5.0, [0.0, 3.0, 6.0, 12.0])
    assert [point.time_cost_s for point in curve] == [6.0, 3.0, 0.0, 0.0]
    assert [point.slope_K_per_s for point in curve] == [5.0, 5.0, 5.0, 2.5]


def test_slower_printing_costs_less_than_waiting() -> None:
    cost = smoothing.transition_cost_s(
        200.0, 230.0, 0.0, 5.0, flow_mm3_per_s=20.0, flow_limit=lambda at: 10.0 + (at - 200.0) / 3.0
    )
    # The allowed flow rises evenly from 10 to 20: on average a quarter of the time is lost.
    assert cost == pytest.approx(6.0 * 0.25, rel=1e-3)


def test_spread_of_draws_and_of_jackknife_replicates() -> None:
    random = np.random.default_rng(3)
    sample = random.normal(10.0, 2.0, 400)
    drawn = spread(10.0, sample, "s")
    assert drawn.half_width == pytest.approx(1.96 * 2.0, rel=0.1)
    means = (sample.sum() - sample) / (sample.size - 1)
    mean = spread(float(sample.mean()), means, "s", replicates=True)
    # The jackknife of a mean is its standard error exactly (Efron and Tibshirani, chapter 11).
    error = float(sample.std(ddof=1)) / math.sqrt(sample.size)
    assert mean.half_width == pytest.approx(1.966 * error, rel=1e-3)


def test_spread_without_draws_states_no_interval() -> None:
    assert spread(1.0, [], "s").low is None
    assert spread(1.0, [math.nan, 2.0], "s").confidence is None
