"""Each rule finds its defect, and a sound profile has none."""

from collections.abc import Callable
from datetime import date
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.profile.check import SINGLY, Finding, brief, check, refused
from hotbench.profile.types import MachineProfile

Change = Callable[[dict[str, Any]], object]
TODAY = date(2026, 4, 1)


def findings(plain: dict[str, Any], change: Change, today: date | None = None) -> list[Finding]:
    change(plain)
    return check(MachineProfile.model_validate(plain), today=today)


def test_the_sound_profile_only_warns_of_what_it_says_itself(profile: MachineProfile) -> None:
    found = check(profile, today=TODAY)
    assert [finding.where for finding in found] == ["heater.fan exponent", "machine.simulated"]
    assert not refused(found)


REFUSED: list[tuple[str, str, Change]] = [
    (
        "parameters.los_per_s",
        "no parameter of the model",
        lambda p: p["heater"]["parameters"].update(los_per_s=seconds(1.0)),
    ),
    ("provenance.runs", "no run is named", lambda p: p["provenance"].update(runs=[])),
    ("runs[step-1]", "no digest", lambda p: p["provenance"]["runs"][0].update(sha256={})),
    ("slew[heating", "without a trial", lambda p: p["slew"][0].update(evidence={})),
    ("slew[heating", "tell no spread", lambda p: p["slew"][0]["evidence"].update(trials=4)),
    ("slew[heating", "make no safe move", lambda p: p["slew"][0].update(coverage=0.98)),
    ("slew[heating", "make no safe move", lambda p: p["slew"][0].update(confidence=0.9)),
    ("slew[heating", "is no move", lambda p: p["slew"][0].update(standing())),
    (
        "runs[step-1]",
        "no digest of its samples.csv",
        lambda p: p["provenance"]["runs"][0].update(sha256={"events.csv": "0" * 64}),
    ),
    ("slew[heating", "0 of 12 trials", lambda p: p["slew"][0]["evidence"].update(faults=12)),
    ("slew[heating", "which share of moves", lambda p: p["slew"][0].update(coverage=None)),
    ("slew[heating", "no run of this", lambda p: p["slew"][0]["evidence"].update(runs=["x"])),
    (
        "heater[150 °C, cold]",
        "reach from",
        lambda p: p["heater"]["valid_temperature"].update(low=200),
    ),
    ("melt[200 °C]", "reach from", lambda p: p["melt"]["validity"].update(low_C=210.0)),
    ("dips[from 220 °C", "is negative", lambda p: p["dips"][0].update(time_back=seconds(-1.0))),
    ("cooling_rate[220 °C, fan 0]", "stated twice", lambda p: repeat(p["heater"]["cooling_rate"])),
    ("slew[cooling", "at most", lambda p: p["slew"][1].update(rate_K_per_s=4.0, high_K_per_s=4.1)),
    ("flow_limit[220 °C]", "falls as it gets hotter", lambda p: fall(p["melt"]["flow_limit"])),
    ("hold_duty[220 °C", "less duty", lambda p: p["heater"]["hold_duty"][1].update(duty(0.05))),
    ("control.gain_margin", "unstable", lambda p: p["control"].update(gain_margin=margin(0.9))),
    ("control.phase_margin", "unstable", lambda p: p["control"].update(phase_margin=margin(-1.0))),
    ("slew[heating", "above the limit", lambda p: p["machine"].update(limit_temperature_C=210.0)),
    ("provenance.date", "no ISO 8601", lambda p: p["provenance"].update(date="last week")),
]


def standing() -> dict[str, float]:
    return {"rate_K_per_s": 0.0, "low_K_per_s": 0.0, "high_K_per_s": 0.0}


def seconds(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "s", "basis": "measured"}


def margin(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "", "basis": "fitted"}


def duty(value: float) -> dict[str, float]:
    return {"duty_fraction": value, "low_fraction": value - 0.01, "high_fraction": value + 0.01}


def repeat(rows: list[dict[str, Any]]) -> None:
    rows.append(rows[0])


def fall(rows: list[dict[str, Any]]) -> None:
    rows[1].update(flow_mm3_per_s=12.0, low_mm3_per_s=11.5, high_mm3_per_s=12.5)


@pytest.mark.parametrize(("where", "text", "change"), REFUSED)
def test_refused(where: str, text: str, change: Change, plain: dict[str, Any]) -> None:
    found = findings(plain, change, TODAY)
    hits = [f for f in found if where in f.where and text in f.text]
    assert hits
    assert {finding.severity for finding in hits} == {"refuse"}
    assert refused(found)
    assert found[0].severity == "refuse"


