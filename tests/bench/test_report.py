"""The report: golden text of its tables, strictly valid HTML, a text for every picture."""

import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import numpy as np
import pytest

from hotbench import __version__
from hotbench.bench.analysis import Analysis, FitOptions
from hotbench.bench.figures import picture
from hotbench.bench.judging import Judgement, judge
from hotbench.bench.lab import Page, figure_html, recorded_picture, table_html
from hotbench.bench.profiling import build
from hotbench.bench.report_tables import model_tables
from hotbench.bench.report_words import (
    BEYOND,
    at_a_glance,
    fan_words,
    interval_text,
    summary,
    typeset,
    value_text,
)
from hotbench.bench.reporting import day_text, recorded, render, write_report
from hotbench.bench.tables import Table
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.plots.style import new_figure
from hotbench.profile.types import LimitingCause, MachineProfile
from hotbench.profile.yaml_io import read_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
GOLDEN = Path(__file__).parent / "golden" / "report.txt"
HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '<script>alert(1)</script>&"'
JUDGED = (
    Judgement("dips", "time down 230-205 °C, fan 0", 10.6, 10.4, "s"),
    Judgement("dips", "time back 230-205 °C, fan 0", 1.64, 1.79, "s"),
    Judgement("dips", "temperature, whole run, RMS error", 0.799, None, "K"),
)


def run(run_id: str = "step", created: str = "2026-03-07T09:00:00Z") -> Run:
    samples = [Sample(i / 10.0, 24.0 + i, 240.0, 0.5, 0.0, phase="heat") for i in range(50)]
    info = RunInfo(run_id=run_id, procedure="step", created=created, firmware="board 1.4")
    return replace(Run.from_samples(info, samples), sha256={"samples.csv": "ab" * 32})


def unfitted(*runs: Run) -> Analysis:
    return Analysis(runs=runs, options=FitOptions(), heater=None, slew=None, melt=None)


@pytest.fixture(scope="module")
def profile() -> MachineProfile:
    return read_profile(EXAMPLE)


def parsed(html: str) -> Element:
    """The tree; raises at the first breach of the HTML standard's syntax."""
    tree: Element = html5lib.HTMLParser(strict=True).parse(html)
    return tree


def words(node: Element) -> str:
    return " ".join("".join(node.itertext()).split())


def text_lines(html: str) -> Iterator[str]:
    """What a person reads, line by line: headings, facts, paragraphs, tables; no pictures."""
    for node in parsed(html).iter():
        name = str(node.tag).removeprefix(HTML)
        if name in {"h1", "h2", "p", "aside", "li"}:
            yield f"{name}: {words(node)}"
        if name in {"dt", "dd", "caption"}:
            yield f"  {words(node)}"
        if name == "tr":
            yield "    " + " | ".join(words(cell) for cell in node)


def test_the_text_is_the_golden_one(profile: MachineProfile) -> None:
    """HOTBENCH_GOLDEN=1 writes it anew, to be read before it is committed."""
    page = render(unfitted(run(), run("ramp", "2026-03-09T10:00:00Z")), profile, JUDGED)
    text = "\n".join(text_lines(page)).replace(f"hotbench {__version__}", "hotbench") + "\n"
    if os.environ.get("HOTBENCH_GOLDEN"):
        GOLDEN.write_text(text, encoding="utf-8")
    assert text == GOLDEN.read_text(encoding="utf-8")


def test_what_comes_from_files_is_escaped(profile: MachineProfile) -> None:
    machine = profile.machine.model_copy(update={"name": HOSTILE})
    page = render(unfitted(run(HOSTILE)), profile.model_copy(update={"machine": machine}))
    assert "<script" not in page
    assert not list(parsed(page).iter(f"{HTML}script"))


def test_nothing_is_fetched(profile: MachineProfile) -> None:
    tree = parsed(render(unfitted(run()), profile, JUDGED))
    fetching = [n for n in tree.iter() if {"src", "srcset", "data"} & set(n.attrib)]
    links = [n.get("href", "") for n in tree.iter() if "href" in n.attrib]
    assert not fetching
    assert all(link.startswith("#") for link in links)


def test_every_table_has_a_caption_and_heads_with_a_scope(profile: MachineProfile) -> None:
    for table in parsed(render(unfitted(run()), profile)).iter(f"{HTML}table"):
        caption = table.find(f"{HTML}caption")
        assert caption is not None
        assert words(caption)
        assert all(head.get("scope") == "col" for head in table.iter(f"{HTML}th"))
        rows = [len(row) for row in table.iter(f"{HTML}tr")]
        assert len(set(rows)) == 1, words(caption)


def assert_pictures_speak(html: str, least: int) -> None:
    """Every drawing is named and described for those who do not see it, by ids of its own."""
    tree = parsed(html)
    drawings = list(tree.iter(f"{SVG}svg"))
    assert len(drawings) >= least
    ids = Counter(node.get("id") for node in tree.iter() if node.get("id"))
    assert [key for key, times in ids.items() if times > 1] == []
    for drawing in drawings:
        assert drawing.get("role") == "img"
        title, description = drawing.find(f"{SVG}title"), drawing.find(f"{SVG}desc")
        assert title is not None
        assert description is not None
        assert len(words(title)) > 5
        assert len(words(description)) > 30
        named = (drawing.get("aria-labelledby") or "").split()
        assert named == [title.get("id"), description.get("id")]


