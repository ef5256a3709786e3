import numpy as np
import pytest

from hotbench.core.arrays import FloatArray
from hotbench.models.heater import START, heater_model, hold_state, trace_vector
from hotbench.models.heater_steps import P
from hotbench.models.rates import (
    Figure,
    combined_lag_s,
    figure_values,
    rates_K_per_s,
    rise_time_s,
    settling_time_s,
)

AMBIENT_C = 25.0


def first_order(heating: float = 2.0, loss: float = 0.005) -> FloatArray:
    values = {"heating_K_per_s": heating, "loss_per_s": loss, "dead_time_s": 1.5}
    return heater_model("first-order").vector(values, AMBIENT_C)


def two_nodes() -> FloatArray:
    return heater_model("two-node").vector({}, AMBIENT_C)


def mean_rate(start_K: float, final_K: float, loss: float, from_K: float, to_K: float) -> float:
    """Exponential approach: t = ln((final - start) / (final - level)) / loss."""
    return abs(to_K - from_K) * loss / abs(np.log((final_K - from_K) / (final_K - to_K)))


def test_first_order_heating_rate_is_the_exponentials() -> None:
    rate = rates_K_per_s(first_order(), [200.0], start_C=None)[0]
    assert rate == pytest.approx(mean_rate(0.0, 400.0, 0.005, 170.0, 180.0), rel=1e-4)


def test_first_order_cooling_rate_is_the_exponentials() -> None:
    rate = rates_K_per_s(first_order(), [200.0], start_C=240.0, duty=0.0)[0]
    assert rate == pytest.approx(mean_rate(215.0, 0.0, 0.005, 180.0, 170.0), rel=1e-4)


def test_rates_come_back_in_the_order_asked() -> None:
    mixed = rates_K_per_s(two_nodes(), [180.0, 120.0, 150.0], start_C=None)
    single = [rates_K_per_s(two_nodes(), [t], start_C=None)[0] for t in (180.0, 120.0, 150.0)]
    assert mixed == pytest.approx(single)


def test_heating_rate_depends_on_the_start() -> None:
    values = {"heating_K_per_s": 25.0, "capacity_ratio": 4.0}
    fast = heater_model("two-node").vector(values, AMBIENT_C)
    figures = [Figure("heating rate", 200.0), Figure("heating rate", 200.0, 150.0)]
    cold, warm = figure_values(fast, figures)
    assert warm > 1.02 * cold


def test_what_is_never_reached_is_no_number() -> None:
    values = figure_values(
        first_order(heating=1.0),
        [
            Figure("heating rate", 300.0),
            Figure("cooling rate", 238.0, 240.0),
            Figure("load", 200.0),
        ],
    )
    assert np.isnan(values[:2]).all()
    assert values[2] == pytest.approx(175.0 * first_order()[P.LOAD])


def test_fan_cools_faster_and_needs_more_duty() -> None:
    kinds = [("cooling rate", 240.0), ("hold duty", None)]
    for kind, start_C in kinds:
        values = figure_values(two_nodes(), [Figure(kind, 200.0, start_C, f) for f in (0, 0.5, 1)])
        assert values[0] < values[1] < values[2]


def test_hold_duty_balances_the_losses() -> None:
    duty = figure_values(first_order(), [Figure("hold duty", 225.0)])[0]
    assert duty == pytest.approx(0.005 * 200.0 / 2.0)


def test_combined_lag_is_how_far_a_ramp_trails() -> None:
    vector = two_nodes()
    time_s = np.linspace(0.0, 20.0, 2001)
    flat = np.ones(2001)
    rises = trace_vector(heater_model("two-node"), vector, time_s, flat, 0 * flat, 0 * flat)
    trails_s = np.interp(rises[2, -1], rises[0], time_s)
    assert combined_lag_s(vector) == pytest.approx(time_s[-1] - trails_s, rel=0.05)


def test_rise_time_of_an_exponential() -> None:
    expected = np.log((400.0 - 20.0) / (400.0 - 180.0)) / 0.005
    assert rise_time_s(first_order(), 225.0) == pytest.approx(expected, rel=1e-4)


def test_settling_time_of_an_exponential() -> None:
    assert settling_time_s(first_order(), 225.0) == pytest.approx(np.log(50.0) / 0.005, rel=1e-4)


def test_cooling_starts_from_the_steady_hold() -> None:
    vector = two_nodes()
    vector[START] = hold_state(vector, 240.0).temperatures_C
    vector[P.DEAD] = 0.0
    time_s = np.arange(0.0, 100.0, 0.02)
    zero = np.zeros(time_s.size)
    logged = AMBIENT_C + trace_vector(heater_model("two-node"), vector, time_s, zero, zero, zero)[2]
    seconds = np.interp(-195.0, -logged, time_s) - np.interp(-205.0, -logged, time_s)
    rate = rates_K_per_s(vector, [200.0], start_C=240.0, duty=0.0)[0]
    assert rate == pytest.approx(10.0 / seconds, rel=1e-3)


@pytest.mark.parametrize(
    ("figure", "label"),
    [
        (Figure("heating rate", 220.0, 150.0), "heating rate at 220 °C from hold 150 °C"),
        (Figure("heating rate", 220.0), "heating rate at 220 °C from cold"),
        (Figure("cooling rate", 220.0, 240.0, 0.5), "cooling rate at 220 °C, fan 0.5"),
        (Figure("combined lag"), "combined lag"),
    ],
)
def test_labels_say_temperature_start_and_fan(figure: Figure, label: str) -> None:
    assert figure.label == label
