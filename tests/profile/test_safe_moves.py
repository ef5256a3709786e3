"""Single changes, repeated dips and smoothing in the profile; claims need evidence."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from hotbench.core.quantity import Quantity
from hotbench.profile.check import check, refused
from hotbench.profile.summary import headline
from hotbench.profile.types import MachineProfile, SafeJump, SafeRepetition, Smoothing
from hotbench.profile.yaml_io import read_profile, write_profile

EVIDENCE: dict[str, Any] = {"trials": 10, "faults": 0, "confirmed": True, "runs": ["ramp-1"]}
JUMP: dict[str, Any] = {
    "direction": "heating",
    "temperature_C": 190.0,
    "size_K": 20.0,
    "coverage": 0.99,
    "confidence": 0.95,
    "basis": "fitted",
    "evidence": EVIDENCE,
}
REPEAT: dict[str, Any] = {
    "from_C": 220.0,
    "to_C": 200.0,
    "rest_s": 5.0,
    "travel_K_per_min": 90.0,
    "coverage": 0.99,
    "confidence": 0.95,
    "basis": "fitted",
    "evidence": EVIDENCE,
}
SMOOTHING: dict[str, Any] = {
    "direction": "cooling",
    "from_C": 220.0,
    "to_C": 190.0,
    "look_ahead_s": 20.0,
    "low_s": 18.0,
    "high_s": 23.0,
    "slope_K_per_s": 1.5,
    "cost_without_s": 20.0,
    "confidence": 0.95,
    "basis": "extrapolated",
}


@pytest.fixture
def full(profile: MachineProfile) -> dict[str, Any]:
    return {
        **profile.model_dump(),
        "jumps": [dict(JUMP)],
        "repetition": [dict(REPEAT)],
        "smoothing": [dict(SMOOTHING)],
    }


def test_rows_survive_the_file(full: dict[str, Any], tmp_path) -> None:
    stated = MachineProfile.model_validate(full)
    write_profile(stated, tmp_path / "machine.yaml")
    again = read_profile(tmp_path / "machine.yaml")
    assert (again.jumps, again.repetition) == (stated.jumps, stated.repetition)
    assert again.smoothing == stated.smoothing
    text = (tmp_path / "machine.yaml").read_text("utf-8")
    assert "size_K: 20" in text
    assert "look_ahead_s: 20" in text


def test_headline_names_them_in_plain_words(full: dict[str, Any]) -> None:
    labels = {row.label: row for row in headline(MachineProfile.model_validate(full))}
    assert labels["safe single change heating, 190 °C, fan 0"].unit == "K"
    assert labels["safe rest between dips from 220 °C, to 200 °C, fan 0"].value == 5.0
    assert labels["least look-ahead cooling, from 220 °C, to 190 °C"].high == 23.0


@pytest.mark.parametrize("section", ["slew", "jumps", "repetition"])
@pytest.mark.parametrize("missing", [{"trials": 0}, {"runs": ()}, {"runs": ("ghost",)}])
def test_a_claim_without_evidence_is_refused(
    full: dict[str, Any], section: str, missing: dict[str, Any]
) -> None:
    assert not refused(check(MachineProfile.model_validate(full)))
    row = {**full[section][0], "evidence": {**full[section][0]["evidence"], **missing}}
    found = check(MachineProfile.model_validate({**full, section: [row]}))
    assert refused(found)
    assert any(f.severity == "refuse" and f.where.startswith(f"{section}[") for f in found)


@pytest.mark.parametrize("section", ["jumps", "repetition"])
def test_faults_and_missing_confirmation_are_warnings(full: dict[str, Any], section: str) -> None:
    row = {**full[section][0], "evidence": {**EVIDENCE, "faults": 2, "confirmed": False}}
    found = check(MachineProfile.model_validate({**full, section: [row]}))
    mine = {f.text for f in found if f.where.startswith(f"{section}[")}
    assert "2 of 10 trials ended in a fault" in mine
    assert any("not confirmed" in text for text in mine)
    assert not refused(found)


@given(size_K=st.floats(0.0, 300.0), confidence=st.floats(0.01, 0.99))
def test_a_one_sided_claim_keeps_its_confidence_out_of_the_quantity(
    size_K: float, confidence: float
) -> None:
    row = SafeJump(**{**JUMP, "size_K": size_K, "confidence": confidence})
    assert row.quantity == Quantity(value=size_K, unit="K", basis="fitted")
    assert row.confidence == confidence


@pytest.mark.parametrize(
    ("kind", "row"),
    [
        (SafeJump, {**JUMP, "size_K": -1.0}),
        (SafeJump, {**JUMP, "direction": "sideways"}),
        (SafeJump, {**JUMP, "evidence": {"trials": 1, "faults": 2}}),
        (SafeRepetition, {**REPEAT, "rest_s": float("inf")}),
        (SafeRepetition, {**REPEAT, "rests_s": 1.0}),
        (Smoothing, {**SMOOTHING, "slope_K_per_s": 0.0}),
        (Smoothing, {**SMOOTHING, "low_s": 21.0}),
    ],
)
def test_impossible_rows_are_refused(kind: type[Any], row: dict[str, Any]) -> None:
    with pytest.raises((ValidationError, ValueError)):
        kind(**row)
