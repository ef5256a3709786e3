"""Ladders of two firmware versions, recorded and compared: known verdicts, and their words."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from hotbench.bench.comparing import compare_files
from hotbench.bench.comparing_ladders import (
    HEADS,
    ONE_EACH,
    ladder_caption,
    ladder_cautions,
    ladder_tables,
    ladder_words,
)
from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.recording import record
from hotbench.bench.results import Result
from hotbench.core.records import Run
from hotbench.fitting.ladders import LadderComparison, compare_ladders
from hotbench.fitting.ramps import RampTrial
from hotbench.procedures.ramps import RampTest
from hotbench.sim import truth
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS, PrinterSpec
from hotbench.store.reader import read_run

LOW_C, HIGH_C = 200.0, 220.0
OLD = PRINTERS["swift-sleeve"]
NEW = replace(OLD, gain_per_K=0.7 * OLD.gain_per_K, fault_deviation_K=7.5)
"""A firmware with a slower controller, which faults sooner."""


def kept(folder: Path, spec: PrinterSpec, seed: int) -> Path:
    """A ladder of fixed rates, the board's fault level declared."""
    test = RampTest(
        low_C=LOW_C,
        high_C=HIGH_C,
        rates_K_per_s=(3.0, 3.5, 4.0, 4.5, 5.0, 5.5),
        cooling_rates_K_per_s=(0.9, 1.0, 1.1, 1.2, 1.3, 1.4),
        fault_deviation_K=spec.fault_deviation_K,
    )
    board = SimulatedPrinter(spec, seed=seed)
    line = Line(board.transport(), board.scale, ())
    record(test, line, LinkOptions(port="sim:swift-sleeve", seed=seed), folder)
    return folder


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    at = tmp_path_factory.mktemp("firmware")
    for name, spec, seed in (("old", OLD, 51), ("again", OLD, 52), ("new", NEW, 53)):
        kept(at / name, spec, seed)
    return at


@pytest.fixture(scope="module")
def changed(root: Path) -> Result:
    return compare_files(root / "old", root / "new")


@pytest.fixture
def run(root: Path) -> Run:
    return read_run(root / "old")


def heating(result: Result) -> LadderComparison:
    found: LadderComparison = result.facts["ladders"][0]
    assert found.direction == "heating"
    return found


def test_a_true_change_is_found_and_its_size_is_right(changed: Result) -> None:
    """The simulator's own quiet ramps at the very rate say by how much the new loop deviates."""
    found = heating(changed)
    old_K, new_K = (
        truth.ramp_deviation_K(spec, LOW_C, HIGH_C, found.rate_K_per_s) for spec in (OLD, NEW)
    )
    assert found.deviation.significant
    assert found.deviation.ratio.low < new_K / old_K < found.deviation.ratio.high
    assert found.rate.significant
    assert found.rate.ratio.value < old_K / new_K
    assert found.faults is None


def test_the_change_leads_what_is_said_of_prints(changed: Result) -> None:
    first, second, *_ = changed.facts["for_your_prints"]
    assert first.startswith("tighter: heating ramps deviate ")
    assert " % more (" in first
    assert second.startswith("tighter: heating ramps that reach ")
    assert " % slower (" in second
    assert not any("nothing that" in line for line in changed.facts["for_your_prints"])


def test_a_table_for_each_direction_holds_both_firmware_versions(changed: Result) -> None:
    up, down = (t for t in changed.tables() if t.heads == HEADS)
    assert up.caption == "heating ramps: simboard 1.0 before, simboard 1.0 after"
    assert down.caption == "cooling ramps: simboard 1.0 before, simboard 1.0 after"
    numbers = {row[0]: row for row in up.rows}
    assert list(numbers) == [
        "faulted",
        "deviation / K",
        "rate / K/s",
        "safe rate / K/s",
        "fault level / K",
    ]
    assert numbers["faulted"][1:] == ("-", "0 of 6", "0 of 6", "-", "-", "-", "-")
    assert numbers["deviation / K"][1].endswith(" K/s")
    assert numbers["rate / K/s"][1].endswith(" %")
    assert numbers["deviation / K"][-1] == numbers["rate / K/s"][-1] == "yes"
    assert numbers["safe rate / K/s"][-1] == "claimed"
    assert up.rows[-1] == ("fault level / K", "-", "9", "7.5", "-", "-", "-", "stated")
    json.dumps(changed.plain(), allow_nan=False)


def test_the_tables_fit_into_eighty_columns(changed: Result) -> None:
    for table in (t for t in changed.tables() if t.heads == HEADS):
        widths = [max(map(len, column)) for column in zip(table.heads, *table.rows, strict=True)]
        assert sum(widths) + 2 * (len(widths) - 1) <= 80


def test_the_same_firmware_recorded_again_shows_no_change(root: Path) -> None:
    result = compare_files(root / "old", root / "again")
    assert [one.significant for one in result.facts["ladders"]] == [False, False]
    assert result.facts["for_your_prints"][0] == "nothing that the intervals do not explain"


def test_a_page_shows_the_ladders(root: Path, tmp_path: Path) -> None:
    compare_files(root / "old", root / "new", out=tmp_path / "page.html")
    text = (tmp_path / "page.html").read_text("utf-8")
    assert "heating ramps: simboard 1.0 before" in text
    assert "heating ramps deviate" in text
    assert text.count("<title") >= 3
    for way in ("heating", "cooling"):
        assert f"Ramps {way}, before and after" in text
    assert "fault level after" in text


def test_firmware_is_named_where_the_boards_said_it(run: Run) -> None:
    other = replace(run, info=replace(run.info, firmware="simboard 2.0"))
    silent = replace(run, info=replace(run.info, firmware=""))
    assert ladder_caption([run], [other]).endswith("simboard 1.0 before, simboard 2.0 after")
    assert ladder_caption([run], [silent]) == "ramps, before and after"


def test_ladders_that_were_not_alike_are_pointed_out(run: Run) -> None:
    settings = {**run.info.settings, "fan": 1.0, "high_C": 230.0}
    other = replace(run, info=replace(run.info, settings=settings))
    assert ladder_cautions([run, run], [other, other]) == [
        "the ladders differ in their upper end: 220 before, 230 after",
        "the ladders differ in their fan: 0 before, 1 after",
    ]
    assert ladder_cautions([run], [run, run]) == [ONE_EACH]
    assert ladder_cautions([run, run], [run, run]) == []


def trial(rate: float, **changed: object) -> RampTrial:
    made = RampTrial(direction="cooling", rate_K_per_s=rate, deviation_K=rate, noise_K=0.1)
    return replace(made, **changed)


def test_faults_and_abandoned_ramps_are_told() -> None:
    clean = [trial(0.1 * i) for i in range(3, 13)]
    faulted = [replace(t, fault="lost") for t in clean[:9]] + [trial(2.0, abandoned=True)]
    found = compare_ladders(clean, faulted)
    (table,) = ladder_tables(found, "", {}, (None, 9.0))
    assert [row[:4] for row in table.rows] == [
        ("faulted", "-", "0 of 10", "9 of 10"),
        ("abandoned", "-", "0 of 10", "1 of 10"),
    ]
    assert table.rows[0][-2:] == ("< 0.001", "yes")
    assert ladder_words(found) == ["tighter: 9 of 10 cooling ramps faulted, 0 of 10 before"]
    assert ladder_words(compare_ladders(faulted, clean))[0].startswith("wider: 0 of 10 cooling")
