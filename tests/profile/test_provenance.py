"""Provenance from runs, its verification, and migrations."""

from dataclasses import replace

import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.profile.migrations import upgrade
from hotbench.profile.provenance import disagreements, provenance

DIGEST = "ab" * 32


def run(run_id: str, created: str) -> Run:
    info = RunInfo(run_id=run_id, procedure="step", created=created, simulated=True)
    return replace(Run.from_samples(info, [Sample(0.0, 20.0)]), sha256={"samples.csv": DIGEST})


RUNS = [run("later", "2026-03-02T10:00:00Z"), run("first", "2026-03-01T10:00:00Z")]


def test_date_and_order_come_from_the_runs() -> None:
    stated = provenance(RUNS, software_version="0.1.0", options={"seed": 3, "ambient": None})
    assert stated.date == "2026-03-02T10:00:00Z"
    assert [row.run for row in stated.runs] == ["first", "later"]
    assert list(stated.options) == ["ambient", "seed"]
    assert stated.runs[0].sha256 == {"samples.csv": DIGEST}
    assert stated.runs[0].simulated
    assert stated == provenance(RUNS[::-1], software_version="0.1.0", options=stated.options)


def test_no_runs_no_date() -> None:
    assert provenance([], software_version="0.1.0").date == ""


def test_disagreements_name_the_run_and_the_file() -> None:
    stated = provenance(RUNS, software_version="0.1.0")
    same = {"first": {"samples.csv": DIGEST}, "later": {"samples.csv": DIGEST}}
    assert disagreements(stated, same) == []
    found = {"first": {"samples.csv": "cd" * 32}}
    expected = ["first: samples.csv has changed since the fit", "later: run folder is missing"]
    assert disagreements(stated, found) == expected
    assert disagreements(stated, {**same, "later": {}}) == ["later: samples.csv is missing"]
    more = {**same, "later": {"samples.csv": DIGEST, "events.csv": DIGEST}}
    assert disagreements(stated, more) == ["later: events.csv has no digest in the profile"]


def test_migrations_lift_one_version_at_a_time() -> None:
    steps = {
        1: lambda document: {"heater": document["hotend"]},
        2: lambda document: {**document, "melt": None},
    }
    old = {"hotbench_profile": 1, "hotend": 5}
    lifted = upgrade(old, migrations=steps, current=3)
    assert lifted == {"hotbench_profile": 3, "heater": 5, "melt": None}


def test_a_version_without_a_path_is_refused() -> None:
    with pytest.raises(BadInput, match="no longer read"):
        upgrade({"hotbench_profile": 1}, migrations={}, current=2)
