from collections.abc import Callable
from pathlib import Path

import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.store import weighings
from hotbench.store.reader import read_run, verify

SHOTS = tuple(Extrusion(220.0, flow, 100.0) for flow in (2.0, 6.0, 10.0))


@pytest.fixture
def folder(write_run: Callable[..., Path]) -> Path:
    return write_run(extrusions=SHOTS)


def masses(folder: Path) -> list[float | None]:
    return [e.delivered_mass_g for e in read_run(folder).extrusions]


def test_masses_are_filled_in_and_replaced(folder: Path) -> None:
    weighings.fill_in_order(folder, [0.298, None, 0.291])
    assert masses(folder) == [0.298, None, 0.291]
    weighings.fill(folder, {2: 0.297, 3: 0.29})
    assert masses(folder) == [0.298, 0.297, 0.29]
    assert verify(folder).intact
    notes = [event.text for event in read_run(folder).events if event.kind == "note"]
    assert notes[-1] == "delivered_mass_g filled in; extrusion 2: none -> 0.297, 3: 0.291 -> 0.29"


def test_nothing_but_the_measured_column_changes(folder: Path) -> None:
    before = (folder / "samples.csv").read_bytes()
    weighings.fill(folder, {1: 0.3})
    assert (folder / "samples.csv").read_bytes() == before
    assert [e.commanded_mm3_per_s for e in read_run(folder).extrusions] == [2.0, 6.0, 10.0]


def test_changes_are_undone_one_by_one(folder: Path) -> None:
    weighings.fill_in_order(folder, [0.1, 0.2, 0.3])
    weighings.fill(folder, {1: 0.9})
    assert weighings.undo(folder).after == {1: 0.9}
    assert masses(folder) == [0.1, 0.2, 0.3]
    weighings.undo(folder)
    assert masses(folder) == [None] * 3
    with pytest.raises(BadInput, match="no weighing to undo"):
        weighings.undo(folder)
    assert verify(folder).intact


def test_an_outlier_is_rejected_only_with_its_reason_kept(folder: Path) -> None:
    weighings.fill_in_order(folder, [0.1, 0.2, 0.3])
    with pytest.raises(BadInput, match="only with its reason"):
        weighings.reject(folder, 2, "  ")
    weighings.reject(folder, 2, "strand stuck to the nozzle")
    assert masses(folder) == [0.1, None, 0.3]
    last = weighings.history(folder)[-1]
    assert (last.before, last.reason) == ({2: 0.2}, "rejected: strand stuck to the nozzle")
    assert "strand stuck" in read_run(folder).events[-1].text
    weighings.undo(folder)
    assert masses(folder) == [0.1, 0.2, 0.3]


def test_the_run_s_own_table_may_be_edited_in_place(folder: Path) -> None:
    path = folder / "extrusions.csv"
    lines = path.read_text().splitlines()
    lines[1:] = ["220.0;2,0;100;0,298;;;", "220;6;100;0,297;;;", "220;10;100;;;;"]
    path.write_text("\r\n".join([lines[0].replace(",", ";"), *lines[1:]]) + "\r\n")
    assert not verify(folder).intact
    weighings.fill_from_csv(folder, path)
    assert masses(folder) == [0.298, 0.297, None]
    assert verify(folder).intact
    assert path.read_text().splitlines()[1] == "220,2,100,0.298,,,"
    weighings.undo(folder)
    assert masses(folder) == [None] * 3


def test_an_edit_of_measured_columns_only_is_recognised(folder: Path) -> None:
    path = folder / "extrusions.csv"
    path.write_text(path.read_text().replace("220,6,100,,,", "220,6,100,0.297,,"))
    (problem,) = verify(folder).problems
    assert problem.startswith("extrusions.csv: edited since it was closed")
    assert problem.endswith("only measured columns differ, `hotbench weigh accept` takes them")
    assert masses(folder) == [None, 0.297, None]


def test_edited_commands_are_refused(folder: Path) -> None:
    path = folder / "extrusions.csv"
    path.write_text(path.read_text().replace("220,6,100,,,", "220,7,100,0.297,,"))
    with pytest.raises(BadInput, match="commanded columns were edited"):
        weighings.fill_from_csv(folder, path)
    with pytest.raises(BadInput, match="commanded columns were edited"):
        weighings.fill(folder, {1: 0.3})


def test_a_table_of_its_own_names_extrusions_by_number(folder: Path, tmp_path: Path) -> None:
    table = tmp_path / "scale.csv"
    table.write_text("extrusion,delivered_mass_g,bond_force_N\n3,0.291,12.5\n1,0.298,\n")
    weighings.fill_from_csv(folder, table)
    assert masses(folder) == [0.298, None, 0.291]
    assert read_run(folder).extrusions[2].bond_force_N == 12.5


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("extrusion,mass\n1,0.3\n", "no measured column"),
        ("extrusion,delivered_mass_g\n4,0.3\n", r"no such extrusion \(limit 1 to 3\)"),
        ("extrusion,delivered_mass_g\n1,heavy\n", "row 2, column 'delivered_mass_g'"),
        ("extrusion,delivered_mass_g\n1,-0.3\n", "zero or more"),
        ("delivered_mass_g\n0.3\n0.4\n", "no column 'setpoint_C'"),
        (
            "setpoint_C,commanded_mm3_per_s,commanded_mm,delivered_mass_g\n220,2,100,0.3\n",
            r"commanded columns differ from the run's \(got 1 rows, limit 3 extrusions\)",
        ),
    ],
)
def test_tables_that_do_not_fit_get_one_line(
    folder: Path, tmp_path: Path, text: str, message: str
) -> None:
    (tmp_path / "scale.csv").write_text(text)
    with pytest.raises(BadInput, match=message):
        weighings.fill_from_csv(folder, tmp_path / "scale.csv")
    assert masses(folder) == [None] * 3
    assert verify(folder).intact


def test_unknown_columns_and_runs_without_extrusions_are_refused(
    folder: Path, write_run: Callable[..., Path]
) -> None:
    with pytest.raises(BadInput, match="did you mean 'delivered_mm'"):
        weighings.fill(folder, {1: 0.3}, column="deliverd_mm")
    with pytest.raises(BadInput, match="run has no extrusions"):
        weighings.fill(write_run("plain"), {1: 0.3})
