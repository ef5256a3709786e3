"""The command line: arguments in, bench calls, tables out."""

import json
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from hotbench import __version__
from hotbench.core.errors import BadInput, HotbenchError, nearest

Function = TypeVar("Function", bound=Callable[..., Any])

CAUTIONS = (
    "Hot: the hot end burns skin and plastic fumes; ventilate, keep hands and cables away, "
    "never leave it unattended. Mains and induction parts are for qualified people; keep probes, "
    "magnets and medical implants away from an induction field. The firmware's own protections "
    "stay enabled; the maker's instructions and local codes come first."
)


class Number(click.ParamType[Any]):
    """A finite number, optionally within limits that belong to the range."""

    name = "number"

    def __init__(self, low: float = -math.inf, high: float = math.inf) -> None:
        self.low, self.high = low, high

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        """The number; anything else, NaN and infinities too, is refused in one line."""
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            return self.fail(f"{value!r} is not a number", param, ctx)
        if not self.low <= number <= self.high:
            limits = f"{self.low:g} to {self.high:g}"
            return self.fail(f"{number:g} is outside {limits}", param, ctx)
        return number


class Numbers(click.ParamType[Any]):
    """A list of numbers separated by commas, such as 0,0.5,1."""

    name = "numbers"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, ...]:
        """The numbers as a tuple; anything else is refused in one line."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).split(",") if part.strip())
        except ValueError:
            numbers = ()
        if not (numbers and all(map(math.isfinite, numbers))):
            return self.fail(f"{value!r} is not a list of numbers such as 0,0.5,1", param, ctx)
        return numbers


class Dip(click.ParamType[Any]):
    """Two temperatures joined by a dash, such as 220-190."""

    name = "FROM-TO"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        """The two temperatures in °C."""
        if isinstance(value, tuple):
            return value
        high, _, low = str(value).partition("-")
        try:
            return (NUMBER.convert(high, param, ctx), NUMBER.convert(low, param, ctx))
        except click.BadParameter:
            return self.fail(f"{value!r} is not two temperatures such as 220-190", param, ctx)


NUMBERS = Numbers()
NUMBER = Number()
POSITIVE = Number(low=1e-6)
AMBIENT = Number(low=-50.0, high=80.0)
SEED = click.IntRange(min=0)


class SuggestingGroup(click.Group):
    """A group that names the nearest command when it does not know one."""

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """As click does, with a suggestion in the one line."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            names = self.list_commands(ctx)
            guess = nearest(args[0], names)
            hint = f"did you mean '{guess}'?" if guess else f"known: {', '.join(names)}"
            raise click.UsageError(f"no such command '{args[0]}'; {hint}", ctx) from error


def options(*decorators: Callable[[Function], Function]) -> Callable[[Function], Function]:
    """Several click decorators as one, in reading order."""

    def apply(function: Function) -> Function:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return apply


as_json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
runs_argument = click.argument("runs", nargs=-1, required=True, type=click.Path(path_type=Path))
printer_option = click.option(
    "--printer", default="swift-sleeve", show_default=True, help="Which simulated printer."
)
seed_option = click.option(
    "--seed", type=SEED, default=1, show_default=True, help="Seed of all randomness."
)
fit_options = options(
    click.option("--ambient", "ambient_C", type=AMBIENT, help="Ambient temperature, °C."),
    click.option(
        "--fault-deviation",
        "fault_deviation_K",
        type=POSITIVE,
        help="Deviation from the setpoint at which the board faults, K.",
    ),
    click.option(
        "--power", "power_W", type=POSITIVE, help="Heater power at full duty, W (wattmeter)."
    ),
)
port_options = options(
    click.option(
        "--port",
        required=True,
        help="Device, socket://host:port, rfc2217://host:port or sim:NAME.",
    ),
    click.option(
        "--baud",
        type=click.IntRange(min=1),
        default=115200,
        show_default=True,
        help="Baud rate of a device.",
    ),
    click.option(
        "--duty-scale",
        type=POSITIVE,
        default=127.0,
        show_default=True,
        help="Number in the report's @ field that means full duty.",
    ),
    click.option(
        "--interval",
        "interval_s",
        type=Number(low=0.02, high=5.0),
        default=0.1,
        show_default=True,
        help="Seconds between samples.",
    ),
    click.option(
        "--limit-temperature",
        "limit_temperature_C",
        type=POSITIVE,
        default=260.0,
        show_default=True,
        help="Never command above this, °C.",
    ),
    click.option("--seed", type=SEED, default=1, hidden=True),
    click.option("--yes", is_flag=True, help="Do not ask before heating (for scripts)."),
    as_json_option,
)
record_options = options(
    click.option(
        "--out", required=True, type=click.Path(path_type=Path), help="Run folder to create."
    ),
    click.option("--ambient", "ambient_C", type=AMBIENT, help="Ambient temperature, °C."),
    click.option("--note", default="", help="Remark kept with the run."),
    port_options,
)


