"""Arguments of commands: kinds of value, and options that several commands share."""

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from hotbench.bench.names import SIMULATED_PRINTERS, check_port, check_printer
from hotbench.core.errors import BadInput, nearest

Function = TypeVar("Function", bound=Callable[..., Any])


SMALLEST = 1e-6
"""What counts as above zero."""


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
            point = "; decimals have a point" if "," in str(value) else ""
            return self.fail(f"{value!r} is not a number{point}", param, ctx)
        if not self.low <= number <= self.high:
            limits = f"{self.low:g} to {self.high:g}"
            above = self.low == SMALLEST and math.isinf(self.high)
            why = "is not above 0" if above else f"is outside {limits}"
            return self.fail(f"{number:g} {why}", param, ctx)
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


class Existing(click.Path):
    """A path that is refused at once, before anything heavy is loaded, when nothing is there."""

    def __init__(self, missing: str) -> None:
        super().__init__(path_type=Path)
        self.missing = missing

    def convert(self, value: Any, param: Any, ctx: Any) -> Path:
        """The path. Errors: BadInput when there is nothing of that name."""
        path = Path(str(super().convert(value, param, ctx)))
        if not path.exists():
            raise BadInput(self.missing, where=path)
        return path


class NewFile(click.Path):
    """A file to write that is refused at once where no file can be: a folder, or in none."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: Any, ctx: Any) -> Path:
        """The path. Errors: BadInput for a folder, and where its folder does not exist."""
        path = Path(str(super().convert(value, param, ctx)))
        if path.is_dir():
            remedy = "name a file in it"
            raise BadInput("cannot be written: a folder", where=path, remedy=remedy)
        if not path.parent.is_dir():
            remedy = f"make the folder {path.parent} first"
            raise BadInput(
                "cannot be written: its folder does not exist", where=path, remedy=remedy
            )
        return path


def _refused_early(check: Callable[[str], None]) -> Callable[[Any, Any, str], str]:
    """A callback that checks a value and hands it on."""

    def checked(_ctx: Any, _param: Any, value: str) -> str:
        check(value)
        return value

    return checked


RUN_FOLDER = Existing("not a run folder: no such folder")
FILE = Existing("no such file")
JOB_FILE = Existing("cannot be read: no such file")
NUMBERS = Numbers()
NUMBER = Number()
POSITIVE = Number(low=SMALLEST)
AMBIENT = Number(low=-50.0, high=80.0)
SPREAD = Number(low=0.0, high=0.5)
SEED = click.IntRange(min=0)
LONGEST_SUMMARY = 200
INTEGER = re.compile(r"valid integer( range)?")
LEFT_OVER = re.compile(r"unexpected extra arguments? \((.*)\)", re.DOTALL)
FIELD = re.compile(r"\b[a-z]\w*_\w+\b")
"""Names of settings as code has them, such as low_C; plain words stay words."""


class SuggestingGroup(click.Group):
    """A group that names its commands when none is given, and the nearest to an unknown one."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, but without arguments one line instead of the whole help."""
        if not args:
            known = ", ".join(self.list_commands(ctx))
            raise click.UsageError(f"no command given; known: {known}; --help explains", ctx)
        return super().parse_args(ctx, args)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """As click does, with a suggestion in the one line."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchOption:
            raise
        except click.UsageError as error:
            hint = _hint(args[0], self.list_commands(ctx))
            raise click.UsageError(f"no such command '{args[0]}'; {hint}", ctx) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """As click does, but summaries are wrapped instead of cut off."""
        rows = [
            (name, self.commands[name].get_short_help_str(limit=LONGEST_SUMMARY))
            for name in self.list_commands(ctx)
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def unknown_option(error: click.NoSuchOption) -> str:
    """One line on an option that its command does not have, with the nearest one it has."""
    options = error.ctx.command.get_params(error.ctx) if error.ctx else []
    known = [
        name
        for option in options
        if not getattr(option, "hidden", False)
        for name in (*option.opts, *option.secondary_opts)
        if name.startswith("-")
    ]
    return f"no such option '{error.option_name}'; {_hint(error.option_name, known)}"


def missing_parameter(error: click.MissingParameter) -> str:
    """One line on what a command needs: its name, what it stands for, and where an example is."""
    help_text = getattr(error.param, "help", None)
    meaning = f" ({help_text.rstrip('.')})" if help_text else ""
    path = error.ctx.command_path if error.ctx else "hotbench"
    said = error.format_message().rstrip(".").replace("Missing", "missing", 1)
    return f"{said}{meaning}; '{path} --help' shows an example"


def usage(error: click.ClickException) -> str:
    """One line on any other misuse; words left over are most often a list with spaces in it."""
    said = error.format_message()
    found = LEFT_OVER.search(said)
    if not found:
        return said
    path = getattr(getattr(error, "ctx", None), "command_path", "hotbench")
    remedy = "write a list without spaces, such as 0,0.5,1, and put quotes around names with spaces"
    return f"too many arguments for '{path}' (got {found[1]}); {remedy}"


def bad_parameter(error: click.BadParameter) -> str:
    """One line on a value that an option or argument does not take, begun by its name."""
    names = [*error.param.opts, error.param.human_readable_name] if error.param else [""]
    name = next((name for name in names if name.startswith("--")), names[-1])
    said = INTEGER.sub("whole number", error.message.rstrip("."))
    return f"{name}: {said[:1].lower()}{said[1:]}" if name else error.format_message()


def in_options(error: BadInput, command: click.Command) -> BadInput:
    """The same error with the settings of a test called by the options that state them."""
    names = {option.name: option.opts[0] for option in command.params if option.name}

    def called(text: Any) -> Any:
        return FIELD.sub(lambda word: names.get(word[0], word[0]), text) if text else text

    where = names.get(str(error.where), error.where)
    return BadInput(
        called(error.what),
        where=where,
        value=error.value,
        limit=error.limit,
        remedy=called(error.remedy),
    )


def _hint(word: str, known: list[str]) -> str:
    guess = nearest(word, known)
    return f"did you mean '{guess}'?" if guess else f"known: {', '.join(known)}"


def options(*decorators: Callable[[Function], Function]) -> Callable[[Function], Function]:
    """Several click decorators as one, in reading order."""

    def apply(function: Function) -> Function:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return apply


as_json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
runs_argument = click.argument("runs", nargs=-1, required=True, type=RUN_FOLDER)
printer_option = click.option(
    "--printer",
    default="swift-sleeve",
    show_default=True,
    callback=_refused_early(check_printer),
    help=f"Which simulated printer: {', '.join(SIMULATED_PRINTERS)}.",
)
seed_option = click.option(
    "--seed", type=SEED, default=1, show_default=True, help="Seed of all randomness."
)
fit_options = options(
    click.option(
        "--ambient",
        "ambient_C",
        type=AMBIENT,
        help="Temperature of the room, °C; default: from a cold start.",
    ),
    click.option(
        "--fault-deviation",
        "fault_deviation_K",
        type=POSITIVE,
        help="Deviation from the setpoint at which the board faults, K; default: as recorded.",
    ),
    click.option(
        "--fault-spread",
        "fault_spread",
        type=SPREAD,
        help="How much that level varies from move to move, a share; default: as recorded, or 0.1.",
    ),
    click.option(
        "--power", "power_W", type=POSITIVE, help="Heater power at full duty, W (wattmeter)."
    ),
)
port_options = options(
    click.option(
        "--port",
        required=True,
        callback=_refused_early(check_port),
        help="Device, socket://host:port, rfc2217://host:port or sim:NAME.",
    ),
    click.option(
        "--machine",
        type=click.Path(path_type=Path),
        help="Machine file (YAML); options given here win over it.",
    ),
    click.option(
        "--profile",
        type=click.Path(path_type=Path),
        help="Machine profile; leaving what its heater model predicts ends the test.",
    ),
    click.option(
        "--baud",
        type=click.IntRange(min=1),
        help="Baud rate of a device; default: 115200.",
    ),
    click.option(
        "--duty-scale",
        type=POSITIVE,
        help="Number in the report's @ field that means full duty; default: 127.",
    ),
    click.option(
        "--interval",
        "interval_s",
        type=Number(low=0.02, high=5.0),
        help="Seconds between samples; default: 0.1.",
    ),
    click.option(
        "--limit-temperature",
        "limit_temperature_C",
        type=POSITIVE,
        help="Never command above this, °C; default: 260.",
    ),
    click.option("--seed", type=SEED, default=1, hidden=True),
    click.option("--yes", is_flag=True, help="Do not ask before heating (for scripts)."),
    as_json_option,
)
record_options = options(
    click.option(
        "--out", required=True, type=click.Path(path_type=Path), help="Run folder to create."
    ),
    click.option(
        "--ambient",
        "ambient_C",
        type=AMBIENT,
        help="Temperature of the room, °C; default: from a cold start.",
    ),
    click.option("--note", default="", help="Remark kept with the run."),
    port_options,
)
