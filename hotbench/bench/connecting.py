"""From a port's name to a line that can be spoken over, real or simulated."""

import hashlib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hotbench.bench.expecting import expectation_from
from hotbench.bench.machine_file import MachineFile, read_machine
from hotbench.bench.results import Result, lines_table
from hotbench.bench.serving import printer_spec
from hotbench.bench.tables import Table, number
from hotbench.core.errors import FellShort
from hotbench.core.ports import Scale, StopSignal, Transport
from hotbench.link.check import (
    RISE_K,
    STEP_K,
    HEAT_PATIENCE_s,
    HeaterCheck,
    LineCheck,
    check_heater,
    check_line,
)
from hotbench.link.client import SAFE_WORDS, Printer
from hotbench.link.config import LinkConfig
from hotbench.link.guard import GuardedTransport
from hotbench.link.safety import safe_bytes
from hotbench.link.serial_port import SerialTransport, list_ports
from hotbench.link.stopping import StopOnSignals
from hotbench.link.watch import Watch
from hotbench.sim.board import SimulatedPrinter

SIMULATED = "sim:"
OVERSHOOT_K = 15.0
"""How far above the highest allowed setpoint the watch lets the temperature swing."""
WARMING = (
    f"The setpoint goes {STEP_K:g} K up until the sensor has followed by {RISE_K:g} K, then the "
    "heater goes off; a quick hot end coasts past that."
)


@dataclass(frozen=True, kw_only=True)
class LinkOptions:
    """How to reach a printer; `port` is what pyserial opens, or sim:NAME.

    machine: what its machine file states beyond these options. profile: machine profile whose
    heater model the watch holds the record against.
    """

    port: str
    baud: int = 115200
    duty_scale: float = 127.0
    interval_s: float = 0.1
    limit_temperature_C: float = 260.0
    seed: int = 1
    filament_diameter_mm: float = 1.75
    machine: MachineFile = field(default_factory=MachineFile)
    profile: Path | None = None

    @property
    def simulated(self) -> bool:
        """Whether the port is the built-in simulated printer in virtual time."""
        return self.port.startswith(SIMULATED)

    def config(self) -> LinkConfig:
        """The link's settings."""
        return LinkConfig(
            duty_full_scale=self.duty_scale,
            sample_interval_s=self.interval_s,
            limit_temperature_C=self.limit_temperature_C,
            filament_diameter_mm=self.filament_diameter_mm,
            quick_stop=self.machine.quick_stop,
            faults=self.machine.fault_table(),
        )

    def watch(
        self, ambient_C: float | None = None, stalled_s: Callable[[], float] = lambda: 0.0
    ) -> Watch:
        """The watch over a test, see `Watch`; BadInput when the profile cannot be read."""
        predict = expectation_from(self.profile, ambient_C) if self.profile else None
        limit_C = self.limit_temperature_C + OVERSHOOT_K
        return Watch(self.machine.limits(max_temperature_C=limit_C), predict, stalled_s)

    def provenance(self) -> dict[str, Any]:
        """What machine file and profile have to do with a run; empty without either."""
        stated = self.machine.stated()
        if self.profile is None:
            return stated
        digest = hashlib.sha256(self.profile.read_bytes()).hexdigest()
        return {**stated, "watch_profile": {"file": self.profile.name, "sha256": digest}}


def filled(given: Mapping[str, Any]) -> dict[str, Any]:
    """Options without those not given (None); a machine file fills in what it states."""
    explicit = {key: value for key, value in given.items() if value is not None}
    if "machine" not in explicit:
        return explicit
    machine = read_machine(Path(explicit["machine"]))
    return {**machine.options(), **explicit, "machine": machine}