@click.group(cls=SuggestingGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="hotbench")
def app() -> None:
    """Measure a hot end, fit its models, and write its numbers down.

    The chain: record → fit → profile. Try it without hardware:

        hotbench demo --out demo-run
    """


@app.command()
@click.option("--out", type=click.Path(path_type=Path), default=Path("demo-run"), show_default=True)
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


@app.command()
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
    serve(printer, tcp_port=tcp_port, speed=speed, seed=seed, announce=_announcer(as_json=as_json))


@app.command()
@as_json_option
def ports(*, as_json: bool) -> None:
    """List the serial ports of this computer.

    Example: hotbench ports
    """
    from hotbench.bench.connecting import port_table

    table = port_table()
    emit({"ports": table.plain()}, as_json=as_json, tables=[table])


@app.command()
@port_options
def check(*, yes: bool, as_json: bool, **link: Any) -> None:
    """Identify a printer, time the link, and see the sensor follow the heater by a few kelvin.

    Example: hotbench check --port /dev/ttyUSB0
    """
    from hotbench.bench.connecting import LinkOptions, check_printer

    result = check_printer(LinkOptions(**link), confirm=_confirmer(yes=yes))
    emit(result.plain(), as_json=as_json, tables=result.tables())


@app.group(cls=SuggestingGroup)
def record() -> None:
    """Record a test over the serial line into a run folder."""


@record.command()
@click.option(
    "--to", "to_C", type=NUMBERS, default="240", show_default=True, help="°C, one or more."
)
@click.option(
    "--fan", "fans", type=NUMBERS, default="0,0.5,1", show_default=True, help="Fan, 0 to 1."
)
@click.option("--dip", type=Dip(), default="220-190", show_default=True, help="A dip, °C.")
@click.option(
    "--hold", "hold_s", type=NUMBER, default=60.0, show_default=True, help="Hold time, s."
)
@click.option("--validate/--no-validate", default=True, help="Record a stretch the fit never sees.")
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
@click.option("--cooling-rates", "cooling_rates_K_per_s", type=NUMBERS, help="Other rates down.")
@click.option("--first-rate", "first_rate_K_per_s", type=POSITIVE, help="Where to begin, K/s.")
@click.option("--fan", type=NUMBER, default=0.0, show_default=True, help="Part fan, 0 to 1.")
@click.option("--max-ramps", type=int, default=14, show_default=True)
@click.option(
    "--fault-deviation", "fault_deviation_K", type=POSITIVE, help="Board faults at this, K."
)
@click.option("--reset-allowed", is_flag=True, help="After a fault, reset the board and go on.")
@record_options
def ramp(**given: Any) -> None:
    """Setpoint ramps up and down at rates chosen as it goes.

    Example: hotbench record ramp --port /dev/ttyUSB0 --out runs/ramp --from 190 --to 230
    """
    _record("ramp", given)


@record.command()
@click.option("--from", "from_C", type=NUMBER, default=220.0, show_default=True, help="°C.")
@click.option(
    "--to", "to_C", type=NUMBERS, default="190", show_default=True, help="°C, one or more."
)
@click.option("--fan", "fans", type=NUMBERS, default="0,1", show_default=True, help="Fan, 0 to 1.")
@record_options
def dip(**given: Any) -> None:
    """Dips to a lower temperature and back.

    Example: hotbench record dip --port /dev/ttyUSB0 --out runs/dip --from 220 --to 190,200
    """
    _record("dip", given)


@record.command()
@click.option("--to", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="°C.")
@click.option("--duration", "duration_s", type=NUMBER, default=120.0, show_default=True, help="s.")
@click.option("--fan", type=NUMBER, default=0.0, show_default=True, help="Part fan, 0 to 1.")
@record_options
def hold(**given: Any) -> None:
    """Hold one temperature.

    Example: hotbench record hold --port /dev/ttyUSB0 --out runs/hold --to 220 --duration 300
    """
    _record("hold", given)


