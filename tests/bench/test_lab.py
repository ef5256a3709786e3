"""What notebooks call: results show themselves, missing runs are made or named."""

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import html5lib
import pytest

from hotbench.bench.analysis import Analysis, FitOptions
from hotbench.bench.lab import (
    LONG,
    Bench,
    Fitted,
    Page,
    Recording,
    another,
    asker,
    confirm_by_typing,
    fitted,
    showing,
    shown,
    table_html,
)
from hotbench.bench.preparing import next_folder
from hotbench.bench.progress import silent
from hotbench.bench.results import Result
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


@pytest.mark.parametrize("rows", [0, 1, LONG, LONG + 1, 300])
def test_a_long_table_is_folded_under_its_caption_and_its_length(rows: int) -> None:
    html = table_html(Table("<b>", ("n",), (("<i>",),) * rows))
    html5lib.HTMLParser(strict=True).parse(f"<!DOCTYPE html><title>x</title>{html}")
    assert html.count("&lt;i&gt;") == rows
    assert ("<details>" in html) == (rows > LONG)
    assert (f"&lt;b&gt;: {rows} rows</summary>" in html) == (rows > LONG)


def test_units_are_set_as_in_the_report() -> None:
    html = table_html(Table("melts / mm3/s", ("K/mm3",), (("14 mm3/s",),)))
    assert "mm3" not in html
    assert html.count("mm³") == 3


def test_cells_are_escaped() -> None:
    html = table_html(Table("<b>", ("<i>", "n"), (("<script>", "1"),), frozenset({1})))
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert Page((Table("a", ("b",), ()),))._repr_html_().startswith("<table>")


def test_folders_are_numbered(tmp_path: Path) -> None:
    (tmp_path / "step-1").mkdir()
    assert next_folder(tmp_path, "step").name == "step-2"


EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


@contextmanager
def typed(answer: str) -> Iterator[None]:
    """A person who types `answer`."""
    before, sys.stdin = sys.stdin, io.StringIO(f"{answer}\n")
    try:
        yield
    finally:
        sys.stdin = before


@pytest.mark.parametrize("answer", ["yes", " YES "])
def test_heating_goes_on_after_a_typed_yes(answer: str, capsys: pytest.CaptureFixture[str]) -> None:
    with typed(answer):
        confirm_by_typing(["heat to 240 °C"])
    assert "heat to 240 °C" in capsys.readouterr().out


@pytest.mark.parametrize("answer", ["", "y", "no"])
def test_anything_else_does_not_heat(answer: str) -> None:
    with typed(answer), pytest.raises(BadInput, match="not started"):
        confirm_by_typing(["heat to 240 °C"])


def test_a_real_port_is_not_opened_before_the_yes(tmp_path: Path) -> None:
    real = Bench(port="socket://127.0.0.1:9", folder=tmp_path)
    with typed("no"), pytest.raises(BadInput, match="not started"):
        real.record("hold", duration_s=1.0)
    assert not list(tmp_path.iterdir())


def test_masses_are_asked_for_with_input() -> None:
    with typed("0.31"):
        assert asker()("mass?") == "0.31"


def test_the_check_shows_its_verdict(bench: Bench) -> None:
    assert "check passed" in bench.check()._repr_html_()


def test_a_plan_shows_what_will_happen(bench: Bench) -> None:
    page = bench.plan("hold", temperature_C=220.0, duration_s=60.0)
    assert "heater off at the end" in page._repr_html_()
    assert not list(bench.folder.iterdir())


def test_an_unknown_setting_is_named_with_the_nearest(bench: Bench) -> None:
    with pytest.raises(BadInput, match="did you mean 'duration_s'"):
        bench.plan("hold", duration=60.0)


def test_an_empty_or_missing_folder_lists_nothing(tmp_path: Path) -> None:
    bench = Bench(port="sim:swift-sleeve", folder=tmp_path / "none")
    assert bench.runs().tables[0].rows == ()
    assert not bench.folder.exists()


def test_profiles_are_shown_compared_and_tuned_from_files(bench: Bench) -> None:
    (bench.folder / "m.yaml").write_text(EXAMPLE.read_text("utf-8"), "utf-8")
    assert "bench sleeve" in bench.show_profile("m.yaml")._repr_html_()
    assert bench.compare("m.yaml", EXAMPLE).tables
    assert "gain" in bench.tune("m.yaml")._repr_html_()
    assert bench.text("m.yaml", lines=3).tables[0].rows[0] == ("hotbench_profile: 1",)


def test_another_printer_has_runs_of_its_own(bench: Bench) -> None:
    other = another(bench, "socket://host:7070")
    assert other.port == "socket://host:7070"
    assert other.folder.parent == bench.folder
    assert "/" not in other.folder.name
    assert another(bench, "sim:plain-block").folder != other.folder


def test_reports_and_judgements_need_a_fit(bench: Bench) -> None:
    with pytest.raises(BadInput, match="holds no fit"):
        bench.report(Fitted())
    with pytest.raises(BadInput, match="heater fit and a recorded run"):
        bench.judge(Fitted(), Recording())


def test_a_shortfall_is_shown_below_the_result() -> None:
    page = shown(Result({}, (Table("a", ("b",), ()),), "too short"))
    assert [table.caption for table in page.tables] == ["a", "falls short"]


def test_progress_is_silent_outside_a_notebook() -> None:
    with showing("fit") as step:
        step(0.5, "half")
    assert step is silent or "ipykernel" in sys.modules
