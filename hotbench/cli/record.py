"""Commands that record a test."""

from pathlib import Path
from typing import Any

import click

from hotbench.cli.arguments import (
    NUMBER,
    NUMBERS,
    POSITIVE,
    SPREAD,
    Dip,
    SuggestingGroup,
    in_options,
    record_options,
)
from hotbench.cli.output import ask, confirmer, emit
from hotbench.core.errors import BadInput

fault_deviation_option = click.option(
    "--fault-deviation",
    "fault_deviation_K",
    type=POSITIVE,
    help="How far the board lets the reading stray from a moving setpoint before it faults, K; "
    "its settings say it.",
)
fault_spread_option = click.option(
    "--fault-spread",
    "fault_spread",
    type=SPREAD,
    help="How much that level varies from move to move, a share; 0.1 is assumed where not given.",
)
fan_option = click.option(
    "--fan", type=NUMBER, default=0.0, show_default=True, help="Part fan, 0 to 1."
)


@click.group(cls=SuggestingGroup)
def record() -> None:
    """Record a test over the serial line into a run folder.

    Example: hotbench record step --port sim:swift-sleeve --out runs/step
    """


@record.command()
@click.option(
    "--to", "to_C", type=NUMBERS, default="240", show_default=True, help="Heat to, °C, one or more."
)
@click.option(
    "--fan",
    "fans",
    type=NUMBERS,
    default="0,0.5,1",
    show_default=True,
    help="Cool once with each of these fan settings, 0 to 1.",
)
@click.option(
    "--dip", type=Dip(), default="220-190", show_default=True, help="A dip, from and to, °C."
)
@click.option(
    "--hold", "hold_s", type=NUMBER, default=60.0, show_default=True, help="Hold time, s."
)
@click.option(
    "--validate/--no-validate",
    default=True,
    show_default=True,
    help="Record a stretch the fit never sees.",
)
@record_options
def step(**given: Any) -> None:
    """Heat-up, hold, cool-down at each fan setting, and a dip.

    Example: hotbench record step --port /dev/ttyUSB0 --out runs/step --to 240 --fan 0,0.5,1
    """
    _record("step", given)


@record.command()
@click.option(
    "--from", "low_C", type=NUMBER, default=190.0, show_default=True, help="Lower end, °C."
)
@click.option(
    "--to", "high_C", type=NUMBER, default=230.0, show_default=True, help="Upper end, °C."
)
@click.option("--rates", "rates_K_per_s", type=NUMBERS, help="Fixed rates, K/s; default: adaptive.")
@click.option("--cooling-rates", "cooling_rates_K_per_s", type=NUMBERS, help="Rates down, K/s.")
@click.option("--first-rate", "first_rate_K_per_s", type=POSITIVE, help="First rate tried, K/s.")
@fan_option
@click.option("--max-ramps", type=int, default=15, show_default=True, help="Most ramps each way.")
@fault_deviation_option
@fault_spread_option
@click.option("--reset-allowed", is_flag=True, help="After a fault, reset the board and go on.")
@record_options
def ramp(**given: Any) -> None:
    """Setpoint ramps up and down at rates chosen as it goes.

    Example: hotbench record ramp --port /dev/ttyUSB0 --out runs/ramp --from 190 --to 230
    """
    _record("ramp", given)


@record.command()
@click.option(
    "--from", "from_C", type=NUMBER, default=220.0, show_default=True, help="Hold before a dip, °C."
)
@click.option(
    "--to", "to_C", type=NUMBERS, default="190", show_default=True, help="Dip to, °C, one or more."
)
@click.option(
    "--fan",
    "fans",
    type=NUMBERS,
    default="0,1",
    show_default=True,
    help="Dip with each of these fan settings, 0 to 1.",
)
@record_options
def dip(**given: Any) -> None:
    """Dips to a lower temperature and back.

    Example: hotbench record dip --port /dev/ttyUSB0 --out runs/dip --from 220 --to 190,200
    """
    _record("dip", given)


@record.command()
@click.option(
    "--from", "low_C", type=NUMBER, default=190.0, show_default=True, help="Lower end, °C."
)
@click.option("--sizes", "sizes_K", type=NUMBERS, help="Sizes to try, K.")
@click.option("--times", type=int, default=2, show_default=True, help="How often each size.")
@fan_option
@fault_deviation_option
@fault_spread_option
@click.option("--reset-allowed", is_flag=True, help="After a fault, reset the board and confirm.")
@record_options
def jump(**given: Any) -> None:
    """Single changes of the setpoint, growing until one is not tolerated.

    Example: hotbench record jump --port /dev/ttyUSB0 --out runs/jump --sizes 5,10,20
    """
    _record("jump", given)


@record.command()
@click.option(
    "--from", "from_C", type=NUMBER, default=220.0, show_default=True, help="Hold before a dip, °C."
)
@click.option("--to", "to_C", type=NUMBER, default=200.0, show_default=True, help="Dip to, °C.")
@click.option("--rests", "rests_s", type=NUMBERS, help="Rests between dips, s; longest first.")
@click.option("--dips", "count", type=int, default=5, show_default=True, help="Dips at each rest.")
@click.option("--rate", "heating_rate_K_per_s", type=POSITIVE, help="Setpoint rate up, K/s.")
@click.option("--cooling-rate", "cooling_rate_K_per_s", type=POSITIVE, help="Down, K/s.")
@fan_option
@fault_deviation_option
@fault_spread_option
@record_options
def repeat(**given: Any) -> None:
    """The same dip many times in a row, at shrinking rests.

    Example: hotbench record repeat --port /dev/ttyUSB0 --out runs/repeat --rate 1 --dips 5
    """
    _record("repeat", given)


