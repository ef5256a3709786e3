"""What a notebook keeps of a panel, for readers without a kernel."""

from pathlib import Path
from typing import Any

import pytest

from hotbench.bench.panel import BenchPanel
from hotbench.bench.panel_stored import BACK, NEWEST, Stored


def run(name: str, **changes: str) -> dict[str, Any]:
    plain = {"test": "step", "created": "2026-03-04T05:06:07Z", "outcome": "complete"}
    return {"run": name, "problem": "", **plain, **changes}


def kept(*runs: dict[str, Any], port: str = "sim:plain-block") -> dict[str, str]:
    return Stored(port, "bench-runs", runs)._repr_mimebundle_()


@pytest.mark.parametrize("kind", ["text/plain", "text/html"])
def test_it_says_what_was_there_and_how_to_bring_it_back(kind: str) -> None:
    said = kept(run("step-1"))[kind]
    assert "Bench panel of sim:plain-block, 1 run in bench-runs." in said
    assert "run this cell again" in said
    assert "step-1" in said
    assert "2026-03-04 05:06:07 UTC" in said


def test_only_the_newest_runs_are_listed_and_all_are_counted() -> None:
    said = kept(*(run(f"hold-{n}") for n in range(20, 0, -1)))["text/plain"]
    assert "20 runs" in said
    assert said.count("hold-") == NEWEST
    assert "hold-20" in said


def test_an_unreadable_run_is_named_with_its_problem() -> None:
    assert "no description" in kept(run("x", problem="no description"))["text/plain"]


def test_a_bench_without_runs_has_no_table() -> None:
    assert "<table" not in kept()["text/html"]
    assert kept()["text/plain"].splitlines() == [
        "Bench panel of sim:plain-block, 0 runs in bench-runs.",
        BACK,
    ]


def test_names_are_escaped() -> None:
    hostile = "<img src=x onerror=alert(1)>"
    assert "<img" not in kept(run(hostile), port=hostile)["text/html"]


def test_the_panels_own_text_names_port_and_folder(tmp_path: Path) -> None:
    panel = BenchPanel("sim:long-melt", tmp_path)
    assert repr(panel) == f"BenchPanel(port='sim:long-melt', folder={str(tmp_path)!r})"
    assert panel._stored().head.startswith("Bench panel of sim:long-melt, 0 runs")
