"""The operating point against the models' own steady hold, over many heaters."""

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hotbench.control.feedforward import flow_duty
from hotbench.control.reduce import operating_point
from hotbench.core.errors import BadInput
from hotbench.models.heater import heater_model, hold_of

AMBIENT_C = 23.0
SLEEVE = {
    "heating_K_per_s": 21.0,
    "falloff_per_K": 8e-4,
    "loss_per_s": 0.006,
    "loss_growth_per_K": 1e-3,
    "fan_loss_per_s": 0.01,
    "fan_exponent": 0.6,
    "exchange_per_s": 0.05,
    "capacity_ratio": 0.6,
    "far_fan_loss_per_s": 0.005,
    "load_per_mm3": 5e-4,
}
"""An invented heater."""
FACTORS = st.floats(0.3, 3.0)
HEATERS = st.fixed_dictionaries(
    {
        "loss_per_s": FACTORS,
        "loss_growth_per_K": FACTORS,
        "exchange_per_s": FACTORS,
        "capacity_ratio": FACTORS,
        "far_fan_loss_per_s": FACTORS,
    }
)


def varied(factors: Mapping[str, float], far_loss: float = 1.0) -> dict[str, float]:
    changed = {name: SLEEVE[name] * factor for name, factor in factors.items()}
    return {**SLEEVE, **changed, "far_loss_ratio": far_loss}


@given(
    factors=HEATERS,
    far_loss=st.floats(0.02, 20.0),
    at_C=st.floats(60.0, 260.0),
    fan=st.sampled_from([0.0, 0.5, 1.0]),
)
def test_duty_and_far_node_are_those_of_the_models_balance(
    factors: dict[str, float], far_loss: float, at_C: float, fan: float
) -> None:
    """The root found here against the quadratic's closed form there."""
    parameters = varied(factors, far_loss)
    vector = heater_model("two-node").vector(parameters, AMBIENT_C)
    hold = hold_of(vector, at_C - AMBIENT_C, fan)
    assume(hold.duty < 0.99)
    point = operating_point(
        "two-node", parameters, temperature_C=at_C, ambient_C=AMBIENT_C, fan=fan
    )
    assert point.far_K == pytest.approx(hold.far_K, rel=1e-9)
    assert point.duty == pytest.approx(hold.duty, rel=1e-9)
    assert 0.0 < point.far_K <= point.near_K


@given(factors=HEATERS, far_loss=st.floats(0.02, 20.0))
def test_the_gain_is_the_slope_of_the_holding_temperature(
    factors: dict[str, float], far_loss: float
) -> None:
    """Steady gain against a difference quotient of the models' balance: K per unit of duty."""
    parameters = varied(factors, far_loss)
    vector = heater_model("two-node").vector(parameters, AMBIENT_C)
    rises_K = np.array([196.9, 197.0, 197.1])
    below, duty, above = (hold_of(vector, float(rise)).duty for rise in rises_K)
    assume(duty < 0.99)
    point = operating_point("two-node", parameters, temperature_C=220.0, ambient_C=AMBIENT_C)
    assert point.process.gain == pytest.approx(0.2 / (above - below), rel=1e-4)


@given(flow=st.floats(0.1, 20.0))
def test_a_flow_asks_for_the_duty_that_its_feed_forward_adds(flow: float) -> None:
    at = {"temperature_C": 220.0, "ambient_C": AMBIENT_C}
    idle = operating_point("two-node", SLEEVE, **at)
    fed = operating_point("two-node", SLEEVE, flow_mm3_per_s=flow, **at)
    added = flow * flow_duty(idle.load_K_per_mm3, idle.power_K_per_s)
    assert fed.duty - idle.duty == pytest.approx(added, rel=1e-9)


@pytest.mark.parametrize("at_C", [AMBIENT_C, 10.0, 900.0])
def test_what_needs_no_power_or_more_than_there_is_cannot_be_held(at_C: float) -> None:
    with pytest.raises(BadInput, match="needs none"):
        operating_point("two-node", SLEEVE, temperature_C=at_C, ambient_C=AMBIENT_C)
