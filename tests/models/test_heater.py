import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.models.heater import (
    HEATER_MODELS,
    PARAMETERS,
    HeaterState,
    heater_model,
    hold_of,
    hold_state,
    simulate,
    trace_vector,
)
from hotbench.models.heater_steps import P, advance

AMBIENT_C = 22.0
TWO = {
    "exchange_per_s": 0.05,
    "capacity_ratio": 3.0,
    "far_loss_ratio": 1.7,
    "sensor_lag_s": 0.7,
    "dead_time_s": 0.23,
}


def stamps(count: int, interval_s: float, seed: int = 1) -> FloatArray:
    random = np.random.default_rng(seed)
    return np.cumsum(interval_s * (1.0 + 0.1 * random.uniform(-1.0, 1.0, count)))


def inputs(time_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    duty = np.where(time_s % 60.0 < 25.0, 1.0, 0.15)
    fan = np.where(time_s > 40.0, 0.5, 0.0)
    return duty, fan, np.where(time_s > 70.0, 5.0, 0.0)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_cold_and_unheated_stays_at_ambient(name: str) -> None:
    time_s = stamps(50, 0.2)
    zero = np.zeros(50)
    trace = simulate(name, {}, time_s, zero, zero, zero, AMBIENT_C)
    np.testing.assert_allclose(trace.temperature_C, AMBIENT_C, atol=1e-9)
    np.testing.assert_allclose(trace.far_C, AMBIENT_C, atol=1e-9)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_hold_duty_holds_the_hold_state(name: str) -> None:
    model = heater_model(name)
    vector = model.vector({}, AMBIENT_C)
    state = hold_state(vector, 210.0, fan=0.5)
    duty = hold_of(vector, 210.0 - AMBIENT_C, fan=0.5).duty
    time_s = stamps(200, 1.0)
    flat = np.ones(200)
    trace = simulate(name, {}, time_s, duty * flat, 0.5 * flat, 0.0 * flat, AMBIENT_C, state)
    np.testing.assert_allclose(trace.temperature_C, 210.0, atol=1e-6)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_readings_see_the_sensor_a_dead_time_earlier(name: str) -> None:
    time_s = np.arange(0.0, 100.0, 0.25)
    columns = inputs(time_s)
    now = simulate(name, {"dead_time_s": 0.0}, time_s, *columns, AMBIENT_C).temperature_C
    late = simulate(name, {"dead_time_s": 1.0}, time_s, *columns, AMBIENT_C).temperature_C
    np.testing.assert_allclose(late[4:], now[:-4], atol=2e-3)
    np.testing.assert_allclose(late[:4], AMBIENT_C)


def test_first_order_step_as_python_control_has_it() -> None:
    """Source: python-control's forced_response of b / (s + a)."""
    heating, loss = 3.0, 0.01
    time_s = np.linspace(0.0, 300.0, 601)
    values = {"heating_K_per_s": heating, "loss_per_s": loss, "dead_time_s": 0.0}
    zero = np.zeros(601)
    ours = simulate("first-order", values, time_s, zero + 1.0, zero, zero, AMBIENT_C)
    theirs = control.forced_response(control.tf([heating], [1.0, loss]), time_s, zero + 1.0)
    np.testing.assert_allclose(ours.temperature_C - AMBIENT_C, theirs.outputs, rtol=0, atol=1e-9)


@pytest.mark.parametrize("lag_s", [0.4, 5.0, 100.0 * (1 + 1e-9), 100.0])
def test_second_order_step_as_python_control_has_it(lag_s: float) -> None:
    """Source: python-control, b / ((s + a)(tau s + 1)); the last rows have equal time constants."""
    time_s = np.linspace(0.0, 300.0, 601)
    values = {
        "heating_K_per_s": 3.0,
        "loss_per_s": 0.01,
        "dead_time_s": 0.0,
        "sensor_lag_s": lag_s,
    }
    zero = np.zeros(601)
    ours = simulate("second-order", values, time_s, zero + 1.0, zero, zero, AMBIENT_C)
    system = control.tf([3.0], np.polymul([1.0, 0.01], [lag_s, 1.0]))
    theirs = control.forced_response(system, time_s, zero + 1.0)
    np.testing.assert_allclose(ours.temperature_C - AMBIENT_C, theirs.outputs, rtol=0, atol=1e-9)


def test_first_order_with_fractional_dead_time_on_jittered_stamps_is_exact() -> None:
    """Source: superposition of step responses, b/a (1 - exp(-a t)) per change of duty."""
    heating, loss, dead_s = 3.0, 0.01, 0.3217
    time_s = stamps(400, 0.5)
    duty = inputs(time_s)[0]
    values = {"heating_K_per_s": heating, "loss_per_s": loss, "dead_time_s": dead_s}
    zero = np.zeros(400)
    ours = simulate("first-order", values, time_s, duty, zero, zero, AMBIENT_C).temperature_C
    since = np.maximum(time_s[:, None] - dead_s - time_s[None, :], 0.0)
    steps = np.diff(duty, prepend=0.0)
    exact = AMBIENT_C + (heating / loss * -np.expm1(-loss * since)) @ steps
    np.testing.assert_allclose(ours, exact, rtol=0, atol=1e-9)


def test_lumped_junction_reaches_its_temperature_in_the_published_time() -> None:
    """Source: Incropera & DeWitt, example 5.1: junction from 25 to 199 C in gas at 200 C, 5.2 s.

    h 400 W/m2K, k 20, c 400 J/kgK, rho 8500 kg/m3, diameter 7.06e-4 m: loss 6 h / (rho c D).
    """
    loss = 6.0 * 400.0 / (8500.0 * 400.0 * 7.06e-4)
    time_s = np.linspace(0.0, 6.0, 6001)
    zero = np.zeros(6001)
    values = {"loss_per_s": loss, "dead_time_s": 0.0}
    start = HeaterState.uniform(25.0)
    trace = simulate("first-order", values, time_s, zero, zero, zero, 200.0, start)
    reached_s = np.interp(199.0, trace.temperature_C, time_s)
    assert reached_s == pytest.approx(5.2, abs=0.05)
    assert reached_s == pytest.approx(np.log(175.0) / loss, abs=1e-4)


@pytest.mark.parametrize("name", ["one-node", "two-node"])
def test_nodes_as_a_general_solver_has_them(name: str) -> None:
    """Source: scipy solve_ivp (DOP853, rtol 1e-10), inputs held between the stamps."""
    values = TWO if name == "two-node" else {"sensor_lag_s": 0.7, "dead_time_s": 0.23}
    model = heater_model(name)
    vector = model.vector(values, AMBIENT_C)
    time_s = stamps(500, 0.2)
    duty, fan, flow = inputs(time_s)
    ours = trace_vector(model, vector, time_s, duty, fan, flow)[2]
    np.testing.assert_allclose(ours, reference(vector, time_s, duty, fan, flow), atol=2e-3)


def reference(
    p: FloatArray, time_s: FloatArray, duty: FloatArray, fan: FloatArray, flow: FloatArray
) -> FloatArray:
    state, logged = np.zeros(3), np.zeros(time_s.size)
    wanted_s = time_s - p[P.DEAD]
    for k in range(time_s.size - 1):
        effect = fan[k] ** p[P.EXPONENT] if fan[k] > 0.0 else 0.0

        def rates(_: float, x: FloatArray, k: int = k, effect: float = effect) -> list[float]:
            shed = p[P.LOSS] * (1 + p[P.GROWTH] * abs(x[0])) + p[P.FAN] * effect
            near = p[P.HEATING] * duty[k] * (1 - p[P.FALLOFF] * x[0])
            near -= x[0] * (shed + p[P.LOAD] * flow[k]) + p[P.EXCHANGE] * (x[0] - x[1])
            far = p[P.RATIO] * p[P.EXCHANGE] * (x[0] - x[1])
            still = p[P.LOSS] * p[P.FAR_LOSS]
            far -= x[1] * (still * (1 + p[P.GROWTH] * abs(x[1])) + p[P.FAR_FAN] * effect)
            return [near, far, (x[0] - x[2]) / p[P.LAG]]

        span = (time_s[k], time_s[k + 1])
        inside = (wanted_s >= span[0]) & (wanted_s < span[1])
        found = solve_ivp(rates, span, state, "DOP853", dense_output=True, rtol=1e-10, atol=1e-10)
        if inside.any():
            logged[inside] = found.sol(wanted_s[inside])[2]
        state = found.y[:, -1]
    return logged


def test_advance_moves_as_the_trace_does() -> None:
    vector = heater_model("two-node").vector(TWO, AMBIENT_C)
    state = np.zeros(4)
    for _ in range(100):
        advance(vector, state, 0.2, 0.8, 0.3, 0.0)
    time_s = np.linspace(0.0, 20.0, 101)
    flat = np.ones(101)
    trace = simulate("two-node", TWO, time_s, 0.8 * flat, 0.3 * flat, 0 * flat, AMBIENT_C)
    np.testing.assert_allclose(state[:2] + AMBIENT_C, [trace.near_C[-1], trace.far_C[-1]])


def test_a_pause_of_no_length_changes_nothing() -> None:
    time_s = np.array([0.0, 1.0, 1.0, 2.0])
    flat = np.ones(4)
    for name in HEATER_MODELS:
        trace = simulate(name, {}, time_s, flat, 0 * flat, 0 * flat, AMBIENT_C)
        assert np.isfinite(trace.temperature_C).all()
        assert trace.near_C[1] == pytest.approx(trace.near_C[2], abs=1e-9)


def test_unknown_model_and_parameter_are_refused_with_the_nearest_name() -> None:
    time_s = np.arange(3.0)
    with pytest.raises(BadInput, match="did you mean 'two-node'"):
        simulate("two-nodes", {}, time_s, time_s, time_s, time_s, AMBIENT_C)
    with pytest.raises(BadInput, match="did you mean 'loss_per_s'"):
        simulate("two-node", {"loss_per_S": 1.0}, time_s, time_s, time_s, time_s, AMBIENT_C)


@pytest.mark.parametrize(
    ("time_s", "duty", "said"),
    [
        ([0.0, 1.0], [0.0], "one value per sample"),
        ([0.0, 1.0], [0.0, np.nan], "finite"),
        ([1.0, 0.0], [0.0, 0.0], "not decrease"),
    ],
)
def test_inputs_that_make_no_sense_are_refused(
    time_s: list[float], duty: list[float], said: str
) -> None:
    time = np.array(time_s)
    with pytest.raises(BadInput, match=said):
        simulate("one-node", {}, time, np.array(duty), 0 * time, 0 * time, AMBIENT_C)


def test_every_parameter_names_unit_and_source() -> None:
    for place, parameter in PARAMETERS.items():
        assert parameter.source, place
        assert parameter.low <= parameter.default <= parameter.high
