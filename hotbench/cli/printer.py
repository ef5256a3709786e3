"""Commands that meet a printer or stand in for one: demo, sim, ports, check."""

from pathlib import Path
from typing import Any

import click

from hotbench.cli.arguments import (
    POSITIVE,
    as_json_option,
    port_options,
    printer_option,
    seed_option,
)
from hotbench.cli.output import announcer, confirmer, emit
from hotbench.core.errors import BadInput


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("demo-run"),
    show_default=True,
    help="Folder to create.",
)
@printer_option
@seed_option
@as_json_option
def demo(out: Path, printer: str, seed: int, *, as_json: bool) -> None:
    """Run the whole job on the simulated printer, in virtual time.

    Example: hotbench demo --out demo-run --printer swift-sleeve
    """
    from hotbench.bench.demo import run_demo
    from hotbench.bench.progress import progress

    with progress("demo") as step:
        result = run_demo(out, printer=printer, seed=seed, progress=step)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@click.command()
@printer_option
@click.option("--pty", "use_pty", is_flag=True, help="Serve on a pseudo-terminal (the default).")
@click.option("--tcp", "tcp_port", type=click.IntRange(0, 65535), help="Serve on a TCP port.")
@click.option(
    "--speed", type=POSITIVE, default=1.0, show_default=True, help="Board seconds per second."
)
@seed_option
@as_json_option
def sim(
    printer: str, *, use_pty: bool, tcp_port: int | None, speed: float, seed: int, as_json: bool
) -> None:
    """Serve a simulated printer and print the port to connect to.

    Example: hotbench sim --printer plain-block --tcp 7070 --speed 20
    """
    from hotbench.bench.serving import serve

    if use_pty and tcp_port is not None:
        raise BadInput("--pty and --tcp exclude each other", remedy="give one of them")
    serve(printer, tcp_port=tcp_port, speed=speed, seed=seed, announce=announcer(as_json=as_json))


@click.command()
@as_json_option
def ports(*, as_json: bool) -> None:
    """List the serial ports of this computer.

    Example: hotbench ports
    """
    from hotbench.bench.connecting import port_table

    table = port_table()
    emit({"ports": table.plain()}, as_json=as_json, tables=[table])


@click.command()
@port_options
def check(*, yes: bool, as_json: bool, **link: Any) -> None:
    """Identify a printer, time the link, and see the sensor follow the heater by a few kelvin.

    Example: hotbench check --port /dev/ttyUSB0
    """
    from hotbench.bench.connecting import check_printer, link_options

    result = check_printer(
        link_options(link),
        confirm=confirmer(yes=yes),
        tell=lambda text: click.echo(f"{text} ...", err=True),
    )
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


COMMANDS = (demo, sim, ports, check)