@record.command()
@click.option(
    "--temperatures", "temperatures_C", type=NUMBERS, default="200,220,240", show_default=True
)
@click.option(
    "--flows", "flows_mm3_per_s", type=NUMBERS, help="Fixed flows, mm³/s; default: adaptive."
)
@click.option("--length", "length_mm", type=POSITIVE, help="Filament per extrusion, mm.")
@click.option("--weighings", "max_weighings", type=int, default=36, show_default=True)
@click.option("--material", default="PLA", show_default=True)
@click.option(
    "--filament-diameter", "filament_diameter_mm", type=POSITIVE, default=1.75, show_default=True
)
@click.option(
    "--density", "filament_density_g_per_cm3", type=POSITIVE, default=1.24, show_default=True
)
@click.option(
    "--scale",
    default="prompt",
    show_default=True,
    help="Where masses come from: prompt, later, or the port of a weighing scale "
    "(the simulated printer in virtual time weighs by itself).",
)
@click.option("--scale-pattern", help="Regular expression with one group, the mass in grams.")
@record_options
def extrude(**given: Any) -> None:
    """Extrude into air at several flows and temperatures, and weigh.

    Example: hotbench record extrude --port /dev/ttyUSB0 --out runs/melt --temperatures 200,220,240
    """
    _record("extrude", given)


@app.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run folder to create.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    required=True,
    metavar="FIELD=NAME[:UNIT]",
    help="Field time, temperature, setpoint, duty, fan, flow or phase; duty and fan take "
    "fraction, percent, LOW-HIGH such as 0-255; duty also volts.",
)
@click.option("--ambient", "ambient_C", type=AMBIENT, help="Ambient temperature, °C.")
@click.option(
    "--held-out-after", "held_out_after_s", type=POSITIVE, help="From here on no fit sees it, s."
)
@as_json_option
def import_(
    file: Path,
    out: Path,
    columns: Sequence[str],
    ambient_C: float | None,
    held_out_after_s: float | None,
    *,
    as_json: bool,
) -> None:
    """Bring in a log recorded elsewhere.

    Example: hotbench import log.csv --out runs/log --column time=t --column temperature=hotend
    --column duty=pwm:0-255
    """
    from hotbench.bench.importing import import_log

    result = import_log(file, out, columns, ambient_C=ambient_C, held_out_after_s=held_out_after_s)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@app.command()
@runs_argument
@click.option("--out", type=click.Path(path_type=Path), help="Write the fit as YAML.")
@fit_options
@as_json_option
def fit(runs: Sequence[Path], out: Path | None, *, as_json: bool, **given: Any) -> None:
    """Fit heater, slew and melt models to recorded runs.

    Example: hotbench fit runs/step runs/ramp --out fit.yaml
    """
    from hotbench.bench.analysis import FitOptions, analyse
    from hotbench.bench.plain import write_yaml
    from hotbench.bench.progress import progress

    with progress("fit") as step:
        analysis = analyse(runs, FitOptions(**given), progress=step)
    if out is not None:
        write_yaml(analysis.plain(), out)
    emit(analysis.plain(), as_json=as_json, tables=analysis.tables())
    analysis.raise_if_nothing_identified()


@app.group(cls=SuggestingGroup)
def profile() -> None:
    """Build, check and show machine profiles."""


@profile.command()
@runs_argument
@click.option("--out", required=True, type=click.Path(path_type=Path), help="YAML file to write.")
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
@click.option("--runs", "runs_folder", type=click.Path(path_type=Path), help="Verify against runs.")
@as_json_option
def profile_check(file: Path, runs_folder: Path | None, *, as_json: bool) -> None:
    """Check a profile: form, evidence, plausibility, and the runs it names.

    Example: hotbench profile check machine.yaml --runs runs
    """
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
    from hotbench.bench.profiling import show_file

    result = show_file(file)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@app.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@as_json_option
def compare(first: Path, second: Path, *, as_json: bool) -> None:
    """Compare two profiles, such as before and after a firmware change.

    Example: hotbench compare before.yaml after.yaml
    """
    from hotbench.bench.comparing import compare_files

    result = compare_files(first, second)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@app.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--at", "temperature_C", type=NUMBER, default=220.0, show_default=True, help="°C.")
@click.option(
    "--duty-scale",
    type=POSITIVE,
    default=1.0,
    show_default=True,
    help="Duty number for full power.",
)
@as_json_option
def tune(file: Path, temperature_C: float, duty_scale: float, *, as_json: bool) -> None:
    """Controller gains from a profile's heater model, by several published rules.

    Example: hotbench tune machine.yaml --at 220
    """
    from hotbench.bench.tuning import tune_file

    result = tune_file(file, temperature_C=temperature_C, duty_full_scale=duty_scale)
    emit(result.plain(), as_json=as_json, tables=result.tables())


