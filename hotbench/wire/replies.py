"""Lines from the board: what each one means, never guessing at a damaged number."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from hotbench.wire.commands import checksum
from hotbench.wire.faults import DEFAULT_FAULTS, FaultPattern, classify

# A line that ends in a point was cut there: a checksum of eight bits may pass that by chance.
_NUMBER = r"[-+]?(?:\d{1,4}(?:\.\d{1,4}|\.(?=\s))?|\.\d{1,4}|nan|inf)"
_READING = re.compile(
    rf"\s*(?P<key>[A-Z]{{0,2}}\d{{0,2}}@?\d{{0,2}})\s?:\s?(?P<value>{_NUMBER}|\?)"
    rf"(?:\s?/\s?(?P<target>{_NUMBER}))?(?:\s?\({_NUMBER}\))?(?=\s|$)",
    re.IGNORECASE,
)
_HEATER = re.compile(r"T\d{0,2}|B|C")
_OK = re.compile(r"ok(?:\s+N?(?P<N>\d{1,9}))?(?:\s+P(?P<P>\d{1,4}))?(?:\s+B(?P<B>\d{1,4}))?\0*")
_OK_PREFIX = re.compile(r"ok(?:\s+N\d{1,9})?(?:\s+P\d{1,4})?(?:\s+B\d{1,4})?\s+")
# A request and the `ok` behind it are often merged; the number stands before it all the same.
_RESEND = re.compile(r"(?:resend\s*:?|rs)\s*N?\s*:?\s*(\d{1,9})(?:\s*ok)?\0*", re.IGNORECASE)
_BUSY = re.compile(r"(?:echo\s*:\s*|//\s*)?busy\b\s*:?\s*(?P<why>.*)", re.IGNORECASE)
_ERROR = re.compile(r"(?:error|fatal)\b\s*:|!!|//\s*!!", re.IGNORECASE)
_ECHO = re.compile(r"(?:echo\s*:|//)\s*(?P<said>.*)", re.IGNORECASE)
# The words of a start, and the reset causes as microcontroller data sheets name them.
_BANNER = re.compile(
    r"start|(?:power[- ]?(?:on|up)|external|brown[- ]?out|watchdog|software) reset", re.IGNORECASE
)
_FIELD = re.compile(r"(?:^|\s)([A-Z][A-Z0-9_]+):")
_CAPABILITY = re.compile(r"cap(?:ability)?:\s*([A-Z0-9_]+)\s*:\s*(\S+)", re.IGNORECASE)
_CHECKED = re.compile(r"(?P<body>.*)\*(?P<sum>\d{1,3})", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Reading:
    """A heater's temperature and setpoint, °C; NaN where the board did not say."""

    temperature_C: float
    setpoint_C: float = math.nan


@dataclass(frozen=True, slots=True)
class TemperatureReport:
    """Temperatures as reported.

    heaters: by key: `T` the active tool, `T0`, `T1` ..., `B` bed, `C` chamber. duties: raw
    numbers by key: `@`, `@0`, `B@` .... acknowledges: the line also carried `ok`. checked: it
    carried a checksum that matched.
    """

    text: str
    heaters: Mapping[str, Reading]
    duties: Mapping[str, float] = field(default_factory=dict)
    acknowledges: bool = False
    checked: bool = False

    def hot_end(self, tool: int | None = None) -> Reading | None:
        """The reading of `tool`, or of the active one; None when the line has none."""
        if tool is not None:
            return self.heaters.get(f"T{tool}") or (self.heaters.get("T") if tool == 0 else None)
        tools = sorted(key for key in self.heaters if key.startswith("T"))
        return self.heaters[tools[0]] if tools else None

    def raw_duty(self, tool: int | None = None) -> float:
        """The hot end's duty as the board counts it; NaN when absent."""
        keys = ("@", "@0") if tool is None else (f"@{tool}", *(("@",) if tool == 0 else ()))
        return next((self.duties[key] for key in keys if key in self.duties), math.nan)


@dataclass(frozen=True, slots=True)
class Ok:
    """The board has taken a line; the numbers are None where not stated."""

    text: str
    line_number: int | None = None
    planner_free: int | None = None
    buffer_free: int | None = None


@dataclass(frozen=True, slots=True)
class Busy:
    """The board is alive but occupied."""

    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Resend:
    """The board wants line `line_number` again."""

    text: str
    line_number: int


@dataclass(frozen=True, slots=True)
class Fault:
    """An error line, verbatim, with its kind from the table."""

    text: str
    kind: str
    ends_run: bool
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Banner:
    """The board has just started."""

    text: str


@dataclass(frozen=True, slots=True)
class Identity:
    """What the board says it is; `fields` such as FIRMWARE_NAME, MACHINE_TYPE, TIME_SCALE."""

    text: str
    fields: Mapping[str, str]
    acknowledges: bool = False

    @property
    def firmware(self) -> str:
        """The firmware's name, empty when not stated."""
        return self.fields.get("FIRMWARE_NAME", "")

    @property
    def time_scale(self) -> float:
        """Board seconds per wall second: 1 unless a simulated printer announces another."""
        try:
            scale = float(self.fields.get("TIME_SCALE", "1"))
        except ValueError:
            return 1.0
        return scale if math.isfinite(scale) and scale > 0.0 else 1.0


@dataclass(frozen=True, slots=True)
class Capability:
    """One ability the board lists, such as AUTOREPORT_TEMP."""

    text: str
    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Echo:
    """A remark."""

    text: str
    said: str


