"""Reduction: Skogestad's half-rule examples, and the linear heater against the simulated one."""

from typing import Any

import numpy as np
import pytest

from hotbench.control.process import Process
from hotbench.control.reduce import (
    first_order,
    integrator,
    operating_point,
    second_order,
    without_leads,
)
from hotbench.core.errors import BadInput
from hotbench.models.heater import HeaterState, simulate


@pytest.mark.parametrize(
    ("process", "expected"),
    [
        (Process(1.0, (1.0, 0.2)), Process.first_order(1.0, 1.1, 0.1)),
        (
            Process(1.0, (2.0, 1.0, 0.4, 0.2, 0.05, 0.05, 0.05), (-0.3, 0.08)),
            Process.first_order(1.0, 2.5, 1.47),
        ),
        (
            Process(2.0, (20.0, 1.0, 0.1, 0.1), (15.0,)),
            Process.first_order(1.5, 1.05, 0.15),
        ),
        (Process(1.0, (1.0, 1.0, 1.0, 1.0)), Process.first_order(1.0, 1.5, 2.5)),
    ],
)
def test_half_rule_examples(process: Process, expected: Process) -> None:
    """Skogestad, J. Process Control 13 (2003) 291, table 3: E1, E2, E3 and E4 (four equal lags)."""
    found = first_order(process)
    assert found.gain == pytest.approx(expected.gain)
    assert found.lags_s == pytest.approx(expected.lags_s)
    assert found.dead_s == pytest.approx(expected.dead_s)


def test_half_rule_to_second_order() -> None:
    """The same table, E2: lags 2 and 1.2, dead time 0.77."""
    found = second_order(Process(1.0, (2.0, 1.0, 0.4, 0.2, 0.05, 0.05, 0.05), (-0.3, 0.08)))
    assert found.lags_s == pytest.approx((2.0, 1.2))
    assert found.dead_s == pytest.approx(0.77)
    short = Process(1.0, (2.0, 1.0), (), 0.3)
    assert second_order(short) == short


def test_integrators() -> None:
    assert integrator(Process.first_order(200.0, 10.0, 0.4)) == Process.integrator(20.0, 0.4)
    with_lags = Process(2.0, (0.3, 0.1), (), 0.2, integrating=True)
    assert integrator(with_lags).dead_s == pytest.approx(0.6)
    assert integrator(with_lags).gain == 2.0


@pytest.mark.parametrize(
    ("lead", "lag", "dead", "gain", "left"),
    [
        (8.0, 4.0, 1.0, 2.0, ()),
        (8.0, 0.5, 1.0, 8.0, ()),
        (0.8, 0.5, 1.0, 1.0, ()),
        (8.0, 10.0, 1.0, 0.8, ()),
        (3.0, 10.0, 1.0, 0.5, (2.0,)),
        (3.0, 4.0, 1.0, 1.0, (1.0,)),
    ],
)
def test_lead_rules(lead: float, lag: float, dead: float, gain: float, left: Any) -> None:
    """Skogestad 2003, rules T1, T1a, T1b, T2 and both ends of T3, on an integrator."""
    found = without_leads(Process(1.0, (lag,), (lead,), dead, integrating=True))
    assert found.gain == pytest.approx(gain)
    assert found.lags_s == pytest.approx(left)


def test_a_close_smaller_lag_is_cancelled_first() -> None:
    """Skogestad 2003: the larger neighbour is taken unless the smaller is within 1.6 and nearer."""
    close = without_leads(Process(1.0, (10.0, 2.5), (3.0,), 0.1))
    assert close.lags_s == (10.0,)
    far = without_leads(Process(1.0, (10.0, 1.0), (3.0,), 0.1))
    assert far.lags_s == (1.0,)


SHELL = {"shell_exchange_per_s": 0.03, "shell_capacity_ratio": 5.0, "shell_loss_per_s": 6e-3}


