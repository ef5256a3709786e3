"""Commands on print jobs: rehearse."""

from pathlib import Path

import click

from hotbench.cli.arguments import FILE, JOB_FILE, NewFile, as_json_option
from hotbench.cli.output import emit


@click.command()
@click.argument("job", type=JOB_FILE)
@click.option("--profile", "profile_file", required=True, type=FILE, help="Machine profile.")
@click.option("--at", "set_C", type=float, help="Temperature where the job sets none, °C.")
@click.option(
    "--roles",
    "roles_file",
    type=click.Path(path_type=Path),
    help="YAML: comment patterns of layers and roles, and wished temperatures.",
)
@click.option("--schedule", type=NewFile(), help="Schedule to write: .csv or .yaml.")
@click.option(
    "--write",
    "new_job",
    type=click.Path(path_type=Path),
    help="Copy of the job with the schedule in it, to write.",
)
@click.option(
    "--motion",
    multiple=True,
    metavar="LIMIT=VALUE",
    help="Motion limit instead of the profile's, such as acceleration_mm_per_s2=3000; repeatable.",
)
@click.option("--picture", type=NewFile(), help="Picture to write: .svg or .png.")
@as_json_option
def rehearse(
    job: Path,
    profile_file: Path,
    set_C: float | None,
    roles_file: Path | None,
    schedule: Path | None,
    new_job: Path | None,
    motion: tuple[str, ...],
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    """Hold a print job against a profile: where it asks for too much, and what would fit.

    Example: hotbench rehearse vase.gcode --profile machine.yaml --schedule schedule.csv
    """
    from hotbench.bench.rehearsing import read_motion, rehearse_file
    from hotbench.bench.scheduling import Outputs

    wanted = any((schedule, new_job, picture))
    result = rehearse_file(
        job,
        profile_file,
        roles_file=roles_file,
        outputs=Outputs(schedule, new_job, picture) if wanted else None,
        set_C=set_C,
        motion=read_motion(motion),
    )
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


COMMANDS = (rehearse,)
