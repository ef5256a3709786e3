"""Unit help: filament, feed and flow, printed lines, melt rates."""

import click

from hotbench.cli.arguments import POSITIVE, SuggestingGroup, as_json_option
from hotbench.cli.output import emit

diameter_option = click.option(
    "--diameter", type=POSITIVE, default=1.75, show_default=True, help="Filament diameter, mm."
)
flow_option = click.option("--flow", type=POSITIVE, help="Volumetric flow, mm³/s.")


@click.group(cls=SuggestingGroup)
def units() -> None:
    """Convert filament, feed, flow and melt rates."""


@units.command()
@diameter_option
@click.option("--density", type=POSITIVE, default=1.24, show_default=True, help="Density, g/cm³.")
@click.option("--length", type=POSITIVE, default=1000.0, show_default=True, help="Length, mm.")
@as_json_option
def filament(diameter: float, density: float, length: float, *, as_json: bool) -> None:
    """Section, volume and mass of a length of filament.

    Example: hotbench units filament --diameter 1.75 --density 1.24 --length 100
    """
    from hotbench.bench.filament import filament as convert

    result = convert(diameter, density, length)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@units.command()
@diameter_option
@flow_option
@click.option("--feed", "speed", type=POSITIVE, help="Filament feed, mm/s.")
@as_json_option
def feed(diameter: float, flow: float | None, speed: float | None, *, as_json: bool) -> None:
    """Flow of a filament feed, or the feed of a flow.

    Example: hotbench units feed --flow 12
    """
    from hotbench.bench.filament import feed as convert

    result = convert(diameter, flow_mm3_per_s=flow, feed_mm_per_s=speed)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@units.command()
@click.option("--width", type=POSITIVE, required=True, help="Line width, mm.")
@click.option("--height", type=POSITIVE, required=True, help="Layer height, mm.")
@click.option("--speed", type=POSITIVE, help="Print speed, mm/s.")
@flow_option
@as_json_option
def line(
    width: float, height: float, speed: float | None, flow: float | None, *, as_json: bool
) -> None:
    """Flow of a printed line, or the speed that a flow allows.

    Example: hotbench units line --width 0.45 --height 0.2 --speed 100
    """
    from hotbench.bench.filament import line as convert

    result = convert(width, height, speed_mm_per_s=speed, flow_mm3_per_s=flow)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@units.command("melt-rate")
@click.option("--melt-density", type=POSITIVE, required=True, help="Of the melt, g/cm³.")
@click.option("--mfr", type=POSITIVE, help="Melt mass-flow rate, g/10 min.")
@click.option("--mvr", type=POSITIVE, help="Melt volume-flow rate, cm³/10 min.")
@as_json_option
def melt_rate(melt_density: float, mfr: float | None, mvr: float | None, *, as_json: bool) -> None:
    """ISO 1133 melt rates, related to a flow but no flow limit.

    Example: hotbench units melt-rate --melt-density 1.1 --mvr 6
    """
    from hotbench.bench.filament import melt_rate as convert

    result = convert(melt_density, mass_rate_g_per_10min=mfr, volume_rate_cm3_per_10min=mvr)
    emit(result.plain(), as_json=as_json, tables=result.tables())


COMMANDS = (units,)
