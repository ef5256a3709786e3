"""The headline table and the lines around it."""

from typing import Any

from hotbench.profile.summary import headline, limiting_causes, unidentified
from hotbench.profile.types import MachineProfile
from hotbench.profile.walk import entries


def test_headline_rows_carry_interval_unit_and_basis(profile: MachineProfile) -> None:
    rows = {row.label: row for row in headline(profile)}
    row = rows["heats 220 °C, cold"]
    assert (row.value, row.low, row.high) == (18.5, 18.1, 18.9)
    assert (row.unit, row.confidence, row.basis) == ("K/s", 0.95, "fitted")
    assert row.text == "18.5 (18.1 to 18.9) K/s"
    assert row.where == "heater.heating_rate[220 °C, cold]"
    assert rows["sensor lag and dead time"].text == "0.62 (0.57 to 0.67) s"
    assert "dip down from 220 °C, to 190 °C, fan 1" in rows


def test_parameters_of_the_model_are_no_headline(profile: MachineProfile) -> None:
    assert not [row for row in headline(profile) if row.where.startswith("heater.parameters")]


def test_names_of_numbers_are_unique(profile: MachineProfile) -> None:
    names = [entry.where for entry in entries(profile)]
    assert len(set(names)) == len(names) == 38


def test_lines_about_limits_and_gaps(profile: MachineProfile) -> None:
    assert unidentified(profile) == ["fan exponent: no middle fan; record step --fan 0.5"]
    first = "heating at 220 °C: 9.6 K/s, limited by controller fault (12 trials, 0 faults, fitted)"
    assert limiting_causes(profile)[0] == first


def test_what_was_not_measured_has_no_row(plain: dict[str, Any]) -> None:
    bare = {name: plain[name] for name in ("machine", "provenance")}
    profile = MachineProfile.model_validate(bare)
    assert headline(profile) == []
    assert unidentified(profile) == []
    assert limiting_causes(profile) == []
