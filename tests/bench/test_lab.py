"""What notebooks call: results show themselves, missing runs are made or named."""

from pathlib import Path

import pytest

from hotbench.bench.analysis import Analysis, FitOptions
from hotbench.bench.lab import Bench, Page, fitted, table_html
from hotbench.bench.preparing import next_folder
from hotbench.bench.tables import Table
from hotbench.core.errors import BadInput


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(port="sim:swift-sleeve", folder=tmp_path)


def test_a_recording_shows_its_outcome_and_an_accessible_trace(bench: Bench) -> None:
    made = bench.record("hold", duration_s=5.0)
    page = made._repr_html_()
    assert made.run is not None
    assert made.run.outcome == "complete"
    assert 'role="img"' in page
    assert "<desc" in page
    assert "complete" in page
    assert repr(made).startswith("recorded in")


def test_runs_are_listed_oldest_first(bench: Bench) -> None:
    for _ in range(2):
        bench.record("hold", duration_s=1.0)
    assert [row[0] for row in bench.runs().tables[0].rows] == ["hold-1", "hold-2"]


def test_the_newest_complete_run_is_taken_and_a_missing_one_is_recorded(bench: Bench) -> None:
    assert [path.name for path in bench.latest("hold")] == ["hold-1"]
    bench.record("hold", duration_s=1.0)
    assert [path.name for path in bench.latest("hold")] == ["hold-2"]


def test_on_a_real_port_a_missing_run_is_named_not_made(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no complete step run"):
        Bench(port="socket://127.0.0.1:9", folder=tmp_path).latest("step")


def test_plans_beyond_the_limit_are_refused(bench: Bench) -> None:
    with pytest.raises(BadInput, match="above the temperature limit"):
        bench.plan("hold", temperature_C=300.0)


def test_an_unknown_part_of_a_fit_is_named() -> None:
    empty = Analysis(runs=(), options=FitOptions(), heater=None, slew=None, melt=None)
    with pytest.raises(BadInput, match="heater, slew, melt"):
        fitted(empty, "nozzle")


def test_cells_are_escaped() -> None:
    html = table_html(Table("<b>", ("<i>", "n"), (("<script>", "1"),), frozenset({1})))
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert Page((Table("a", ("b",), ()),))._repr_html_().startswith("<table>")


def test_folders_are_numbered(tmp_path: Path) -> None:
    (tmp_path / "step-1").mkdir()
    assert next_folder(tmp_path, "step").name == "step-2"