@pytest.mark.parametrize("fan", [0.0, 0.5])
@pytest.mark.parametrize(
    "name", ["three-node", "two-node", "one-node", "second-order", "first-order"]
)
def test_linear_heater_follows_the_simulated_one(
    name: str, fan: float, sleeve: dict[str, float]
) -> None:
    """A small duty step around 220 °C, simulated by the nonlinear model, within 1 % of its rise."""
    known = known_by(name, sleeve) | (SHELL if name == "three-node" else {})
    point = operating_point(name, known, temperature_C=220.0, ambient_C=23.0, fan=fan)
    time_s = np.arange(0.0, 40.0, 0.05)
    small = 1e-3
    start = HeaterState(220.0, 23.0 + point.far_K, 220.0, 23.0 + point.shell_K)
    steady = np.full_like(time_s, point.duty + small)
    fans, flows = np.full_like(time_s, fan), np.zeros_like(time_s)
    trace = simulate(name, known, time_s, steady, fans, flows, 23.0, start)
    rise = step_response(point.process, time_s, small)
    assert np.abs(trace.temperature_C - 220.0 - rise).max() < 0.01 * rise.max()


def known_by(name: str, parameters: dict[str, float]) -> dict[str, float]:
    lacking = {
        "three-node": (),
        "two-node": (),
        "one-node": ("exchange_per_s", "capacity_ratio", "far_fan_loss_per_s"),
    }
    linear = ("falloff_per_K", "loss_growth_per_K", *lacking["one-node"])
    absent = lacking.get(name, linear + (("sensor_lag_s",) if name == "first-order" else ()))
    return {key: value for key, value in parameters.items() if key not in absent}


def step_response(process: Process, time_s: Any, step: float) -> Any:
    """Partial fractions of a process with distinct lags, delayed."""
    poles = [-1.0 / lag for lag in process.lags_s]
    delayed = np.clip(time_s - process.dead_s, 0.0, None)
    total = np.full_like(time_s, process.gain)
    for pole in poles:
        numerator = process.gain * np.prod([lead * pole + 1.0 for lead in process.leads_s])
        others = [lag * pole + 1.0 for lag in process.lags_s if -1.0 / lag != pole]
        total = total - numerator / np.prod(others) * np.exp(pole * delayed)
    return step * np.where(time_s >= process.dead_s, total, 0.0)


def test_the_hold_is_a_balance(sleeve: dict[str, float]) -> None:
    """The nonlinear model stays where the operating point says it does."""
    point = operating_point("two-node", sleeve, temperature_C=220.0, ambient_C=23.0, fan=0.3)
    time_s = np.arange(0.0, 60.0, 0.1)
    start = HeaterState(220.0, 23.0 + point.far_K, 220.0, 23.0 + point.shell_K)
    inputs = [np.full_like(time_s, value) for value in (point.duty, 0.3, 0.0)]
    trace = simulate("two-node", sleeve, time_s, *inputs, 23.0, start)
    assert np.abs(trace.temperature_C - 220.0).max() < 1e-6


def test_flow_costs_the_duty_that_its_load_says(sleeve: dict[str, float]) -> None:
    def duty(flow_mm3_per_s: float) -> float:
        conditions = {"temperature_C": 220.0, "ambient_C": 23.0}
        point = operating_point("two-node", sleeve, flow_mm3_per_s=flow_mm3_per_s, **conditions)
        return point.duty

    point = operating_point("two-node", sleeve, temperature_C=220.0, ambient_C=23.0)
    per_flow = point.load_K_per_mm3 / point.power_K_per_s
    assert duty(10.0) - duty(0.0) == pytest.approx(10.0 * per_flow)


def test_a_temperature_beyond_full_power_is_refused(sleeve: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="cannot hold this temperature"):
        operating_point("two-node", sleeve, temperature_C=900.0, ambient_C=23.0)
    with pytest.raises(BadInput, match="did you mean 'loss_per_s'"):
        operating_point("two-node", {"los_per_s": 1.0}, temperature_C=200.0, ambient_C=23.0)
