"""Measured values entered after a run: by prompt, by table, undone, rejected, given back."""

from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from hotbench.bench import entries
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.store.reader import read_run, verify
from hotbench.store.writer import RunWriter

SHOTS = tuple(Extrusion(220.0, flow, 100.0) for flow in (2.0, 6.0, 10.0))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    writer = RunWriter(tmp_path / "melt", RunInfo(run_id="melt", procedure="extrude", created=""))
    writer.on_sample(Sample(0.0, 220.0))
    for shot in SHOTS:
        writer.on_extrusion(shot)
    writer.close()
    return tmp_path / "melt"


def answering(answers: Iterable[str], asked: list[str] | None = None) -> Callable[[str], str]:
    left = iter(answers)

    def ask(question: str) -> str:
        if asked is not None:
            asked.append(question)
        return next(left)

    return ask


def masses(folder: Path) -> list[float | None]:
    return [extrusion.delivered_mass_g for extrusion in read_run(folder).extrusions]


def test_every_pending_mass_is_asked_for_once(folder: Path) -> None:
    asked: list[str] = []
    entries.enter_by_prompt(folder, answering(["0.298", "", "0,285"], asked))
    assert masses(folder) == [0.298, None, 0.285]
    assert "extrusion 2, 220 °C, 6 mm³/s: mass in g" in asked[1]
    assert list(entries.pending(folder)) == [2]
    entries.enter_by_prompt(folder, answering(["0.29"]))
    assert not entries.pending(folder)
    assert verify(folder).intact


def test_undo_while_entering_asks_for_the_one_before(folder: Path) -> None:
    entries.enter_by_prompt(folder, answering(["undo", "0.25", "undo", "0.298", "0.297", "0.28"]))
    assert masses(folder) == [0.298, 0.297, 0.28]


def test_undo_skips_back_over_those_left_for_later(folder: Path) -> None:
    entries.enter_by_prompt(folder, answering(["0.25", "", "undo", "0.298", "0.297", ""]))
    assert masses(folder) == [0.298, 0.297, None]


def test_a_break_keeps_what_was_entered(folder: Path) -> None:
    def ask(question: str) -> str:
        if "extrusion 2" in question:
            raise KeyboardInterrupt
        return "0.298"

    with pytest.raises(KeyboardInterrupt):
        entries.enter_by_prompt(folder, ask)
    assert masses(folder) == [0.298, None, None]
    assert verify(folder).intact


def test_slips_of_the_hand_are_asked_again(folder: Path) -> None:
    asked: list[str] = []
    answers = ["heavy", "2.98", "0.298", "-0.1", "-0.1", "0.29", "0.02", "0.02"]
    entries.enter_by_prompt(folder, answering(answers, asked))
    assert masses(folder) == [0.298, 0.29, 0.02]
    assert asked[1].startswith("'heavy' is not a number")
    assert "2.98 is not near 0.298" in asked[2]


def test_lengths_and_pulled_samples_have_entries_of_their_own(folder: Path, tmp_path: Path) -> None:
    entries.enter(folder, {1: 99.0}, "length")
    table = tmp_path / "pulled.csv"
    table.write_text("extrusion,bond_force_N,bond_section_mm2\n1,310,12.1\n2,300,11.8\n")
    entries.enter_from_csv(folder, table)
    first, second, _ = read_run(folder).extrusions
    assert (first.delivered_mm, first.bond_force_N, first.bond_section_mm2) == (99.0, 310.0, 12.1)
    assert second.bond_section_mm2 == 11.8
    assert list(entries.pending(folder, "bond")) == [3]
    assert list(entries.pending(folder, "length")) == [2, 3]


def test_a_rejection_is_listed_and_not_asked_for_again(folder: Path) -> None:
    entries.enter(folder, {1: 0.298, 2: 0.1, 3: 0.28})
    shown = entries.reject(folder, 2, "strand stuck to the nozzle").plain()
    assert shown["rejected"][0]["value"] == 0.1
    assert shown["rejected"][0]["reason"] == "rejected: strand stuck to the nozzle"
    assert not entries.pending(folder)
    entries.enter(folder, {3: 0.281})
    assert entries.restore(folder, 2).plain()["rejected"] == []
    assert masses(folder) == [0.298, 0.1, 0.281]
    with pytest.raises(BadInput, match="extrusion 2: is not rejected"):
        entries.restore(folder, 2)
    reasons = [change["reason"] for change in entries.history(folder).plain()["changes"]]
    assert reasons[-1] == "restored"


def test_an_undone_rejection_is_no_rejection(folder: Path) -> None:
    entries.enter(folder, {1: 0.298})
    entries.reject(folder, 1, "dripped")
    entries.undo(folder)
    assert entries.listing(folder).plain()["rejected"] == []
    assert masses(folder)[0] == 0.298


def test_the_run_s_own_table_is_accepted_after_an_edit(folder: Path) -> None:
    path = folder / "extrusions.csv"
    path.write_text(path.read_text().replace("220,6,100,,", "220,6,100,0.297,"))
    assert "weigh accept" in verify(folder).problems[0]
    entries.enter_from_csv(folder)
    assert masses(folder) == [None, 0.297, None]
    assert verify(folder).intact


def test_unknown_evidence_is_named(folder: Path) -> None:
    with pytest.raises(BadInput, match="did you mean 'mass'"):
        entries.pending(folder, "mas")


def test_the_listing_reads_as_a_table(folder: Path) -> None:
    entries.enter(folder, {1: 0.298})
    entries.reject(folder, 1, "dripped")
    table, left_out = entries.listing(folder).tables()
    assert table.rows[0] == ("1", "220", "2", "100", "rejected", "-", "-", "-")
    assert left_out.rows == (("1", "delivered_mass_g", "rejected: dripped"),)
