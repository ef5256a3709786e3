"""The shipped schema is the types' own, and refuses what they refuse."""

from typing import Any

import pytest
from jsonschema import Draft202012Validator, ValidationError

from hotbench.profile.plain import to_plain
from hotbench.profile.schema import SCHEMA_FILE, json_schema, known_keys, schema_text
from hotbench.profile.types import MachineProfile


def test_shipped_file_is_current() -> None:
    """`python -m hotbench.profile.schema` writes it."""
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text()


def test_schema_is_valid_and_demands_the_version() -> None:
    Draft202012Validator.check_schema(json_schema())
    assert json_schema()["required"] == ["hotbench_profile", "machine", "provenance"]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("hotbench_profile",), 2),
        (("machine", "colour"), "red"),
        (("heater", "combined_lag", "valeu"), 1.0),
        (("heater", "combined_lag", "basis"), "guessed"),
        (("heater", "cooling_rate", 0, "fan"), 2.0),
        (("slew", 0, "limiting_cause"), "mood"),
        (("provenance", "runs", 0, "sha256", "samples.csv"), "12"),
    ],
)
def test_schema_refuses(profile: MachineProfile, path: tuple[Any, ...], value: object) -> None:
    plain = to_plain(profile)
    node: Any = plain
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = value
    with pytest.raises(ValidationError):
        Draft202012Validator(json_schema()).validate(plain)


@pytest.mark.parametrize(
    ("location", "known"),
    [
        ((), "melt"),
        (("heater",), "hold_duty"),
        (("heater", "combined_lag"), "confidence"),
        (("heater", "parameters", "anything"), "unit"),
        (("slew", 3, "evidence"), "trials"),
        (("dips", 0, "earliest_command"), "low"),
    ],
)
def test_known_keys_by_place(location: tuple[str | int, ...], known: str) -> None:
    assert known in known_keys(location)


def test_places_that_do_not_exist_know_nothing() -> None:
    assert known_keys(("machine", "name", "x", 3)) == []
