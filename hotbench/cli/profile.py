"""Commands on machine profiles: build, check, show, compare, tune."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from hotbench.cli.arguments import (
    NUMBER,
    NUMBERS,
    POSITIVE,
    NewFile,
    SuggestingGroup,
    as_json_option,
    fit_options,
    runs_argument,
)
from hotbench.cli.output import emit


@click.group(cls=SuggestingGroup)
def profile() -> None:
    """Build, check and show machine profiles.

    Example: hotbench profile build runs/* --out machine.yaml
    """


@profile.command()
@runs_argument
@click.option("--out", required=True, type=NewFile(), help="YAML file to write.")
@click.option("--name", help="Name of the machine; default: from the runs.")
@fit_options
@as_json_option
def build(
    runs: Sequence[Path], out: Path, name: str | None, *, as_json: bool, **given: Any
) -> None:
    """Fit the runs and write the machine profile.

    Example: hotbench profile build runs/* --out machine.yaml
    """
    from hotbench.bench.analysis import FitOptions
    from hotbench.bench.profiling import build_file
    from hotbench.bench.progress import progress

    with progress("profile") as step:
        result = build_file(runs, out, FitOptions(**given), name=name, progress=step)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@profile.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--runs",
    "runs_folder",
    type=click.Path(path_type=Path),
    help="Folder of runs to verify against.",
)
@as_json_option
def profile_check(file: Path, runs_folder: Path | None, *, as_json: bool) -> None:
    """Check a profile: form, evidence, plausibility, and the runs it names.

    Example: hotbench profile check machine.yaml --runs runs
    """
    from hotbench.bench.gate import check_readable

    check_readable(file)
    from hotbench.bench.profiling import check_file

    result = check_file(file, runs_folder)
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


@profile.command()
@click.argument("file", type=click.Path(path_type=Path))
@as_json_option
def show(file: Path, *, as_json: bool) -> None:
    """Show a profile's headline numbers.

    Example: hotbench profile show machine.yaml
    """
    from hotbench.bench.gate import check_readable

    check_readable(file)
    from hotbench.bench.profiling import show_file

    result = show_file(file)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@click.command()
@click.argument("first")
@click.argument("second")
@click.option("--out", type=NewFile(), help="Page (.html) or picture to write.")
@click.option("--all", "every", is_flag=True, help="Show every number, not only the short form.")
@fit_options
@as_json_option
def compare(
    first: str, second: str, out: Path | None, *, every: bool, as_json: bool, **given: Any
) -> None:
    """Compare two profiles, or two sets of runs, such as before and after a firmware change.

    Each side is a profile, run folders separated by commas, or a folder with runs below it.

    Example: hotbench compare before.yaml after.yaml --out compare.html

    Example: hotbench compare runs/old-step,runs/old-ramp runs/new-step,runs/new-ramp
    """
    from hotbench.bench.gate import check_readable

    check_readable(first, second)
    from hotbench.bench.analysis import FitOptions
    from hotbench.bench.comparing import compare_files
    from hotbench.bench.progress import progress

    with progress("compare") as step:
        result = compare_files(
            first, second, out=out, options=FitOptions(**given), every=every, progress=step
        )
    emit(result.plain(), as_json=as_json, tables=result.tables())


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--at", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="Gains for, °C."
)
@click.option(
    "--duty-scale",
    "duty_full_scale",
    type=POSITIVE,
    default=1.0,
    show_default=True,
    help="Duty number for full power, such as 1, 100, 127 or 255.",
)
@click.option(
    "--form",
    type=click.Choice(["parallel", "ideal", "series"]),
    default="parallel",
    show_default=True,
    help="How the gains are stated.",
)
@click.option("--sample", "sample_s", type=POSITIVE, help="The board's control interval, s.")
@click.option(
    "--per-sample", is_flag=True, help="Gains for a board that sums errors once per sample."
)
@click.option(
    "--rule", default="robust optimum", show_default=True, help="Whose gains --out writes."
)
@click.option("--out", type=NewFile(), help="Profile to write, gains in it.")
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    help="A run of 'record verify' or 'record relay' to judge the prediction by.",
)
@click.option("--gains", type=NUMBERS, help="Kp,Ki,Kd in force, with --against.")
@as_json_option
def tune(
    file: Path, against: Path | None, gains: Sequence[float] | None, *, as_json: bool, **given: Any
) -> None:
    """Controller gains from a profile's heater model, or their prediction held against a run.

    Example: hotbench tune machine.yaml --at 220 --form ideal --out tuned.yaml

    Example: hotbench tune tuned.yaml --against runs/verify
    """
    from hotbench.bench.gate import check_readable

    check_readable(file)
    if against is not None:
        from hotbench.bench.verifying import verify_file

        scale = given["duty_full_scale"]
        result = verify_file(file, against, gains=gains, duty_full_scale=scale)
    else:
        from hotbench.bench.tuning import tune_file

        result = tune_file(file, **given)
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


COMMANDS = (profile, compare, tune)