@dataclass(frozen=True, slots=True)
class Unknown:
    """A line that means nothing certain, damaged ones among them.

    acknowledges: it starts like an acknowledgement, so the board did take the line.
    """

    text: str
    acknowledges: bool = False


Reply = (
    TemperatureReport | Ok | Busy | Resend | Fault | Banner | Identity | Capability | Echo | Unknown
)


def parse(
    line: str, table: Sequence[FaultPattern] = DEFAULT_FAULTS, *, checksum_due: bool = False
) -> Reply:
    """What `line` (without its line end) means; never raises.

    A temperature report is accepted only when the whole line is one: every key once, every number
    well formed, and a checksum `*NN` at the end, where present, right. The checksum (exclusive or
    of all bytes) finds any damage within one byte, but not two equal changes or swapped digits;
    the watch's limit on jumps stands behind it. checksum_due: refuse reports without a checksum,
    for a board known to send them.
    """
    body, checked = _verify(line)
    if checked is False:
        return Unknown(line, _acknowledges(line))
    first = (reader(line, body, table) for reader in _READERS)
    reply = next((reply for reply in first if reply is not None), None)
    report = reply or _temperatures(line, body, checked=checked is True)
    if report is None or (
        checksum_due and isinstance(report, TemperatureReport) and not report.checked
    ):
        return Unknown(line, _acknowledges(line))
    return report


def _verify(line: str) -> tuple[str, bool | None]:
    """The line without its checksum, and whether that was right (None: there was none)."""
    match = _CHECKED.fullmatch(line)
    if match is None:
        # A star with something else behind it is a damaged checksum, unless prose holds it.
        return line, False if "*" in line and _starts_as_report(line) else None
    body = match["body"]
    right = body.isascii() and checksum(body) == int(match["sum"])
    return body.rstrip(), right


def _starts_as_report(line: str) -> bool:
    return _READING.match(_without_ok(line)) is not None


def _acknowledges(line: str) -> bool:
    return line == "ok" or line.startswith("ok ")


def _without_ok(line: str) -> str:
    match = _OK_PREFIX.match(line)
    return line[match.end() :] if match else line


def _ok(line: str, body: str, _: Sequence[FaultPattern]) -> Ok | None:
    match = _OK.fullmatch(body)
    if match is None:
        return None
    numbers = {key: int(text) if text else None for key, text in match.groupdict().items()}
    return Ok(line, numbers["N"], numbers["P"], numbers["B"])


def _resend(line: str, body: str, _: Sequence[FaultPattern]) -> Resend | None:
    match = _RESEND.fullmatch(body)
    return Resend(line, int(match[1])) if match else None


def _busy(line: str, body: str, _: Sequence[FaultPattern]) -> Busy | None:
    match = _BUSY.fullmatch(body)
    return Busy(line, match["why"].strip()) if match else None


def _banner(line: str, body: str, _: Sequence[FaultPattern]) -> Banner | None:
    return Banner(line) if _BANNER.fullmatch(body.strip("\0 ")) else None


def _fault(line: str, body: str, table: Sequence[FaultPattern]) -> Fault | None:
    is_error = _ERROR.match(body) is not None
    entry = classify(body, table if is_error else [row for row in table if row.anywhere])
    if not is_error and not entry.pattern:
        return None
    return Fault(line, entry.kind, entry.ends_run, entry.advice)


def _identity(line: str, body: str, _: Sequence[FaultPattern]) -> Identity | None:
    if "FIRMWARE_NAME:" not in body or _ECHO.match(body):
        return None
    text = _without_ok(body)
    keys = list(_FIELD.finditer(text))
    ends = [key.start() for key in keys[1:]] + [len(text)]
    fields = {key[1]: text[key.end() : end].strip() for key, end in zip(keys, ends, strict=True)}
    return Identity(line, fields, _acknowledges(line))


def _capability(line: str, body: str, _: Sequence[FaultPattern]) -> Capability | None:
    match = _CAPABILITY.fullmatch(body)
    return Capability(line, match[1], match[2]) if match else None


def _echo(line: str, body: str, _: Sequence[FaultPattern]) -> Echo | None:
    match = _ECHO.fullmatch(body)
    return Echo(line, match["said"]) if match else None


_Reader = Callable[[str, str, Sequence[FaultPattern]], Reply | None]
_READERS: tuple[_Reader, ...] = (
    _ok,
    _resend,
    _busy,
    _fault,
    _banner,
    _identity,
    _capability,
    _echo,
)


def _temperatures(line: str, body: str, *, checked: bool) -> TemperatureReport | None:
    text = _without_ok(body)
    readings = _readings(text)
    if readings is None:
        return None
    heaters = {
        key: Reading(*numbers) for key, numbers in readings.items() if _HEATER.fullmatch(key)
    }
    duties = {key: numbers[0] for key, numbers in readings.items() if "@" in key}
    if not heaters:
        return None
    return TemperatureReport(line, heaters, duties, text != body, checked)


def _readings(text: str) -> dict[str, tuple[float, float]] | None:
    """All `KEY:value /target` pairs; None unless they fill the line, each key once."""
    readings: dict[str, tuple[float, float]] = {}
    position = 0
    while position < len(text.rstrip(" \t")):
        match = _READING.match(text, position)
        if match is None or match["key"].upper() in readings or not match["key"]:
            return None
        value, target = match["value"], match["target"]
        if value == "?" and match["key"].upper() != "W":
            return None
        readings[match["key"].upper()] = (
            math.nan if value == "?" else float(value),
            math.nan if target is None else float(target),
        )
        position = match.end()
    return readings