def known_to(kind: type[Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """The entries that a dataclass has fields for."""
    return {key: value for key, value in given.items() if key in kind.__dataclass_fields__}


def link_options(given: Mapping[str, Any]) -> LinkOptions:
    """How to reach a printer, from options that may be None, and from the machine file."""
    return LinkOptions(**known_to(LinkOptions, filled(given)))


@dataclass(frozen=True)
class Line:
    """An open line; pan is the simulated weighing scale, None on real ports."""

    transport: Transport
    pan: Scale | None
    notes: tuple[str, ...]


@contextmanager
def connected(options: LinkOptions) -> Iterator[Line]:
    """The line, closed on leaving; a real port is held by a guard process too."""
    line = _simulated(options) if options.simulated else _real(options)
    try:
        yield line
    finally:
        line.transport.close()


def _simulated(options: LinkOptions) -> Line:
    spec = printer_spec(options.port.removeprefix(SIMULATED))
    printer = SimulatedPrinter(spec, options.seed)
    return Line(printer.transport(), printer.scale, ())


def _real(options: LinkOptions) -> Line:
    port = SerialTransport(options.port, options.baud)
    guarded = GuardedTransport(port, safe_bytes(options.config()))
    return Line(guarded, None, guarded.notes)


def port_table() -> Table:
    """The serial ports of this computer."""
    rows = tuple((p.device, p.description, p.hardware_id) for p in list_ports())
    return Table("serial ports" if rows else "no serial port found", ("port", "what", "id"), rows)


def _unsaid(_: str) -> None:
    """Where nobody wants to be told."""


def check_printer(
    options: LinkOptions,
    confirm: Callable[[Sequence[str]], None],
    stop: StopSignal | None = None,
    tell: Callable[[str], None] = _unsaid,
) -> Result:
    """Identify, time the link, see the sensor follow the heater, confirm that stop works.

    stop: asked instead of the process's signals, for callers in a thread of their own. tell: what
    is going on, a sentence at a time.
    """
    with connected(options) as line:
        if not options.simulated:
            confirm([WARMING])
        with StopOnSignals() as signals:
            watching = [options.watch()]
            printer = Printer(line.transport, watching, options.config(), stop or signals)
            patience_s = options.machine.heater.rise_s or HEAT_PATIENCE_s
            heard, warmed = _checked(printer, patience_s, tell)
    facts = {"port": options.port, "notes": line.notes, "line": heard, "heater": warmed}
    return Result(
        facts, _check_tables(heard, warmed, line.notes), "; ".join(warmed.findings) or None
    )


def _checked(
    printer: Printer, patience_s: float, tell: Callable[[str], None] = _unsaid
) -> tuple[LineCheck, HeaterCheck]:
    """Both checks; what ends them early also tells what became of the heater."""
    try:
        tell("timing the line")
        heard = check_line(printer)
        tell(f"warming by {RISE_K:g} K, then heater off; at most {patience_s:g} s")
        return heard, check_heater(printer, patience_s)
    except FellShort as error:
        if printer.safe_outcome is None:
            raise
        raise FellShort(f"{error}; {SAFE_WORDS[printer.safe_outcome]}") from error


def _check_tables(heard: LineCheck, warmed: HeaterCheck, notes: Sequence[str]) -> tuple[Table, ...]:
    rows = (
        ("firmware", heard.identity.firmware or "does not say"),
        ("temperature at the start", f"{number(heard.temperature_C)} °C"),
        ("duty in reports", "yes" if heard.reports_duty else "no"),
        ("round trip, median", f"{number(1e3 * heard.round_trip_s)} ms"),
        ("round trip, 95 of 100", f"{number(1e3 * heard.slow_round_trip_s)} ms"),
        ("highest steady report rate", f"{number(heard.reports_per_s)} per s"),
        (f"rises by {RISE_K:g} K in", _seconds(warmed.rise_s)),
        ("highest temperature", f"{number(warmed.peak_C, 4)} °C"),
        ("off after the stop in", _seconds(warmed.off_s)),
    )
    said = [*notes, *warmed.findings]
    verdict = "check passed" if warmed.passed else "check failed"
    return (Table(verdict, ("", "found"), rows), *lines_table("beware", "remark", said))


def _seconds(value_s: float) -> str:
    return "never" if math.isnan(value_s) else f"{number(value_s)} s"
