"""Commands on weighings: list, enter, fill, accept, undo, reject, restore, history."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from hotbench.cli.arguments import RUN_FOLDER, SuggestingGroup, as_json_option
from hotbench.cli.output import ask, emit

if TYPE_CHECKING:
    from hotbench.bench.results import Result

run_argument = click.argument("run", type=RUN_FOLDER)
number_argument = click.argument("extrusion", type=click.IntRange(min=1))
evidence_option = click.option(
    "--evidence",
    default="mass",
    show_default=True,
    help="mass (g), length (mm), bond (peak force, N) or section (of the pulled sample, mm²).",
)


@click.group(cls=SuggestingGroup)
def weigh() -> None:
    """Enter, undo and reject what came out of a run's extrusions.

    Example: hotbench weigh enter runs/melt
    """


def _show(result: "Result", *, as_json: bool) -> None:
    emit(result.plain(), as_json=as_json, tables=result.tables())


@weigh.command("list")
@run_argument
@as_json_option
def list_(run: Path, *, as_json: bool) -> None:
    """Every extrusion, what was entered and what is pending.

    Example: hotbench weigh list runs/melt
    """
    from hotbench.bench import entries

    _show(entries.listing(run), as_json=as_json)


@weigh.command()
@run_argument
@evidence_option
@as_json_option
def enter(run: Path, evidence: str, *, as_json: bool) -> None:
    """Ask for every value that is pending; 'undo' goes one back.

    Example: hotbench weigh enter runs/melt
    """
    from hotbench.bench import entries

    _show(entries.enter_by_prompt(run, ask, evidence), as_json=as_json)


@weigh.command()
@run_argument
@click.argument("file", type=click.Path(path_type=Path))
@as_json_option
def fill(run: Path, file: Path, *, as_json: bool) -> None:
    """Take values from a CSV file.

    Its columns: extrusion (from 1) and delivered_mass_g, delivered_mm, bond_force_N or
    bond_section_mm2; an empty cell leaves its extrusion pending.

    Example: hotbench weigh fill runs/melt scale.csv
    """
    from hotbench.bench import entries

    _show(entries.enter_from_csv(run, file), as_json=as_json)


@weigh.command()
@run_argument
@as_json_option
def accept(run: Path, *, as_json: bool) -> None:
    """Accept the run's own extrusions.csv as it was edited by hand.

    Example: hotbench weigh accept runs/melt
    """
    from hotbench.bench import entries

    _show(entries.enter_from_csv(run), as_json=as_json)


@weigh.command()
@run_argument
@as_json_option
def undo(run: Path, *, as_json: bool) -> None:
    """Take the last change back.

    Example: hotbench weigh undo runs/melt
    """
    from hotbench.bench import entries

    _show(entries.undo(run), as_json=as_json)


@weigh.command()
@run_argument
@number_argument
@click.option("--reason", required=True, help="Why it is left out; kept with the run.")
@evidence_option
@as_json_option
def reject(run: Path, extrusion: int, reason: str, evidence: str, *, as_json: bool) -> None:
    """Leave an outlier out; restore gives it back.

    Example: hotbench weigh reject runs/melt 7 --reason "strand fell off the pan"
    """
    from hotbench.bench import entries

    _show(entries.reject(run, extrusion, reason, evidence), as_json=as_json)


@weigh.command()
@run_argument
@number_argument
@evidence_option
@as_json_option
def restore(run: Path, extrusion: int, evidence: str, *, as_json: bool) -> None:
    """Give a rejected value back.

    Example: hotbench weigh restore runs/melt 7
    """
    from hotbench.bench import entries

    _show(entries.restore(run, extrusion, evidence), as_json=as_json)


@weigh.command()
@run_argument
@as_json_option
def history(run: Path, *, as_json: bool) -> None:
    """Every change in order, with its reason.

    Example: hotbench weigh history runs/melt
    """
    from hotbench.bench import entries

    _show(entries.history(run), as_json=as_json)


COMMANDS = (weigh,)
