"""Runs recorded elsewhere, and run folders at a glance."""

from collections.abc import Sequence
from pathlib import Path

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.store.checking import list_runs, recover, verify
from hotbench.store.importing import import_csv, parse_columns
from hotbench.store.reader import read_run


def import_log(
    file: Path,
    out: Path,
    columns: Sequence[str],
    *,
    ambient_C: float | None = None,
    held_out_after_s: float | None = None,
    commanded_duty: bool = False,
) -> Result:
    """Bring a CSV log in as a run folder; what comes after `held_out_after_s` judges the fit.

    commanded_duty: each row holds what was applied from then on, not what a report showed.
    """
    folder = import_csv(
        file,
        out,
        parse_columns(columns),
        ambient_C=ambient_C,
        validate_after_s=held_out_after_s,
        commanded_duty=commanded_duty,
    )
    run = read_run(folder)
    taken = {str(key): str(value) for key, value in run.info.settings.items()}
    facts = {"run": str(out), "samples": len(run), "settings": taken}
    rows = (
        ("samples", str(len(run))),
        ("duration", f"{number(float(run.time_s[-1] - run.time_s[0]))} s"),
        ("temperature", f"{run.temperature_C.min():.1f} to {run.temperature_C.max():.1f} °C"),
    )
    return Result(facts, (Table(f"imported into {out}", ("", "value"), rows),))


def run_table(folder: Path, *, mend: bool = False) -> Table:
    """Every run below `folder` with its state; `mend` closes those that were cut off."""
    rows = []
    for entry in list_runs(folder):
        checked = (recover if mend else verify)(entry.folder) if entry.info else None
        problems = "; ".join(checked.problems) if checked else entry.problem
        procedure = entry.info.procedure if entry.info else "?"
        outcome = checked.outcome if checked else entry.outcome
        created = entry.info.created if entry.info else "?"
        shown = problems or "intact"
        name, samples = _below(entry.folder, folder), str(entry.sample_count)
        rows.append((name, procedure, created, samples, outcome, shown))
    heads = ("run", "procedure", "recorded", "samples", "outcome", "files")
    return Table(f"runs in {folder}", heads, tuple(rows), frozenset({3}))


def _below(run: Path, folder: Path) -> str:
    """A run as the caption's folder leaves it to be named; its own name where it is that folder."""
    return str(run.relative_to(folder)) if run != Path(folder) else run.name
