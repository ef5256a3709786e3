"""Rows from quantities and back; what the types refuse."""

from typing import Any

import pytest
from pydantic import ValidationError

from hotbench.core.quantity import Quantity
from hotbench.profile.types import (
    Control,
    CoolingRate,
    Dip,
    HeatingRate,
    MachineProfile,
    MinimumTemperature,
    Range,
    SlewRate,
    Validity,
    spelled,
)

RATE = Quantity(value=3.0, unit="K/s", low=2.8, high=3.1, confidence=0.95, basis="fitted")
SECONDS = Quantity(value=3.0, unit="s", basis="measured")


def test_row_of_a_quantity_gives_it_back() -> None:
    row = CoolingRate.of(RATE, temperature_C=220.0, fan=0.5)
    assert row.quantity == RATE
    assert row.keys == {"temperature_C": 220.0, "fan": 0.5}


def test_row_accepts_other_spellings_of_its_unit_only() -> None:
    needed = Quantity(value=210.0, unit="degC", basis="fitted")
    assert MinimumTemperature.of(needed, flow_mm3_per_s=12.0).temperature_C == 210.0
    with pytest.raises(ValueError, match="HeatingRate is in 'K/s', got 's'"):
        HeatingRate.of(SECONDS, temperature_C=220.0, start="cold")


def test_spelling() -> None:
    assert [spelled(unit) for unit in ("degC", "mm³/s", "K/s")] == ["°C", "mm3/s", "K/s"]


def test_row_refuses_an_interval_beside_its_value() -> None:
    with pytest.raises(ValidationError, match="does not hold the value"):
        HeatingRate(
            temperature_C=220.0,
            start="cold",
            rate_K_per_s=5.0,
            low_K_per_s=1.0,
            high_K_per_s=2.0,
            confidence=0.95,
            basis="fitted",
        )


def test_a_slew_claim_may_be_one_sided() -> None:
    row = SlewRate(
        direction="heating",
        temperature_C=220.0,
        rate_K_per_s=9.0,
        limiting_cause="controller fault",
        coverage=0.99,
        confidence=0.95,
        basis="fitted",
    )
    assert row.quantity == Quantity(value=9.0, unit="K/s", basis="fitted")


def test_a_dip_goes_down() -> None:
    with pytest.raises(ValidationError, match="a dip goes down"):
        Dip(from_C=190.0, to_C=220.0, fan=1.0, time_down=SECONDS, time_back=SECONDS)


def test_ranges_are_ordered() -> None:
    with pytest.raises(ValidationError, match="is above high"):
        Range(low=2.0, high=1.0, unit="s")
    with pytest.raises(ValidationError, match="above its high end"):
        Validity(low_C=240.0, high_C=190.0, low_mm3_per_s=1.0, high_mm3_per_s=2.0)


def test_gains_carry_the_names_of_their_form() -> None:
    gain = Quantity(value=0.1, unit="1/K", basis="fitted")
    with pytest.raises(ValidationError, match="a series form has Kc, Ti, Td, not Kp"):
        Control(rule="SIMC", form="series", at_temperature_C=220.0, gains={"Kp": gain})


def test_profiles_are_frozen_and_know_no_other_keys(plain: dict[str, Any]) -> None:
    profile = MachineProfile.model_validate(plain)
    with pytest.raises(ValidationError, match="frozen"):
        profile.machine.name = "other"  # type: ignore[misc]
    with pytest.raises(ValidationError, match="colour"):
        MachineProfile.model_validate({**plain, "colour": "red"})


@pytest.mark.parametrize("name", ["sensor_lag_s", "dead_time_s"])
def test_a_delay_below_zero_is_no_delay(name: str, plain: dict[str, Any]) -> None:
    parameters = {**plain["heater"]["parameters"], name: quantity_s(-0.05)}
    with pytest.raises(ValidationError, match=f"parameter {name} is below zero, got -0.05"):
        MachineProfile.model_validate(
            {**plain, "heater": {**plain["heater"], "parameters": parameters}}
        )
    none = {**parameters, name: quantity_s(0.0)}
    assert MachineProfile.model_validate(
        {**plain, "heater": {**plain["heater"], "parameters": none}}
    )


def quantity_s(value: float) -> Quantity:
    return Quantity(value=value, unit="s", basis="fitted")