WARNED: list[tuple[str, str, Change]] = [
    ("heater.model", "no model of this package", lambda p: p["heater"].update(model="of mine")),
    ("slew[heating", "not confirmed", lambda p: p["slew"][0]["evidence"].update(confirmed=False)),
    ("slew[heating", "ended in a fault", lambda p: p["slew"][0]["evidence"].update(faults=1)),
    ("slew[heating", "declared, not", lambda p: p["slew"][0].update(basis="declared")),
    ("slew", "not said by how much", lambda p: p["provenance"].update(options={})),
    ("combined_lag", "assumed", lambda p: p["heater"].update(combined_lag=assumed(0.5))),
    ("combined_lag", "no known hot end", lambda p: p["heater"].update(combined_lag=assumed(90.0))),
    ("time_back", "no interval", lambda p: p["dips"][0].update(time_back=seconds(3.0))),
    ("heater.ambient", "no room", lambda p: p["heater"].update(ambient=warm_room())),
    ("heater.validation", "no phase was held", lambda p: p["heater"].update(validation=[])),
    (
        "flow_limit[220 °C]",
        "falls as",
        lambda p: p["melt"]["flow_limit"][1].update(slightly_less()),
    ),
    (
        "maximum_sensitivity",
        "above 2",
        lambda p: p["control"].update(maximum_sensitivity=margin(2.5)),
    ),
    ("provenance.date", "761 days old", lambda p: p["provenance"].update(date="2024-03-01T08:00Z")),
    ("provenance.date", "the future", lambda p: p["provenance"].update(date="2027-03-01")),
]


def assumed(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "s", "basis": "assumed"}


def warm_room() -> dict[str, Any]:
    return {"value": 140.0, "unit": "°C", "basis": "measured"}


def slightly_less() -> dict[str, float]:
    return {"flow_mm3_per_s": 14.1, "low_mm3_per_s": 13.5, "high_mm3_per_s": 14.7}


@pytest.mark.parametrize(("where", "text", "change"), WARNED)
def test_warned(where: str, text: str, change: Change, plain: dict[str, Any]) -> None:
    found = findings(plain, change, TODAY)
    hits = [f for f in found if where in f.where and text in f.text]
    assert hits
    assert {finding.severity for finding in hits} == {"warn"}
    assert not refused(found)


def test_an_extrapolated_slew_needs_no_trial(plain: dict[str, Any]) -> None:
    found = findings(plain, lambda p: p["slew"][0].update(basis="extrapolated", evidence={}))
    assert not refused(found)
    assert any(f.where.startswith("slew[heating") and f.text == "extrapolated" for f in found)


def test_age_is_judged_only_against_a_given_day(plain: dict[str, Any]) -> None:
    old = findings(plain, lambda p: p["provenance"].update(date="2001-01-01"))
    assert not [finding for finding in old if finding.where == "provenance.date"]


def test_a_finding_reads_as_one_line() -> None:
    finding = Finding("warn", "heater.ambient", "is no room temperature", "did the run start warm?")
    expected = "warn: heater.ambient: is no room temperature; did the run start warm?"
    assert finding.line == expected
    assert Finding("refuse", "slew", "text").line == "refuse: slew: text"


def test_a_bare_profile_needs_no_runs(plain: dict[str, Any]) -> None:
    bare = {"machine": {"name": "x"}, "provenance": {**plain["provenance"], "runs": []}}
    assert check(MachineProfile.model_validate(bare)) == []


def warned(rows: list[str], severity: Literal["refuse", "warn"] = "warn") -> list[Finding]:
    return [Finding(severity, row, "extrapolated") for row in rows]


def test_rows_with_the_same_warning_share_a_line_with_their_count() -> None:
    rows = [f"slew[heating, {at} °C]" for at in (180, 200, 220)]
    other = Finding("warn", "machine.simulated", "figures come from a simulated printer")
    (shared, alone) = brief([*warned(rows), other])
    assert shared.startswith("warn: 3 numbers: extrapolated: slew[heating, 180 °C]; ")
    assert all(row in shared for row in rows)
    assert alone == other.line


@given(count=st.integers(0, 12), severity=st.sampled_from(["refuse", "warn"]))
def test_no_row_is_lost_and_refusals_keep_a_line_each(
    count: int, severity: Literal["refuse", "warn"]
) -> None:
    found = warned([f"row[{i}]" for i in range(count)], severity)
    lines = brief(found)
    assert all(any(finding.where in line for line in lines) for finding in found)
    single = severity == "refuse" or count <= SINGLY
    assert len(lines) == (count if single else 1)