@pytest.mark.slow
def test_the_whole_report_is_valid_and_every_picture_has_a_text(
    analysis: Analysis, tmp_path: Path
) -> None:
    judgements = judge(analysis, [analysis.runs[0]])
    write_report(analysis, tmp_path / "r.html", judgements=judgements, held_out=[analysis.runs[0]])
    page = (tmp_path / "r.html").read_text("utf-8")
    assert_pictures_speak(page, 9)
    lines = list(text_lines(page))
    for heading in ("How the predictions did", "Melting", "Safe slew rate", "Provenance"):
        assert f"h2: {heading}" in lines


@pytest.mark.slow
def test_parameters_are_told_with_their_meaning(analysis: Analysis) -> None:
    assert analysis.heater is not None
    parameters, *others = model_tables(analysis.heater)
    assert {row[1] for row in parameters.rows} == set(analysis.heater.parameters)
    assert all(row[0] != "-" for row in parameters.rows)
    assert {table.caption for table in others} >= {"models tried"}


def test_pictures_of_notebooks_speak_too() -> None:
    drawn = recorded_picture(run())
    table = table_html(Table("a", ("b",), (("c",),)))
    body = f"{figure_html(drawn)}{table}"
    assert_pictures_speak(f"<!DOCTYPE html><title>t</title>{body}", 1)
    assert Page((), (drawn,))._repr_html_() == figure_html(drawn)


def test_titles_of_pictures_are_escaped() -> None:
    drawn = picture(HOSTILE, HOSTILE + "a caption of some length for it", lambda _: new_figure()[0])
    assert "<script" not in drawn.svg
    assert_pictures_speak(f"<!DOCTYPE html><title>t</title>{figure_html(drawn)}", 1)


# words


def test_only_what_is_known_is_said(profile: MachineProfile) -> None:
    bare = profile.model_copy(update={"heater": None, "dips": (), "slew": (), "melt": None})
    real = bare.model_copy(update={"machine": bare.machine.model_copy(update={"simulated": False})})
    assert summary(real) == []
    assert at_a_glance(real) == []
    assert summary(bare) == ["The printer was simulated: do not use these figures on hardware."]


def test_facts_and_sentences_tell_the_same_numbers(profile: MachineProfile) -> None:
    told = " ".join(summary(profile))
    named = {fact.what: fact.value for fact in at_a_glance(profile)}
    assert named["heats"] in told
    assert named["dips"] in told
    assert len(named) == len(at_a_glance(profile))  # one name each, as a definition list wants


def test_every_cause_of_a_limit_has_its_words() -> None:
    assert set(BEYOND) == set(LimitingCause.__args__)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("judged", "told"),
    [
        ((), ""),
        (JUDGED[2:], ""),
        (JUDGED, "2 predicted times were off by 5 % in the middle and 8 %"),
    ],
)
def test_how_the_predictions_did(judged: tuple[Judgement, ...], told: str) -> None:
    profile = read_profile(EXAMPLE)
    said = [line for line in summary(profile, judged) if line.startswith("Held against")]
    assert (told in said[0]) if told else not said


def test_numbers_are_not_torn_from_their_units() -> None:
    flow = Quantity(value=13.6, unit="mm3/s", low=12.9, high=14.3, confidence=0.95, basis="fitted")
    assert value_text(flow) == "13.6\N{NO-BREAK SPACE}mm³/s"
    assert interval_text(flow) == "95\N{NO-BREAK SPACE}%: 12.9 to 14.3"
    assert interval_text(Quantity(value=1.0, unit="s", basis="assumed")) == ""


@pytest.mark.parametrize(
    ("text", "printed"),
    [("mm3/s", "mm³/s"), ("K/mm3", "K/mm³"), ("load_per_mm3", "load_per_mm3"), ("mm30", "mm30")],
)
def test_only_units_are_typeset(text: str, printed: str) -> None:
    assert typeset(text) == printed


@pytest.mark.parametrize(
    ("fan", "said"), [(0.0, "without fan"), (1.0, "with full fan"), (0.3, "with fan 0.3")]
)
def test_fan_settings_as_people_say_them(fan: float, said: str) -> None:
    assert fan_words(fan) == said


def test_days_are_written_out_and_nonsense_left_alone() -> None:
    assert day_text("2026-03-07") == "7 March 2026"
    assert day_text("yesterday") == "yesterday"
    assert recorded([run()]) == "1 run, recorded 7 March 2026"
    later = run("b", "2026-04-01T00:00:00Z")
    assert recorded([later, run()]) == "2 runs, recorded 7 March 2026 to 1 April 2026"


def test_a_report_into_a_folder_is_refused(tmp_path: Path, profile: MachineProfile) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        write_report(unfitted(run()), tmp_path, profile=profile)


def test_unknown_intervals_leave_gaps_not_zeros(profile: MachineProfile) -> None:
    heater = profile.heater
    assert heater is not None
    rows = tuple(
        row.model_copy(update={"low_K_per_s": None, "high_K_per_s": None, "confidence": None})
        for row in heater.heating_rate
    )
    bare = profile.model_copy(update={"heater": heater.model_copy(update={"heating_rate": rows})})
    lines = list(text_lines(render(unfitted(run()), bare)))
    at = lines.index("  heating rate / K/s")
    assert "(" not in " ".join(lines[at + 2 : at + 2 + len({r.temperature_C for r in rows})])
    assert not any(np.nan.__repr__() in line.split() for line in lines)


@pytest.mark.slow
def test_a_report_from_runs_alone(analysis: Analysis) -> None:
    page = render(analysis, build(analysis))
    assert "h2: Heating and cooling" in list(text_lines(page))
