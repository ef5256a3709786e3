"""Surveys: the same table from processes and a Dask cluster, drift found and not invented."""

from pathlib import Path

import numpy as np
import pytest
from many_runs import write_runs

from hotbench.bench.surveying import (
    LEVEL,
    NAMES,
    Surveyed,
    drifting,
    printer_of,
    survey,
    survey_folder,
)
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.store.checking import list_runs

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


def stated(value: float, unit: str) -> Quantity:
    return Quantity(value=value, unit=unit, basis="fitted")


def history(
    count: int, *, lag_per_run: float = 0.0, heating_per_run: float = 0.0, seed: int = 1
) -> list[Surveyed]:
    """A printer's runs, ten days apart, every number with 1 % of scatter."""
    random = np.random.default_rng(seed)
    rows = []
    for k in range(count):
        scatter = 1.0 + 0.01 * random.standard_normal(4)
        values = (20.0 * (1 + heating_per_run * k), 2.0, 0.6 * (1 + lag_per_run * k), 0.15)
        units = ("K/s", "K/s", "s", "")
        numbers = {
            name: stated(value * part, unit)
            for name, value, part, unit in zip(NAMES, values, scatter, units, strict=True)
        }
        day = np.datetime64("2026-01-01") + 10 * k
        rows.append(Surveyed("bench", f"run-{k}", f"r/{k}", f"{day}T08:00:00Z", numbers))
    return rows


def test_a_growing_lag_is_a_suspicion_with_its_evidence() -> None:
    (drift,) = drifting(history(12, lag_per_run=0.02))
    assert (drift.name, drift.runs) == ("combined_lag", 12)
    assert drift.last / drift.first == pytest.approx(1.22, abs=0.05)
    assert drift.p < 0.001
    low, high = drift.per_30_days.low, drift.per_30_days.high
    assert low is not None
    assert high is not None
    assert low < 0.6 * 0.02 * 3.0 < high
    assert "may be loosening in its seat" in drift.suspicion


def test_falling_power_is_told_from_a_growing_lag() -> None:
    (drift,) = drifting(history(12, heating_per_run=-0.01))
    assert drift.name == "heating_rate"
    assert "weakening" in drift.suspicion


@pytest.mark.parametrize("way", [0.02, -0.02])
def test_what_it_may_be_follows_the_direction(way: float) -> None:
    (drift,) = drifting(history(12, lag_per_run=way))
    assert ("loosening" in drift.suspicion) == (way > 0.0)


def test_steady_printers_are_seldom_suspected() -> None:
    """400 printers that do not change: at most the stated level of them, all numbers counted."""
    wrong = sum(bool(drifting(history(10, seed=seed))) for seed in range(400))
    assert wrong <= 400 * LEVEL


@pytest.mark.parametrize("count", [0, 1, 4])
def test_too_few_runs_raise_no_suspicion(count: int) -> None:
    assert drifting(history(count, lag_per_run=0.3)) == []


def test_runs_of_one_day_and_without_a_date_are_no_history() -> None:
    rows = history(8, lag_per_run=0.05)
    same = [Surveyed(r.printer, r.run_id, r.folder, rows[0].created, r.numbers) for r in rows]
    undated = [Surveyed(r.printer, r.run_id, r.folder, "soon", r.numbers) for r in rows]
    assert drifting(same) == []
    assert drifting(undated) == []


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two printers with two runs each, and a folder that is no whole run."""
    root = tmp_path_factory.mktemp("workshop")
    write_runs(root, printers=2, each=2)
    broken = root / "printer-0" / "broken"
    broken.mkdir()
    source = next(root.glob("printer-1/*/datapackage.json"))
    (broken / "datapackage.json").write_bytes(source.read_bytes())
    return root


@pytest.fixture(scope="module")
def alone(workshop: Path) -> list[Surveyed]:
    """The workshop's runs, one after the other in this process."""
    return survey(list_runs(workshop), workshop, workers=1)


