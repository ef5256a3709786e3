"""The panel's form for values measured after a run."""

from pathlib import Path
from typing import Any

import pytest

from hotbench.bench import entries
from hotbench.bench.panel import BenchPanel
from hotbench.bench.panel_entries import MEASURES, EntryForm
from hotbench.core.errors import BadInput, HotbenchError
from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.store.reader import read_run
from hotbench.store.writer import RunWriter

RUN = "extrude-1"
SHOTS = tuple(Extrusion(220.0, flow, 100.0) for flow in (2.0, 6.0, 10.0))
SOUND = "0.29"
"""g; 100 mm of the usual filament weigh 0.298 g."""


def recorded(root: Path, shots: tuple[Extrusion, ...] = SHOTS) -> Path:
    writer = RunWriter(root / RUN, RunInfo(run_id=RUN, procedure="extrude", created=""))
    writer.on_sample(Sample(0.0, 220.0))
    for shot in shots:
        writer.on_extrusion(shot)
    writer.close()
    return root / RUN


@pytest.fixture
def form(tmp_path: Path) -> EntryForm:
    return EntryForm(recorded(tmp_path))


def masses(folder: Path) -> list[float | None]:
    return [shot.delivered_mass_g for shot in read_run(folder).extrusions]


def shown(form: EntryForm) -> dict[str, Any]:
    return form.plain(form.folder.parent)


def test_the_form_shows_every_extrusion_and_what_waits(form: EntryForm) -> None:
    form.enter(2, SOUND)
    page = shown(form)
    assert (page["run"], page["evidence"], page["unit"]) == (RUN, "mass", "g")
    assert [row["extrusion"] for row in page["rows"]] == [1, 2, 3]
    assert [row["value"] for row in page["rows"]] == [None, 0.29, None]
    assert (page["pending"], page["changes"]) == (2, 1)


@pytest.mark.parametrize("text", ["0.29", "0,29", " 0.2 9"])
def test_numbers_are_read_as_people_write_them(form: EntryForm, text: str) -> None:
    form.enter(1, text)
    assert masses(form.folder)[0] == pytest.approx(0.29)


@pytest.mark.parametrize("far", ["290", "298", "40"])
def test_a_value_that_cannot_be_meant_is_never_kept(form: EntryForm, far: str) -> None:
    for _ in range(3):
        form.enter(1, far)
        assert masses(form.folder)[0] is None
        assert shown(form)["doubt"]["text"] == far
    in_mg = float(far) > 100.0
    assert (
        f"if these were mg, it is {float(far) / 1000.0:g}" in shown(form)["doubt"]["remark"]
    ) == in_mg


@pytest.mark.parametrize("far", ["2.9", "0.029"])
def test_a_value_hard_to_believe_is_kept_only_when_typed_twice(form: EntryForm, far: str) -> None:
    form.enter(1, far)
    assert masses(form.folder)[0] is None
    assert "is not near 0.298" in shown(form)["doubt"]["remark"]
    form.enter(1, far)
    assert masses(form.folder)[0] == float(far)
    assert shown(form)["doubt"]["remark"] == ""


def test_a_doubt_is_about_one_extrusion_and_one_value(form: EntryForm) -> None:
    form.enter(1, "2.9")
    form.enter(2, "2.9")
    form.enter(2, "2.8")
    assert masses(form.folder) == [None, None, None]
    assert shown(form)["doubt"]["extrusion"] == 2
    form.enter(1, SOUND)
    assert shown(form)["doubt"]["extrusion"] == 0


def test_lengths_and_forces_have_columns_of_their_own(form: EntryForm) -> None:
    for kind, text in (("length", "96"), ("bond", "41")):
        EntryForm(form.folder, kind).enter(3, text)
    last = read_run(form.folder).extrusions[-1]
    assert (last.delivered_mm, last.bond_force_N, last.delivered_mass_g) == (96.0, 41.0, None)
    assert shown(EntryForm(form.folder, "length"))["pending"] == 2


def test_an_outlier_is_left_out_with_its_reason_and_given_back(form: EntryForm) -> None:
    form.enter(1, SOUND)
    form.leave_out(1, "string at the nozzle")
    row = shown(form)["rows"][0]
    assert (row["value"], row["left_out"]) == (None, "string at the nozzle")
    assert shown(form)["pending"] == 2
    form.give_back(1)
    assert masses(form.folder)[0] == 0.29


def test_the_last_change_is_taken_back(form: EntryForm) -> None:
    form.enter(1, SOUND)
    form.enter(1, "0.28")
    form.undo()
    assert masses(form.folder)[0] == 0.29


@pytest.mark.parametrize(
    ("act", "told"),
    [
        (lambda form: form.enter(1, "much"), "mass of extrusion 1: is not a number"),
        (lambda form: form.enter(9, SOUND), "no such extrusion"),
        (lambda form: form.enter(0, SOUND), "no such extrusion"),
        (lambda form: form.enter(1, "nan"), "is not a number"),
        (lambda form: form.enter(1, "-0.3"), "must be zero or more"),
        (lambda form: form.leave_out(1, " "), "only with its reason"),
        (lambda form: form.give_back(1), "is not rejected"),
        (lambda form: form.undo(), "no weighing to undo"),
        (lambda form: EntryForm(form.folder, "colour"), "evidence"),
    ],
)
def test_what_cannot_be_kept_is_told_and_changes_nothing(
    form: EntryForm, act: Any, told: str
) -> None:
    with pytest.raises(HotbenchError, match=told):
        act(form)
    assert masses(form.folder) == [None, None, None]


def test_a_run_without_extrusions_has_no_form(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no extrusions"):
        EntryForm(recorded(tmp_path, ())).plain(tmp_path)


def test_every_measure_of_the_form_is_one_that_runs_keep() -> None:
    assert set(MEASURES) <= set(entries.COLUMNS)
    assert all(entries.UNITS[kind] for kind in MEASURES)


def asked(panel: BenchPanel, kind: str, **content: Any) -> None:
    panel._on_message(panel, {"kind": kind, **content}, [])


@pytest.fixture
def panel(tmp_path: Path) -> BenchPanel:
    recorded(tmp_path)
    return BenchPanel(folder=tmp_path)


def test_opening_an_extrusion_run_opens_its_form_and_closing_empties_it(panel: BenchPanel) -> None:
    asked(panel, "open", run=RUN)
    assert panel.entries["run"] == RUN
    asked(panel, "entries", run=RUN, evidence="length")
    assert panel.entries["unit"] == "mm"
    asked(panel, "entries", run="")
    assert panel.entries == {}


def test_the_pages_acts_reach_the_run(panel: BenchPanel) -> None:
    asked(panel, "entries", run=RUN)
    asked(panel, "enter", act="enter", extrusion=1, text=SOUND)
    asked(panel, "enter", act="leave out", extrusion=1, text="dropped")
    assert panel.entries["rows"][0]["left_out"] == "dropped"
    asked(panel, "enter", act="give back", extrusion=1)
    asked(panel, "enter", act="undo")
    assert panel.entries["rows"][0]["left_out"] == "dropped"
    assert panel.notice == ""


def test_acts_without_an_open_run_or_with_nonsense_become_a_notice(panel: BenchPanel) -> None:
    asked(panel, "enter", act="enter", extrusion=1, text=SOUND)
    assert "no run is open" in panel.notice
    asked(panel, "entries", run="nothing-1")
    assert "nothing-1" in panel.notice
    asked(panel, "entries", run=RUN)
    asked(panel, "enter", act="enter", extrusion=1, text="much")
    assert "is not a number" in panel.notice
    assert panel.entries["pending"] == len(SHOTS)
