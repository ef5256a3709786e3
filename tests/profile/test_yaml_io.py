"""Writing is canonical and lossless; reading is strict."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
import yaml as yaml_1_1
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.profile.plain import canonical, to_plain
from hotbench.profile.rounding import DIGITS, rounded
from hotbench.profile.schema import json_schema
from hotbench.profile.types import Heater, HeatingRate, Machine, MachineProfile, Provenance
from hotbench.profile.yaml_io import dumps, loads, read_profile, write_profile

numbers = st.floats(min_value=-1e12, max_value=1e12)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@st.composite
def quantities(draw: st.DrawFn) -> Quantity:
    low, value, high = sorted(draw(st.tuples(numbers, numbers, numbers)))
    basis = draw(st.sampled_from(["measured", "fitted", "extrapolated", "assumed"]))
    unit = draw(texts)
    if draw(st.booleans()):
        return Quantity(value=value, unit=unit, basis=basis)
    confidence = draw(st.floats(min_value=1e-6, max_value=1 - 1e-9))
    interval = {"low": low, "high": high, "confidence": confidence}
    return Quantity(value=value, unit=unit, basis=basis, **interval)


@st.composite
def profiles(draw: st.DrawFn) -> MachineProfile:
    temperature_C = draw(st.floats(min_value=-100, max_value=1000))
    rate = Quantity(value=draw(st.floats(0.0, 1e3)), unit="K/s", basis="fitted")
    return MachineProfile(
        machine=Machine(name=draw(texts.filter(bool)), note=draw(texts)),
        heater=Heater(
            model=draw(texts),
            parameters=draw(st.dictionaries(texts, quantities(), max_size=3)),
            heating_rate=(HeatingRate.of(rate, temperature_C=temperature_C, start=draw(texts)),),
        ),
        provenance=Provenance(
            software_version=draw(texts),
            date=draw(texts),
            options=draw(st.dictionaries(texts, st.one_of(numbers, texts, st.booleans()))),
        ),
    )


@settings(max_examples=40)
@given(profiles())
def test_readers_of_both_yaml_versions_see_the_same_plain_data(profile: MachineProfile) -> None:
    """Any text in names, notes and units; nothing is lost but the rounding."""
    text = dumps(profile)
    assert loads(text) == canonical(profile)
    assert YAML(typ="safe", pure=True).load(text) == to_plain(profile)
    assert yaml_1_1.safe_load(text) == to_plain(profile)


@given(numbers, numbers, numbers)
def test_rounding_keeps_the_value_inside_and_the_interval_whole(
    first: float, second: float, third: float
) -> None:
    low, value, high = sorted((first, second, third))
    bounds = rounded(low, "low"), rounded(value), rounded(high, "high")
    assert bounds[0] <= bounds[1] <= bounds[2]
    assert bounds[0] <= low + 1e-11 * abs(low)
    assert bounds[2] >= high - 1e-11 * abs(high)
    assert math.isclose(bounds[1], value, rel_tol=0.5 * 10.0 ** (1 - DIGITS), abs_tol=1e-300)
    assert rounded(bounds[0], "low") == bounds[0]
    assert rounded(bounds[2], "high") == bounds[2]


def test_rounding_ignores_the_last_bits_of_a_difference() -> None:
    assert rounded(0.41 - 0.2, "low") == 0.21


def test_the_version_is_the_first_line_and_the_file_explains_itself(
    profile: MachineProfile,
) -> None:
    lines = dumps(profile).splitlines()
    assert lines[0] == "hotbench_profile: 1"
    assert any(line.startswith("# ") and "cautious end" in line for line in lines)
    assert "  # sensor lag plus dead time; the two cannot be told apart" in lines


def test_a_quantity_stands_on_one_line(profile: MachineProfile) -> None:
    expected = "unit: s, low: 0.57, high: 0.67, confidence: 0.95, basis: fitted}"
    assert f"  combined_lag: {{value: 0.62, {expected}" in dumps(profile).splitlines()


def test_sections_that_were_not_measured_are_left_out(plain: dict[str, Any]) -> None:
    kept = {name: plain[name] for name in ("machine", "provenance")}
    text = dumps(MachineProfile.model_validate(kept))
    assert list(yaml_1_1.safe_load(text)) == ["hotbench_profile", "machine", "provenance"]
    assert loads(text).heater is None


def test_file_round_trip(profile: MachineProfile, tmp_path: Path) -> None:
    path = tmp_path / "machine.yaml"
    write_profile(profile, path)
    assert read_profile(path) == canonical(profile)
    assert read_profile(str(path)) == canonical(profile)
    assert [child.name for child in tmp_path.iterdir()] == ["machine.yaml"]


def test_the_demo_profile_is_the_invented_one(profile: MachineProfile, demo_folder: Path) -> None:
    written = (demo_folder / "example_machine.yaml").read_text(encoding="utf-8")
    assert written == dumps(profile)


def test_writing_into_a_missing_folder_is_one_line(profile: MachineProfile, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        write_profile(profile, tmp_path / "absent" / "machine.yaml")


def test_written_file_satisfies_the_json_schema(profile: MachineProfile) -> None:
    Draft202012Validator(json_schema()).validate(yaml_1_1.safe_load(dumps(profile)))


def test_a_byte_order_mark_and_other_layouts_of_the_same_data_are_read(
    profile: MachineProfile,
) -> None:
    assert loads("\ufeff" + dumps(profile)) == canonical(profile)
    assert loads(json.dumps(to_plain(profile))) == canonical(profile)


def test_numbers_without_a_fraction_are_numbers_too(profile: MachineProfile) -> None:
    text = dumps(profile).replace("value: 148.0", "value: 148")
    assert loads(text) == canonical(profile)
