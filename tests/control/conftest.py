"""Two invented heaters of the model family, fast and slow."""

from collections.abc import Mapping

import pytest

from hotbench.control.loop import Scenario
from hotbench.control.process import Process
from hotbench.control.reduce import OperatingPoint, operating_point
from hotbench.control.tune import processes_over
from hotbench.core.quantity import Quantity

SLEEVE = {
    "heating_K_per_s": 21.0,
    "falloff_per_K": 8e-4,
    "loss_per_s": 0.006,
    "loss_growth_per_K": 1e-3,
    "fan_loss_per_s": 0.01,
    "fan_exponent": 0.6,
    "exchange_per_s": 0.05,
    "capacity_ratio": 0.3,
    "far_fan_loss_per_s": 0.005,
    "sensor_lag_s": 0.4,
    "dead_time_s": 0.2,
    "load_per_mm3": 5e-4,
}
BLOCK = {
    **SLEEVE,
    "heating_K_per_s": 3.2,
    "falloff_per_K": 2e-4,
    "loss_per_s": 0.0025,
    "exchange_per_s": 0.01,
    "sensor_lag_s": 1.2,
    "dead_time_s": 0.6,
    "load_per_mm3": 1e-4,
}


def held(parameters: Mapping[str, float], *, fan: float = 0.0) -> OperatingPoint:
    return operating_point(
        "two-node", parameters, temperature_C=220.0, ambient_C=23.0, fan=fan, flow_mm3_per_s=0.0
    )


def spread(parameters: Mapping[str, float], share: float) -> list[Process]:
    """Processes over ± share of the power and of both lags."""
    uncertain = {
        name: Quantity(
            value=parameters[name],
            unit="",
            low=parameters[name] * (1.0 - share),
            high=parameters[name] * (1.0 + share),
            confidence=0.95,
            basis="fitted",
        )
        for name in ("heating_K_per_s", "sensor_lag_s", "dead_time_s")
    }
    return processes_over(lambda values: held({**parameters, **values}).process, uncertain)


def half_flow(parameters: Mapping[str, float], flow_mm3_per_s: float = 7.5) -> Scenario:
    point = held(parameters)
    load = point.load_K_per_mm3 * flow_mm3_per_s / point.power_K_per_s
    return Scenario(load_duty=load, hold_duty=point.duty)


@pytest.fixture(name="sleeve")
def sleeve_fixture() -> dict[str, float]:
    return dict(SLEEVE)


@pytest.fixture(name="block")
def block_fixture() -> dict[str, float]:
    return dict(BLOCK)


@pytest.fixture(name="at_220")
def at_220_fixture():  # type: ignore[no-untyped-def]
    return held


@pytest.fixture(name="over_interval")
def over_interval_fixture():  # type: ignore[no-untyped-def]
    return spread


@pytest.fixture(name="scenario_of")
def scenario_of_fixture():  # type: ignore[no-untyped-def]
    return half_flow
