"""Sag and duty of each extrusion, and weighings left out, as the report shows them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hotbench.bench import entries
from hotbench.bench.extruded import left_out_table, strain_tables, strains
from hotbench.bench.melting import fit_each, tables
from hotbench.core.records import Event, Extrusion, Run, RunInfo, Sample
from hotbench.models import melt, units
from hotbench.procedures import phases
from hotbench.store.reader import read_run
from hotbench.store.weighings import rejections_noted
from hotbench.store.writer import RunWriter

INFO = RunInfo(run_id="melt", procedure="extrude", created="", material="PLA")
FLOWS = (2.0, 12.0, 2.0)


def samples(flows, sags, duties) -> list[Sample]:
    """Ten readings of each extrusion, the fifth the lowest, between rests."""
    found: list[Sample] = []
    for flow, sag_K, duty in zip(flows, sags, duties, strict=True):
        for phase, dips in ((phases.extrude(220.0, flow), True), (phases.hold(220.0), False)):
            for i in range(10):
                low_K = sag_K if dips and i == 5 else 0.0
                at = duty if dips else 0.1
                found.append(
                    Sample(0.1 * len(found), 220.0 - low_K, 220.0, at, 0.0, flow * dips, phase)
                )
    return found


def recorded(duties=(0.3, 1.0, 0.3), sags=(0.5, 6.0, 0.4)) -> Run:
    shots = [Extrusion(220.0, flow, 100.0, 0.29) for flow in FLOWS]
    return Run.from_samples(INFO, samples(FLOWS, sags, duties), extrusions=shots)


def test_each_extrusion_has_its_own_sag_and_duty() -> None:
    found = strains(recorded())
    assert [s.number for s in found] == [1, 2, 3]
    assert [s.sag_K for s in found] == pytest.approx([0.5, 6.0, 0.4])
    assert [s.mean_duty for s in found] == pytest.approx([0.3, 1.0, 0.3])
    (table,) = strain_tables([recorded()])
    assert table.caption == "heater during each extrusion; at full power in 1 of 3"
    assert table.rows[1] == ("melt", "2", "220", "12", "0.29 g", "6", "1", "1")


def test_a_board_without_duty_still_shows_its_sag() -> None:
    run = recorded(duties=(np.nan,) * 3)
    assert [s.highest_duty for s in strains(run)] == [None] * 3
    (table,) = strain_tables([run])
    assert table.caption == "heater during each extrusion"
    assert table.rows[0][-2:] == ("-", "-")


def test_overshoot_is_no_sag() -> None:
    assert [s.sag_K for s in strains(recorded(sags=(-2.0,) * 3))] == [0.0] * 3


def test_an_extrusion_without_samples_is_passed_over() -> None:
    whole = recorded()
    strange = Extrusion(240.0, 9.0, 100.0)
    run = replace(whole, extrusions=(whole.extrusions[0], strange, *whole.extrusions[1:]))
    assert [s.number for s in strains(run)] == [1, 3, 4]
    assert strains(Run.from_samples(INFO, [], extrusions=whole.extrusions)) == ()
    assert list(strain_tables([])) == []


def weighed_run(folder: Path) -> Path:
    writer = RunWriter(folder, INFO)
    writer.on_sample(Sample(0.0, 220.0))
    for at in (200.0, 220.0, 240.0):
        limit = float(melt.flow_limit_mm3_per_s(at, 0.9, 128.0, feed_C=30.0))
        for load in (0.4, 0.5, 0.8, 0.95, 1.05, 1.2):
            mass_g = melt.delivered_ratio(load, 1.0, 6.0) * units.mass_of_length_g(100, 1.75, 1.24)
            writer.on_extrusion(Extrusion(at, load * limit, 100.0, float(mass_g)))
    writer.close()
    return folder


def test_rejected_and_useless_weighings_are_shown_with_their_reasons(tmp_path: Path) -> None:
    folder = weighed_run(tmp_path / "melt")
    value = read_run(folder).extrusions[3].delivered_mass_g
    entries.reject(folder, 4, "strand stuck; pulled off by hand")
    entries.enter(folder, {6: 0.0})
    melts = fit_each([read_run(folder)], lambda what, error: pytest.fail(f"{what}: {error}"))
    shown = [t for t in tables(melts, None) if t.caption == "weighings left out"]
    assert len(shown) == 1
    rejected, useless = shown[0].rows
    assert rejected[:3] == ("melt", "4", "delivered mass")
    assert float(rejected[3]) == pytest.approx(value)
    assert rejected[4] == "strand stuck; pulled off by hand"
    assert useless == (
        "melt",
        "6",
        "delivered mass",
        "",
        "delivered_mass_g of 0 is no delivered amount",
    )


def test_only_rejections_that_stand_are_told_from_the_notes(tmp_path: Path) -> None:
    folder = weighed_run(tmp_path / "melt")

    def noted() -> set[tuple[str, int]]:
        return set(rejections_noted(read_run(folder).events))

    assert noted() == set()
    entries.reject(folder, 2, "dripped")
    entries.reject(folder, 5, "fell off")
    assert noted() == {("delivered_mass_g", 2), ("delivered_mass_g", 5)}
    entries.undo(folder)
    assert noted() == {("delivered_mass_g", 2)}
    entries.restore(folder, 2)
    assert noted() == set()
    entries.undo(folder)
    assert noted() == {("delivered_mass_g", 2)}
    entries.enter(folder, {2: 0.29})
    assert noted() == set()


def test_notes_of_other_things_are_no_rejections() -> None:
    texts = ("rejected: x", "delivered_mass_g rejected: y", "wind rejected: z; extrusion 1: 1 -> 2")
    assert rejections_noted([Event(0.0, "note", text) for text in texts]) == {}
    assert (
        rejections_noted(
            [Event(0.0, "command", "delivered_mm rejected: a; extrusion 1: 1 -> none")]
        )
        == {}
    )
    assert list(left_out_table([recorded()], {})) == []
