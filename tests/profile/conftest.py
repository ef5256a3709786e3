"""An invented machine, as complete as a profile can be."""

from pathlib import Path
from typing import Any

import pytest

from hotbench.core.quantity import Quantity
from hotbench.profile.types import MachineProfile

DIGESTS = {"samples.csv": "0" * 63 + "1", "events.csv": "0" * 63 + "2"}


def fitted(value: float, spread: float, unit: str) -> Quantity:
    return Quantity(
        value=value,
        unit=unit,
        low=value - spread,
        high=value + spread,
        confidence=0.95,
        basis="fitted",
    )


def stated(rate: float, spread: float, suffix: str, column: str, **keys: object) -> dict[str, Any]:
    interval = {f"low_{suffix}": rate - spread, f"high_{suffix}": rate + spread}
    return {column: rate, **interval, "confidence": 0.95, "basis": "fitted", **keys}


def rate(value: float, spread: float, **keys: object) -> dict[str, Any]:
    return stated(value, spread, "K_per_s", "rate_K_per_s", **keys)


def heater() -> dict[str, Any]:
    return {
        "model": "two-node",
        "parameters": {
            "heating_K_per_s": fitted(21.3, 0.4, "K/s"),
            "falloff_per_K": fitted(8e-4, 1e-4, "1/K"),
            "loss_per_s": fitted(6.1e-3, 3e-4, "1/s"),
            "loss_growth_per_K": fitted(1e-3, 2e-4, "1/K"),
            "fan_loss_per_s": fitted(9.8e-3, 5e-4, "1/s"),
            "fan_exponent": fitted(0.6, 0.05, ""),
            "exchange_per_s": fitted(0.05, 0.004, "1/s"),
            "capacity_ratio": fitted(0.3, 0.03, ""),
            "far_fan_loss_per_s": fitted(5e-3, 6e-4, "1/s"),
            "sensor_lag_s": fitted(0.41, 0.2, "s"),
            "dead_time_s": fitted(0.21, 0.2, "s"),
        },
        "ambient": fitted(23.1, 0.3, "°C"),
        "valid_temperature": {"low": 24.0, "high": 240.0, "unit": "°C"},
        "heating_rate": [
            rate(19.4, 0.4, temperature_C=150.0, start="cold"),
            rate(18.5, 0.4, temperature_C=220.0, start="cold"),
            rate(26.3, 0.7, temperature_C=220.0, start="hold 150"),
        ],
        "cooling_rate": [
            rate(3.1, 0.1, temperature_C=220.0, fan=0.0),
            rate(6.6, 0.2, temperature_C=220.0, fan=1.0),
        ],
        "combined_lag": fitted(0.62, 0.05, "s"),
        "hold_duty": [
            stated(0.11, 0.01, "fraction", "duty_fraction", temperature_C=150.0, fan=0.0),
            stated(0.21, 0.01, "fraction", "duty_fraction", temperature_C=220.0, fan=0.0),
        ],
        "load_per_flow": fitted(0.11, 0.02, "K/mm3"),
        "validation": [
            {"run": "step-1", "phase": "validate heat 220", "rms_K": 0.9, "worst_K": 2.1}
        ],
        "unidentified": [
            {
                "parameter": "fan exponent",
                "test": "record step --fan 0.5",
                "reason": "no middle fan",
            }
        ],
    }


def slew() -> list[dict[str, Any]]:
    evidence = {"trials": 12, "faults": 0, "confirmed": True, "runs": ["ramp-1"]}
    return [
        rate(
            9.6,
            0.5,
            direction="heating",
            temperature_C=220.0,
            limiting_cause="controller fault",
            coverage=0.99,
            evidence=evidence,
        ),
        rate(
            2.6,
            0.2,
            direction="cooling",
            temperature_C=220.0,
            limiting_cause="passive cooling",
            evidence=evidence,
        ),
    ]


def melt() -> dict[str, Any]:
    return {
        "material": "PLA, natural",
        "filament_diameter_mm": 1.75,
        "evidence_kind": "delivered mass",
        "criterion": "5 % less delivered than at low flow",
        "weighings": 32,
        "flow_limit": [
            stated(14.2, 0.6, "mm3_per_s", "flow_mm3_per_s", temperature_C=200.0),
            stated(15.6, 0.6, "mm3_per_s", "flow_mm3_per_s", temperature_C=220.0),
        ],
        "minimum_temperature": [
            stated(203.0, 9.0, "C", "temperature_C", flow_mm3_per_s=14.5),
            stated(214.0, 9.5, "C", "temperature_C", flow_mm3_per_s=15.2),
        ],
        "alpha_L_eff": fitted(1.9, 0.2, "mm3/s"),
        "softening_temperature": fitted(148.0, 6.0, "°C"),
        "validity": {
            "low_C": 195.0,
            "high_C": 240.0,
            "low_mm3_per_s": 3.0,
            "high_mm3_per_s": 19.0,
        },
    }


def control() -> dict[str, Any]:
    return {
        "rule": "SIMC PI",
        "form": "parallel",
        "at_temperature_C": 220.0,
        "duty_full_scale": 255.0,
        "sample_time_s": 0.1,
        "gains": {"Kp": fitted(4.1, 0.3, "1/K"), "Ki": fitted(0.6, 0.1, "1/(K s)")},
        "gain_margin": fitted(3.14, 0.2, ""),
        "phase_margin": fitted(61.4, 2.0, "deg"),
        "maximum_sensitivity": fitted(1.59, 0.06, ""),
        "overshoot": fitted(0.8, 0.4, "K"),
    }


def provenance() -> dict[str, Any]:
    common = {"created": "2026-03-02T09:00:00Z", "simulated": True, "sha256": DIGESTS}
    return {
        "software_version": "0.1.0",
        "date": "2026-03-02T09:00:00Z",
        "options": {"seed": 0, "fault_spread": 0.05},
        "runs": [
            {"run": "step-1", "procedure": "step", **common},
            {"run": "ramp-1", "procedure": "ramp", **common},
            {"run": "extrude-1", "procedure": "extrude", **common},
        ],
    }


def sections() -> dict[str, Any]:
    dip = {
        "from_C": 220.0,
        "to_C": 190.0,
        "fan": 1.0,
        "time_down": fitted(5.2, 0.2, "s"),
        "time_back": fitted(2.4, 0.1, "s"),
        "earliest_command": fitted(5.8, 0.3, "s"),
    }
    return {
        "machine": {
            "name": "bench sleeve",
            "firmware": "board 1.4",
            "simulated": True,
            "limit_temperature_C": 260.0,
        },
        "heater": heater(),
        "slew": slew(),
        "dips": [dip],
        "melt": melt(),
        "control": control(),
        "provenance": provenance(),
    }


@pytest.fixture(name="plain")
def plain_fixture() -> dict[str, Any]:
    return sections()


@pytest.fixture(name="profile")
def profile_fixture() -> MachineProfile:
    return MachineProfile.model_validate(sections())


@pytest.fixture(name="demo_folder")
def demo_folder_fixture() -> Path:
    return Path(__file__).parents[2] / "data_demo"
