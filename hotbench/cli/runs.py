"""Commands on recorded runs: import, fit, report, runs."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from hotbench.cli.arguments import (
    AMBIENT,
    POSITIVE,
    NewFile,
    as_json_option,
    fit_options,
    runs_argument,
)
from hotbench.cli.output import emit


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run folder to create.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="FIELD=NAME[:UNIT]",
    help="Field time, temperature, setpoint, duty, fan, flow or phase; duty and fan take "
    "fraction, percent, LOW-HIGH such as 0-255; duty also volts.",
)
@click.option("--ambient", "ambient_C", type=AMBIENT, help="Ambient temperature, °C.")
@click.option(
    "--held-out-after", "held_out_after_s", type=POSITIVE, help="From here on no fit sees it, s."
)
@click.option(
    "--commanded-duty",
    is_flag=True,
    help="The log's author set the duty, so that it holds from its row on; else a board's report "
    "showed it, some time after it changed.",
)
@as_json_option
def import_(
    file: Path,
    out: Path,
    columns: Sequence[str],
    ambient_C: float | None,
    held_out_after_s: float | None,
    *,
    commanded_duty: bool,
    as_json: bool,
) -> None:
    """Bring in a log recorded elsewhere.

    Example: hotbench import log.csv --out runs/log --column time=t --column temperature=hotend
    --column duty=pwm:0-255
    """
    from hotbench.bench.importing import import_log

    result = import_log(
        file,
        out,
        columns,
        ambient_C=ambient_C,
        held_out_after_s=held_out_after_s,
        commanded_duty=commanded_duty,
    )
    emit(result.plain(), as_json=as_json, tables=result.tables())


@click.command()
@runs_argument
@click.option("--out", type=NewFile(), help="Write the fit as YAML.")
@click.option("--all", "every", is_flag=True, help="Show every table, not only the short form.")
@fit_options
@as_json_option
def fit(
    runs: Sequence[Path], out: Path | None, *, every: bool, as_json: bool, **given: Any
) -> None:
    """Fit heater, slew and melt models to recorded runs.

    Example: hotbench fit runs/step runs/ramp --out fit.yaml
    """
    from hotbench.bench import brief
    from hotbench.bench.analysis import FitOptions, analyse
    from hotbench.bench.plain import write_yaml
    from hotbench.bench.progress import progress

    with progress("fit") as step:
        analysis = analyse(runs, FitOptions(**given), progress=step)
    if out is not None:
        write_yaml(analysis.plain(), out)
    tables = analysis.tables() if every else brief.fit_tables(analysis)
    emit(analysis.plain(), as_json=as_json, tables=tables)
    analysis.raise_if_nothing_identified()


@click.command()
@runs_argument
@click.option("--out", required=True, type=NewFile(), help="HTML file to write.")
@fit_options
@as_json_option
def report(runs: Sequence[Path], out: Path, *, as_json: bool, **given: Any) -> None:
    """Write one self-contained HTML report of the runs.

    Example: hotbench report runs/* --out report.html
    """
    from hotbench.bench.analysis import FitOptions, analyse
    from hotbench.bench.progress import progress
    from hotbench.bench.reporting import write_report

    with progress("report") as step:
        write_report(analyse(runs, FitOptions(**given), progress=step), out)
    emit({"report": str(out)}, as_json=as_json, lines=[f"report written: {out}"])


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--recover", is_flag=True, help="Close runs that were cut off.")
@as_json_option
def runs(folder: Path, *, recover: bool, as_json: bool) -> None:
    """List run folders and verify their hashes.

    Example: hotbench runs demo-run/runs
    """
    from hotbench.bench.importing import run_table

    table = run_table(folder, mend=recover)
    empty = [f"no run in {folder} or below it; hotbench record makes them"]
    lines, tables = ([], [table]) if table.rows else (empty, [])
    emit({"runs": table.plain()}, as_json=as_json, tables=tables, lines=lines)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--workers",
    type=click.IntRange(1, 1024),
    default=2,
    show_default=True,
    help="Processes to work in.",
)
@click.option("--cluster", help="Address of a Dask scheduler, such as tcp://host:8786.")
@click.option("--out", type=NewFile(), help="Table to write, .csv.")
@click.option("--profiles", is_flag=True, help="Take machine profiles below it, not runs.")
@fit_options
@as_json_option
def survey(
    folder: Path,
    workers: int,
    cluster: str | None,
    out: Path | None,
    *,
    profiles: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Fit every run below a folder by itself, printer by printer, and look for drift.

    Example: hotbench survey workshop --workers 4 --out survey.csv

    Example: hotbench survey workshop --profiles
    """
    from hotbench.bench.analysis import FitOptions
    from hotbench.bench.progress import progress
    from hotbench.bench.surveying import survey_folder

    with progress("survey") as step:
        result = survey_folder(
            folder,
            FitOptions(**given),
            workers=workers,
            cluster=cluster,
            out=out,
            profiles=profiles,
            progress=step,
        )
    emit(result.plain(), as_json=as_json, tables=result.tables())


COMMANDS = (import_, fit, report, runs, survey)
