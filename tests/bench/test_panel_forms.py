"""The panel's form: every test can be filled in, and what cannot be read is named."""

from contextlib import chdir
from pathlib import Path

import pytest

from hotbench.bench.panel_forms import catalogue, port_choices, settings_from, yaml_files
from hotbench.bench.session import Request
from hotbench.core.errors import BadInput
from hotbench.procedures.registry import PROCEDURES


def starts(test: str) -> dict[str, object]:
    entry = next(entry for entry in catalogue() if entry["name"] == test)
    return {field["name"]: field["start"] for field in entry["fields"]}


@pytest.mark.parametrize("test", PROCEDURES)
def test_the_form_as_it_opens_gives_a_plan(test: str) -> None:
    request = Request(
        port="sim:swift-sleeve", test=test, settings=settings_from(test, starts(test))
    )
    plan = request.plan()
    assert plan.lines
    assert plan.max_temperature_C <= 260.0


def test_every_test_has_a_title_for_people() -> None:
    titles = [entry["title"] for entry in catalogue()]
    assert len(set(titles)) == len(PROCEDURES)
    assert all(title[0].isupper() for title in titles)


@pytest.mark.parametrize("test", PROCEDURES)
def test_some_fields_come_first_and_all_say_what_they_are(test: str) -> None:
    fields = next(entry for entry in catalogue() if entry["name"] == test)["fields"]
    firsts = [field["first"] for field in fields]
    assert 1 <= sum(firsts) <= 4
    assert firsts == sorted(firsts, reverse=True)
    assert all(field["label"] for field in fields)


def test_lists_pairs_flags_and_single_numbers() -> None:
    typed = {"to_C": "230, 245", "fans": "", "hold_s": "30", "dip": "225-195", "validate": False}
    assert settings_from("step", typed) == {
        "to_C": (230.0, 245.0),
        "hold_s": 30.0,
        "dip": (225.0, 195.0),
        "validate": False,
    }
    assert settings_from("ramp", {"max_ramps": "6"}) == {"max_ramps": 6}


@pytest.mark.parametrize(
    ("test", "field", "text", "told"),
    [
        ("hold", "temperature_C", "warm", "is not a number"),
        ("hold", "temperature_C", "220, 230", "takes one number"),
        ("step", "dip", "220 to 190", "such as 220-190"),
        ("hold", "temperatur_C", "220", "did you mean 'temperature_C'"),
    ],
)
def test_what_cannot_be_read_is_named(test: str, field: str, text: str, told: str) -> None:
    with pytest.raises(BadInput, match=told):
        settings_from(test, {field: text})


def test_yaml_files_of_the_folders_are_offered_once_and_in_order(tmp_path: Path) -> None:
    runs = tmp_path / "bench-runs"
    runs.mkdir()
    for name in ("my_printer.yaml", "notes.txt", "bench-runs/machine.yaml", "bench-runs/a.csv"):
        (tmp_path / name).touch()
    with chdir(tmp_path):
        assert yaml_files(Path(), runs, runs) == ["bench-runs/machine.yaml", "my_printer.yaml"]
    assert yaml_files(tmp_path / "none") == []


def test_simulated_printers_are_among_the_ports() -> None:
    assert "sim:swift-sleeve" in [choice["port"] for choice in port_choices()]