@app.command()
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--profile", "profile_file", required=True, type=click.Path(path_type=Path))
@click.option("--at", "set_C", type=float, help="Printed at, where the job sets nothing, °C.")
@click.option(
    "--roles",
    "roles_file",
    type=click.Path(path_type=Path),
    help="YAML: comment patterns of layers and roles, and wished temperatures.",
)
@click.option(
    "--schedule", type=click.Path(path_type=Path), help="Schedule to write: .csv or .yaml."
)
@click.option(
    "--write", "new_job", type=click.Path(path_type=Path), help="Job with it in, to write."
)
@click.option("--picture", type=click.Path(path_type=Path), help="Picture to write: .svg or .png.")
@as_json_option
def rehearse(
    job: Path,
    profile_file: Path,
    set_C: float | None,
    roles_file: Path | None,
    schedule: Path | None,
    new_job: Path | None,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    """Hold a print job against a profile: where it asks for too much, and what would fit.

    Example: hotbench rehearse vase.gcode --profile machine.yaml --schedule schedule.csv
    """
    from hotbench.bench.rehearsing import rehearse_file
    from hotbench.bench.scheduling import Outputs

    wanted = any((schedule, new_job, picture))
    result = rehearse_file(
        job,
        profile_file,
        roles_file=roles_file,
        outputs=Outputs(schedule, new_job, picture) if wanted else None,
        set_C=set_C,
    )
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


@app.command()
@runs_argument
@click.option("--out", required=True, type=click.Path(path_type=Path), help="HTML file to write.")
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


@app.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--recover", is_flag=True, help="Close runs that were cut off.")
@as_json_option
def runs(folder: Path, *, recover: bool, as_json: bool) -> None:
    """List run folders and verify their hashes.

    Example: hotbench runs demo-run/runs
    """
    from hotbench.bench.importing import run_table

    table = run_table(folder, mend=recover)
    emit({"runs": table.plain()}, as_json=as_json, tables=[table])


def _record(procedure: str, given: dict[str, Any]) -> None:
    from hotbench.bench.recording import record_from_options

    as_json, yes = given.pop("as_json"), given.pop("yes")
    result = record_from_options(procedure, given, confirm=_confirmer(yes=yes), prompt=_prompt)
    emit(result.plain(), as_json=as_json, tables=result.tables())
    result.raise_if_short()


def _prompt(text: str) -> str:
    return str(click.prompt(text, default="", show_default=False, err=True))


def _confirmer(*, yes: bool) -> Callable[[Sequence[str]], None]:
    """Shows the plan and the cautions before heat is commanded, and asks a person at a terminal."""

    def confirm(plan: Sequence[str]) -> None:
        for line in (*plan, CAUTIONS):
            click.echo(line, err=True)
        if not yes and sys.stdin.isatty():
            click.confirm("Start heating?", abort=True, err=True)

    return confirm


def _announcer(*, as_json: bool) -> Callable[[Mapping[str, Any]], None]:
    def announce(facts: Mapping[str, Any]) -> None:
        lines = [f"{key}: {value}" for key, value in facts.items()]
        click.echo(json.dumps(dict(facts)) if as_json else "\n".join(lines))
        sys.stdout.flush()

    return announce


def emit(
    plain: Mapping[str, Any],
    *,
    as_json: bool,
    tables: Sequence[Any] = (),
    lines: Sequence[str] = (),
) -> None:
    """Print one JSON object, or tables and lines for people."""
    if as_json:
        click.echo(json.dumps(plain, ensure_ascii=False, allow_nan=False))
        return
    for line in lines:
        click.echo(line)
    if tables:
        from hotbench.bench.tables import print_tables

        print_tables(tables)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run a command line and return its exit code; every foreseen error becomes one line."""
    try:
        app.main(args=arguments, prog_name="hotbench", standalone_mode=False)
    except (click.Abort, KeyboardInterrupt):
        return _fail("interrupted", 130)
    except click.ClickException as error:
        return _fail(error.format_message(), 2)
    except HotbenchError as error:
        return _fail(str(error), error.exit_code)
    except BrokenPipeError:
        return 0
    except OSError as error:
        return _fail(f"{error.filename or 'file'}: {error.strerror or error}", 2)
    return 0


def _fail(message: str, code: int) -> int:
    click.echo(f"hotbench: {' '.join(message.split())}", err=True)
    return code


def main() -> None:
    """Entry point of the `hotbench` command."""
    sys.exit(run())