def test_every_run_is_a_row_and_a_broken_one_has_its_reason(workshop: Path, tmp_path: Path) -> None:
    seen: list[float] = []
    out = tmp_path / "survey.csv"
    result = survey_folder(
        workshop, workers=1, out=out, progress=lambda share, text: seen.append(share)
    )
    rows = result.facts["runs"]
    assert [row.printer for row in rows] == ["printer-0"] * 3 + ["printer-1"] * 2
    assert [bool(row.remark) for row in rows].count(True) == 1
    assert all(
        set(row.numbers) >= {"heating_rate", "combined_lag"} for row in rows if not row.remark
    )
    assert seen[-1] == 1.0
    lines = out.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 6
    assert lines[0].startswith("printer,run_id,folder,created,remark,heating_rate,")
    assert result.tables()[0].caption.startswith("5 runs at 200 °C")


def test_numbers_are_those_of_the_printers(alone: list[Surveyed]) -> None:
    """Printer 1 heats by a tenth more than printer 0, as it was written."""
    by_printer = {row.printer: row.numbers["heating_rate"].value for row in alone if not row.remark}
    assert by_printer["printer-1"] / by_printer["printer-0"] == pytest.approx(1.1, abs=0.03)


@pytest.mark.slow
def test_workers_and_a_cluster_give_the_same_table(workshop: Path, alone: list[Surveyed]) -> None:
    from distributed import LocalCluster

    entries = list_runs(workshop)
    assert survey(entries, workshop, workers=2) == alone
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        found = survey(entries, workshop, workers=2, cluster=cluster.scheduler_address)
    assert found == alone


def test_an_unknown_scheduler_is_refused(workshop: Path) -> None:
    with pytest.raises(BadInput, match="no such Dask scheduler"):
        survey(list_runs(workshop), workshop, cluster="nothing://nowhere")


@pytest.fixture(name="shelf")
def shelf_fixture(tmp_path: Path) -> Path:
    """Profiles of two printers, one of them over half a year, and files that are none."""
    text = EXAMPLE.read_text(encoding="utf-8").replace(
        "temperature_C: 220.0", "temperature_C: 200.0"
    )
    for month in range(1, 7):
        lag = f"{{value: {0.5 + 0.05 * month}, unit: s, basis: fitted}}"
        dated = text.replace("2026-03-02T09", f"2026-{month:02}-02T09")
        lines = [
            f"  combined_lag: {lag}\n" if line.startswith("  combined_lag:") else line
            for line in dated.splitlines(keepends=True)
        ]
        (tmp_path / f"month-{month}.yaml").write_text("".join(lines), encoding="utf-8")
    (tmp_path / "other").mkdir()
    other = text.replace("name: bench sleeve", "name: another")
    (tmp_path / "other" / "machine.yaml").write_text(other, encoding="utf-8")
    (tmp_path / "other" / "torn.yaml").write_text(text[:400], encoding="utf-8")
    (tmp_path / "other" / "settings.yaml").write_text("a: 1\n", encoding="utf-8")
    return tmp_path


def test_profiles_make_a_table_and_a_history(shelf: Path) -> None:
    result = survey_folder(shelf, profiles=True, out=shelf / "table.csv")
    rows = result.facts["profiles"]
    assert [row.printer for row in rows] == ["", "another", *["bench sleeve"] * 6]
    assert "missing key" in rows[0].remark or "not YAML" in rows[0].remark
    assert set(rows[1].numbers) == set(NAMES)
    assert rows[1].numbers["heating_rate"].value == 18.5
    assert rows[1].numbers["hold_duty"].low == 0.2
    (drift,) = result.facts["drifts"]
    assert (drift.printer, drift.name) == ("bench sleeve", "combined_lag")
    table = result.tables()[0]
    assert table.caption.startswith("8 profiles at 200 °C")
    assert table.heads[1] == "profile"
    assert len((shelf / "table.csv").read_text(encoding="utf-8").splitlines()) == 9


def test_a_folder_of_profiles_is_no_folder_of_runs(shelf: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="give --profiles"):
        survey_folder(shelf)
    (tmp_path / "none").mkdir()
    with pytest.raises(BadInput, match="no machine profiles below it"):
        survey_folder(tmp_path / "none", profiles=True)


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no run folders"):
        survey_folder(tmp_path)


def test_a_printer_is_named_by_its_run_or_its_folder(workshop: Path) -> None:
    entry = list_runs(workshop)[0]
    assert printer_of(entry, workshop) in ("printer-0", "printer-1")
    assert printer_of(entry, entry.folder.parent) == "unnamed"
