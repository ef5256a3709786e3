"""Comparing profiles and sets of runs: what a side may be, tables, pages and pictures."""

from pathlib import Path

import html5lib
import pytest
from many_runs import write_runs

from hotbench.bench.comparing import Side, compare_files, read_side, signed
from hotbench.bench.results import Result
from hotbench.core.errors import BadInput, FellShort
from hotbench.profile.diff import compare
from hotbench.profile.yaml_io import read_profile, write_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


@pytest.fixture(scope="module")
def two_sets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs of a printer before and after its heater was replaced by one stronger by 30 %."""
    root = tmp_path_factory.mktemp("sets")
    write_runs(root, printers=2, each=1, heating_step=0.3)
    return root


@pytest.fixture(scope="module")
def before(two_sets: Path) -> Side:
    return read_side(two_sets / "printer-0")


@pytest.fixture(scope="module")
def compared(two_sets: Path) -> Result:
    """Both sets, fitted once, with the page beside them."""
    sides = two_sets / "printer-0", two_sets / "printer-1"
    return compare_files(*sides, out=two_sets / "compare.html")


def other_profile(folder: Path) -> Path:
    """The example after a change: less flow, quicker from cold."""
    text = EXAMPLE.read_text(encoding="utf-8")
    changed = text.replace("name: bench sleeve", "name: new sleeve")
    path = folder / "after.yaml"
    path.write_text(changed, encoding="utf-8")
    return path


def test_a_profile_against_itself_shows_nothing_changed_and_what_is_shared() -> None:
    result = compare_files(EXAMPLE, EXAMPLE)
    assert result.facts["for_your_prints"] == ["nothing that the intervals do not explain"]
    assert result.facts["ladders"] == ()
    assert result.tables()[-1].caption == "beware"


def test_two_sets_of_runs_are_fitted_and_compared(two_sets: Path, compared: Result) -> None:
    """Thirty percent more power: so in its parameter, and more than that in every net rate."""
    changed = {d.where: d for d in compared.facts["differences"] if d.percent is not None}
    power = changed["heater.parameters.heating_K_per_s"].percent
    assert power.low < 30.0 < power.high
    rates = [d for d in changed.values() if d.kind == "heater.heating_rate"]
    assert rates
    assert all(d.percent.value > 30.0 for d in rates)
    assert all(d.significant for d in rates)
    text = (two_sets / "compare.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert "Recorded step" in text
    assert "after over before" in text
    assert "<h1>unnamed, before and after</h1>" in text
    assert text.index("what changed for your prints") < text.index("<svg")
    assert "http://" not in text.replace("http://www.w3.org", "")


def test_a_side_is_a_profile_a_list_of_runs_or_a_folder(two_sets: Path, before: Side) -> None:
    folder = two_sets / "printer-0"
    listed = read_side(f"{folder / 'run-0'}, {folder / 'run-0'}")
    assert [run.info.run_id for run in listed.runs] == ["run-0"]
    assert before.profile == listed.profile
    assert read_side(EXAMPLE).runs == ()


@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf"])
def test_a_picture_of_the_changes(suffix: str, tmp_path: Path) -> None:
    out = tmp_path / f"changes{suffix}"
    result = compare_files(EXAMPLE, other_profile(tmp_path), out=out)
    assert out.stat().st_size > 1000
    assert result.facts["written"] == str(out)


def test_a_page_of_two_profiles_escapes_names_and_has_no_traces(tmp_path: Path) -> None:
    after = other_profile(tmp_path)
    text = after.read_text(encoding="utf-8")
    after.write_text(text.replace("name: new sleeve", 'name: "<b>new</b>"'), encoding="utf-8")
    page = tmp_path / "page.html"
    compare_files(EXAMPLE, after, out=page)
    shown = page.read_text(encoding="utf-8")
    assert "&lt;b&gt;new&lt;/b&gt;" in shown
    assert "Recorded step" not in shown


def test_an_unknown_kind_of_page_is_refused_before_any_work() -> None:
    with pytest.raises(BadInput, match="no known kind of page"):
        compare_files("absent.yaml", "absent.yaml", out=Path("x.docx"))


def test_a_page_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        compare_files(EXAMPLE, EXAMPLE, out=tmp_path / "none" / "page.html")


@pytest.mark.parametrize("given", ["absent.yaml", "absent,alsoabsent", "."])
def test_what_is_no_side_is_refused(given: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        read_side(str(tmp_path) if given == "." else given)


def test_runs_that_tell_nothing_fall_short(tmp_path: Path) -> None:
    from hotbench.core.records import RunInfo
    from hotbench.store.writer import RunWriter

    writer = RunWriter(tmp_path / "empty", RunInfo(run_id="e", procedure="step", created=""))
    writer.close("complete")
    with pytest.raises(FellShort, match="nothing could be identified"):
        read_side(tmp_path)


def test_two_seeds_of_one_printer_show_no_change(before: Side, tmp_path: Path) -> None:
    """The same machine recorded again, with other noise: nothing is called significant."""
    (again,) = write_runs(tmp_path / "again", printers=1, each=1, first_seed=77)
    found = compare(before.profile, read_side(again).profile)
    assert found.for_prints == ["nothing that the intervals do not explain"]
    assert found.limits_changed == ()


def test_a_side_of_runs_is_the_profile_that_is_written_of_them(
    before: Side, tmp_path: Path
) -> None:
    """Rounded as its file would be: no dust in the differences."""
    write_profile(before.profile, tmp_path / "m.yaml")
    assert read_profile(tmp_path / "m.yaml") == before.profile


@pytest.mark.parametrize(
    ("value", "text"), [(660.0, "+660"), (-0.0354, "-0.035"), (0.0, "+0"), (2.3e-5, "+2.3e-05")]
)
def test_changes_carry_their_sign(value: float, text: str) -> None:
    assert signed(value) == text


def test_printed_changes_have_signs_and_no_exponents(compared: Result) -> None:
    table = compared.tables()[0]
    assert table.caption == "differences"
    for row in table.rows:
        assert row[3][0] in "+-"
        assert "e+" not in row[3] + row[4]