@record.command()
@click.option(
    "--to", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="Hold at, °C."
)
@click.option(
    "--duration", "duration_s", type=NUMBER, default=120.0, show_default=True, help="For, s."
)
@fan_option
@record_options
def hold(**given: Any) -> None:
    """Hold one temperature.

    Example: hotbench record hold --port /dev/ttyUSB0 --out runs/hold --to 220 --duration 300
    """
    _record("hold", given)


@record.command()
@click.option(
    "--temperatures",
    "temperatures_C",
    type=NUMBERS,
    default="200,220,240",
    show_default=True,
    help="Extrude at, °C; within what the filament's maker allows.",
)
@click.option(
    "--flows", "flows_mm3_per_s", type=NUMBERS, help="Fixed flows, mm³/s; default: adaptive."
)
@click.option(
    "--length", "length_mm", type=POSITIVE, help="Filament per extrusion, mm; default: 100."
)
@click.option(
    "--weighings",
    "max_weighings",
    type=int,
    default=36,
    show_default=True,
    help="Most extrusions; it ends earlier once the limits are known.",
)
@click.option("--material", default="PLA", show_default=True, help="Which filament, in your words.")
@click.option(
    "--filament-diameter",
    "filament_diameter_mm",
    type=POSITIVE,
    help="Filament diameter, mm; default: 1.75.",
)
@click.option(
    "--density",
    "filament_density_g_per_cm3",
    type=POSITIVE,
    default=1.24,
    show_default=True,
    help="Filament density, g/cm³.",
)
@click.option(
    "--scale",
    default="prompt",
    show_default=True,
    help="Where masses come from: prompt, later, or the port of a weighing scale "
    "(the simulated printer in virtual time weighs by itself).",
)
@click.option("--scale-pattern", help="Regular expression with one group, the mass in grams.")
@click.option(
    "--scale-shape",
    help="How the scale writes its lines: number, flags-first, letters-first or mark-last.",
)
@click.option(
    "--scale-baud",
    type=click.IntRange(min=1),
    default=9600,
    show_default=True,
    help="Baud rate of the scale.",
)
@click.option("--hot-end", help="Which hot end, in your words.")
@click.option("--nozzle", help="Which nozzle, in your words.")
@click.option(
    "--continues",
    "earlier",
    multiple=True,
    type=click.Path(path_type=Path),
    help="An earlier run of this session: its weighings count. May be given again.",
)
@record_options
def extrude(**given: Any) -> None:
    """Extrude into air at several flows and temperatures, and weigh.

    Example: hotbench record extrude --port /dev/ttyUSB0 --out runs/melt --temperatures 200,220,240
    """
    _record("extrude", given)


@record.command()
@click.option(
    "--to", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="Step up to, °C."
)
@click.option(
    "--step", "step_K", type=NUMBER, default=20.0, show_default=True, help="Size of the step, K."
)
@click.option(
    "--watch", "watch_s", type=NUMBER, default=60.0, show_default=True, help="Record it for, s."
)
@click.option(
    "--flow",
    "flow_mm3_per_s",
    type=NUMBER,
    default=0.0,
    show_default=True,
    help="Flow of a flow step, mm³/s; 0 moves no filament.",
)
@click.option(
    "--flow-time", "flow_s", type=NUMBER, default=30.0, show_default=True, help="Extrude for, s."
)
@fan_option
@click.option(
    "--filament-diameter",
    "filament_diameter_mm",
    type=POSITIVE,
    default=1.75,
    show_default=True,
    help="Filament diameter, mm.",
)
@record_options
def verify(**given: Any) -> None:
    """A setpoint step and a flow step with the gains in force, for 'tune --against'.

    Example: hotbench record verify --port /dev/ttyUSB0 --out runs/verify --to 220 --flow 6
    """
    _record("verify", given)


@record.command()
@click.option(
    "--at", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="Around this, °C."
)
@click.option(
    "--amplitude",
    "amplitude_K",
    type=NUMBER,
    default=2.0,
    show_default=True,
    help="Setpoint moves, ± K.",
)
@click.option("--cycles", type=int, default=12, show_default=True, help="Swings to record.")
@click.option(
    "--longest", "longest_s", type=NUMBER, default=240.0, show_default=True, help="End after, s."
)
@click.option(
    "--abandon",
    "abandon_K",
    type=NUMBER,
    default=8.0,
    show_default=True,
    help="End when the reading is so far off, K.",
)
@fan_option
@record_options
def relay(**given: Any) -> None:
    """A small relay on the setpoint: the loop's gain margin and the heater's response, measured.

    Example: hotbench record relay --port /dev/ttyUSB0 --out runs/relay --at 220
    """
    _record("relay", given)


def _record(procedure: str, given: dict[str, Any]) -> None:
    from hotbench.bench.recording import record_from_options

    as_json, yes = given.pop("as_json"), given.pop("yes")
    try:
        result = record_from_options(procedure, given, confirm=confirmer(yes=yes), prompt=ask)
    except BadInput as error:
        raise in_options(error, click.get_current_context().command) from error
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


COMMANDS = (record,)
