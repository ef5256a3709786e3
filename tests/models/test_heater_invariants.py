"""What must hold of every heater model, whatever its parameters and inputs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.arrays import FloatArray
from hotbench.models.dips import DipSpec, descent_C, dip_times
from hotbench.models.heater import (
    HEATER_MODELS,
    HeaterState,
    heater_model,
    hold_of,
    hold_state,
    simulate,
)
from hotbench.models.heater_steps import P
from hotbench.models.rates import Figure, crossings_s, figure_values

AMBIENT_C = 23.0
names = st.sampled_from(list(HEATER_MODELS))
fans = st.floats(0.0, 1.0)
rises = st.floats(5.0, 240.0)


@st.composite
def heaters(draw: st.DrawFn) -> tuple[str, dict[str, float]]:
    """A model with physical parameters over the range of real hot ends."""
    name = draw(names)
    drawn = {
        "heating_K_per_s": draw(st.floats(1.5, 25.0)),
        "falloff_per_K": draw(st.floats(0.0, 1e-3)),
        "loss_per_s": draw(st.floats(1e-3, 5e-3)),
        "loss_growth_per_K": draw(st.floats(0.0, 3e-3)),
        "fan_loss_per_s": draw(st.floats(1e-4, 1e-2)),
        "exchange_per_s": draw(st.floats(5e-3, 0.2)),
        "capacity_ratio": draw(st.floats(0.5, 8.0)),
        "far_fan_loss_per_s": draw(st.floats(1e-4, 1e-2)),
        "sensor_lag_s": draw(st.floats(0.1, 3.0)),
        "dead_time_s": draw(st.floats(0.0, 1.0)),
    }
    known = {parameter.name for parameter in heater_model(name).parameters}
    return name, {key: value for key, value in drawn.items() if key in known}


def logged(
    heater: tuple[str, dict[str, float]],
    duty: FloatArray,
    fan: float = 0.0,
    start: HeaterState | None = None,
    interval_s: float = 0.5,
) -> FloatArray:
    name, values = heater
    level = np.full(duty.size, fan)
    time_s = interval_s * np.arange(duty.size)
    trace = simulate(name, values, time_s, duty, level, 0.0 * level, AMBIENT_C, start)
    return trace.temperature_C


def vector_of(heater: tuple[str, dict[str, float]]) -> FloatArray:
    name, values = heater
    return heater_model(name).vector(values, AMBIENT_C)


@settings(deadline=None, max_examples=40)
@given(heaters(), fans)
def test_a_cold_heater_without_power_stays_cold(
    heater: tuple[str, dict[str, float]], fan: float
) -> None:
    np.testing.assert_allclose(logged(heater, np.zeros(60), fan), AMBIENT_C, rtol=0, atol=1e-9)


@settings(deadline=None, max_examples=40)
@given(heaters(), fans, rises)
def test_cooling_falls_all_the_way_and_never_below_the_surroundings(
    heater: tuple[str, dict[str, float]], fan: float, rise_K: float
) -> None:
    """Second law: no power, warmer than the surroundings throughout."""
    start = HeaterState.uniform(AMBIENT_C + rise_K)
    temperature_C = logged(heater, np.zeros(400), fan, start)
    assert np.all(np.diff(temperature_C) <= 1e-9)
    assert temperature_C[-1] >= AMBIENT_C - 1e-9


@settings(deadline=None, max_examples=40)
@given(heaters(), st.lists(st.floats(0.0, 1.0), min_size=3, max_size=30), st.floats(0.0, 1.0))
def test_more_power_is_never_colder(
    heater: tuple[str, dict[str, float]], duty: list[float], more: float
) -> None:
    less = np.repeat(np.array(duty), 4)
    upper = np.minimum(less + more, 1.0)
    assert np.all(logged(heater, upper) >= logged(heater, less) - 1e-9)


@settings(deadline=None, max_examples=40)
@given(heaters(), st.lists(st.floats(0.0, 1.0), min_size=2, max_size=20))
def test_a_log_twice_as_dense_tells_the_same(
    heater: tuple[str, dict[str, float]], duty: list[float]
) -> None:
    """Zero-order hold: repeating an input at half the interval changes nothing."""
    coarse = np.array(duty)
    fine = logged(heater, np.repeat(coarse, 2), interval_s=0.25)
    np.testing.assert_allclose(fine[::2], logged(heater, coarse), rtol=0, atol=2e-2)


@settings(deadline=None, max_examples=40)
@given(heaters(), fans, rises)
def test_the_hold_is_a_balance_with_the_far_node_between_near_and_surroundings(
    heater: tuple[str, dict[str, float]], fan: float, rise_K: float
) -> None:
    vector = vector_of(heater)
    hold = hold_of(vector, rise_K, fan)
    duty = hold.duty
    assert -1e-9 <= hold.far_K <= rise_K + 1e-9
    assert -1e-9 <= hold.shell_K <= rise_K + 1e-9
    assert duty > 0.0
    if duty <= 1.0:
        start = hold_state(vector, AMBIENT_C + rise_K, fan)
        held = logged(heater, np.full(100, duty), fan, start)
        np.testing.assert_allclose(held, AMBIENT_C + rise_K, rtol=0, atol=1e-6)


@settings(deadline=None, max_examples=40)
@given(heaters(), fans, rises, st.floats(0.5, 40.0))
def test_hotter_and_windier_holds_need_more_power(
    heater: tuple[str, dict[str, float]], fan: float, rise_K: float, more_K: float
) -> None:
    vector = vector_of(heater)
    duty = hold_of(vector, rise_K, fan).duty
    assert hold_of(vector, rise_K + more_K, fan).duty > duty
    assert hold_of(vector, rise_K, min(fan + 0.2, 1.2)).duty > duty


@settings(deadline=None, max_examples=40)
@given(heaters())
def test_levels_are_passed_in_their_order(heater: tuple[str, dict[str, float]]) -> None:
    vector, levels_C = vector_of(heater), np.array([60.0, 90.0, 120.0, 150.0])
    up_s = crossings_s(vector, levels_C, start_C=None)
    down_s = crossings_s(vector, levels_C, start_C=200.0, duty=0.0)
    assert np.all(np.diff(up_s[np.isfinite(up_s)]) > 0.0)
    assert np.all(np.diff(down_s[np.isfinite(down_s)]) < 0.0)


@settings(deadline=None, max_examples=40)
@given(heaters(), st.floats(10.0, 60.0))
def test_a_deeper_dip_takes_longer_and_the_fan_shortens_the_way_down(
    heater: tuple[str, dict[str, float]], depth_K: float
) -> None:
    vector = vector_of(heater)
    down_s = dip_times(vector, DipSpec(220.0, 220.0 - depth_K))[0]
    assert dip_times(vector, DipSpec(220.0, 210.0 - depth_K))[0] > down_s
    start = HeaterState.uniform(220.0)
    still = logged(heater, np.zeros(120), 0.0, start)
    assert np.all(logged(heater, np.zeros(120), 1.0, start) <= still + 1e-9)


@settings(deadline=None, max_examples=40)
@given(heaters())
def test_the_descent_agrees_with_the_time_down(heater: tuple[str, dict[str, float]]) -> None:
    vector, spec = vector_of(heater), DipSpec(220.0, 190.0)
    down_s = dip_times(vector, spec)[0]
    at_C = descent_C(vector, spec, np.array([0.0, 0.5 * down_s, down_s, 4.0 * down_s]))
    assert at_C[0] == pytest.approx(220.0, abs=1e-6)
    assert at_C[2] == pytest.approx(192.0, abs=0.05)
    assert np.all(np.diff(at_C) <= 0.0)
    assert at_C[-1] >= spec.to_C


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_figures_do_not_depend_on_the_company_they_are_asked_in(name: str) -> None:
    vector = heater_model(name).vector({}, AMBIENT_C)
    figures = [
        Figure("cooling rate", 180.0, 220.0, 1.0),
        Figure("heating rate", 120.0),
        Figure("hold duty", 150.0),
        Figure("cooling rate", 160.0, 220.0, 0.0),
        Figure("heating rate", 100.0),
        Figure("combined lag"),
    ]
    alone = [figure_values(vector, [figure])[0] for figure in figures]
    np.testing.assert_allclose(figure_values(vector, figures), alone, rtol=1e-12)
    np.testing.assert_allclose(figure_values(vector, figures[::-1]), alone[::-1], rtol=1e-12)


def test_the_dead_time_alone_moves_the_combined_lag() -> None:
    values = {"sensor_lag_s": 1.25, "dead_time_s": 0.5}
    vector = heater_model("two-node").vector(values, AMBIENT_C)
    assert figure_values(vector, [Figure("combined lag")])[0] == pytest.approx(1.75)
    vector[P.DEAD] = 0.75
    assert figure_values(vector, [Figure("combined lag")])[0] == pytest.approx(2.0)
