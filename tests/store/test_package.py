"""Run folders as an outsider's validator and a bare reader see them."""

import json
import math
from collections.abc import Callable
from pathlib import Path

import frictionless
import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import EXTRUSION_FIELDS, SAMPLE_FIELDS, Extrusion, RunInfo, Sample
from hotbench.store.layout import COLUMNS, descriptor, field_schema, load_package
from hotbench.store.reader import recover
from hotbench.store.writer import RunWriter


def problems(folder: Path) -> list[list[str]]:
    """What the Frictionless validator says, hashes and sizes included."""
    report = frictionless.validate(str(folder / "datapackage.json"))
    return report.flatten(["type", "message"])


def test_a_closed_run_is_a_valid_data_package(write_run: Callable[..., Path]) -> None:
    folder = write_run(extrusions=(Extrusion(220.0, 6.0, 100.0), Extrusion(220.0, 8.0, 100.0, 0.3)))
    assert problems(folder) == []


def test_a_run_is_a_valid_data_package_while_it_is_recorded(
    tmp_path: Path, info: RunInfo, samples: list[Sample]
) -> None:
    writer = RunWriter(tmp_path / "run", info)
    assert problems(tmp_path / "run") == []
    writer.on_samples(samples)
    assert problems(tmp_path / "run") == []
    writer.close("stopped")


def test_unknown_values_are_missing_values(tmp_path: Path, info: RunInfo) -> None:
    writer = RunWriter(tmp_path / "run", info)
    writer.on_sample(Sample(0.0, 20.0))
    writer.on_sample(Sample(0.1, math.nan, 0.0, math.inf))
    writer.close()
    assert problems(tmp_path / "run") == []
    rows = frictionless.Resource(str(tmp_path / "run" / "samples.csv")).read_rows()
    assert [row["duty"] for row in rows] == [None, None]


def test_a_recovered_run_is_a_valid_data_package(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    path.write_bytes(path.read_bytes()[:-7])
    assert problems(folder)
    recover(folder)
    assert problems(folder) == []


def test_the_validator_notices_an_edit_and_a_value_out_of_its_constraints(
    write_run: Callable[..., Path],
) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    path.write_text(path.read_text().replace("0.503937008", "1.503937008"))
    kinds = {kind for kind, _ in problems(folder)}
    assert kinds & {"hash-count", "byte-count", "constraint-error"}


def test_every_column_states_unit_and_meaning() -> None:
    assert set(COLUMNS["samples.csv"]) == set(SAMPLE_FIELDS)
    assert set(COLUMNS["extrusions.csv"]) == set(EXTRUSION_FIELDS)
    for columns in COLUMNS.values():
        for name in columns:
            schema = field_schema(name)
            assert schema["description"]
            assert schema["type"] == "string" or (schema["unit"] and schema["ucumUnit"])


def test_a_bare_reader_finds_the_provenance(write_run: Callable[..., Path], info: RunInfo) -> None:
    found = json.loads((write_run() / "datapackage.json").read_text())
    assert found["name"] == "bench-1"
    assert found["created"] == info.created
    run = found["hotbench_run"]
    assert run["outcome"] == "complete"
    assert run["settings"] == info.settings
    assert (run["firmware"], run["host"], run["software_version"]) == (
        "simboard 1.0",
        "bench",
        "0.1.0",
    )
    resource = found["resources"][0]
    assert resource["hash"].startswith("sha256:")
    assert (resource["bytes"], resource["rows"]) == (
        (found_size := resource["bytes"]),
        20,
    )
    assert found_size > 500


def test_the_package_survives_its_own_reading(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    package = load_package(folder)
    assert descriptor(package) == json.loads((folder / "datapackage.json").read_text())


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not a readable package"),
        ("[]", "not a package of a recorded run"),
        ('{"name": "x"}', "not a package of a recorded run"),
        ('{"hotbench_run": {"format": 99}}', "another format"),
        ('{"hotbench_run": {"format": 1}, "resources": []}', "incomplete"),
        ("[" * 100_000, "not a readable package"),
        ("\xff\xfe", "not a readable package"),
    ],
)
def test_a_package_that_is_no_run_gets_one_line(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "datapackage.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(BadInput, match=message) as caught:
        load_package(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_package_may_not_point_outside_its_folder(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    path = folder / "datapackage.json"
    path.write_text(path.read_text().replace('"samples.csv"', '"../other.csv"'))
    with pytest.raises(BadInput, match="names a file that no run has"):
        load_package(folder)


def test_settings_that_are_no_json_values_are_refused(tmp_path: Path) -> None:
    info = RunInfo(run_id="x", procedure="step", created="", settings={"bad": object()})
    with pytest.raises(BadInput, match="plain JSON values"):
        RunWriter(tmp_path / "run", info)
