"""From a port's name to a line that can be spoken over, real or simulated."""

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from hotbench.bench.results import Result, lines_table
from hotbench.bench.serving import printer_spec
from hotbench.bench.tables import Table, number
from hotbench.core.ports import Scale, StopSignal, Transport
from hotbench.link.check import HeaterCheck, LineCheck, check_heater, check_line
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.link.guard import GuardedTransport
from hotbench.link.safety import safe_bytes
from hotbench.link.serial_port import SerialTransport, list_ports
from hotbench.link.stopping import StopOnSignals
from hotbench.sim.board import SimulatedPrinter

SIMULATED = "sim:"


@dataclass(frozen=True, kw_only=True)
class LinkOptions:
    """How to reach a printer; `port` is what pyserial opens, or sim:NAME."""

    port: str
    baud: int = 115200
    duty_scale: float = 127.0
    interval_s: float = 0.1
    limit_temperature_C: float = 260.0
    seed: int = 1
    filament_diameter_mm: float = 1.75

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
        )


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


def check_printer(
    options: LinkOptions,
    confirm: Callable[[Sequence[str]], None],
    stop: StopSignal | None = None,
) -> Result:
    """Identify, time the link, see the sensor follow the heater, confirm that stop works.

    stop: asked instead of the process's signals, for callers in a thread of their own.
    """
    with connected(options) as line:
        if not options.simulated:
            confirm(["The hot end will be warmed by a few kelvin and switched off again."])
        with StopOnSignals() as signals:
            printer = Printer(line.transport, (), options.config(), stop or signals)
            heard = check_line(printer)
            warmed = check_heater(printer)
    facts = {"port": options.port, "notes": line.notes, "line": heard, "heater": warmed}
    return Result(
        facts, _check_tables(heard, warmed, line.notes), "; ".join(warmed.findings) or None
    )


def _check_tables(heard: LineCheck, warmed: HeaterCheck, notes: Sequence[str]) -> tuple[Table, ...]:
    rows = (
        ("firmware", heard.identity.firmware or "does not say"),
        ("temperature at the start", f"{number(heard.temperature_C)} °C"),
        ("duty in reports", "yes" if heard.reports_duty else "no"),
        ("round trip, median", f"{number(1e3 * heard.round_trip_s)} ms"),
        ("round trip, 95 of 100", f"{number(1e3 * heard.slow_round_trip_s)} ms"),
        ("highest steady report rate", f"{number(heard.reports_per_s)} per s"),
        ("rises by a few kelvin in", _seconds(warmed.rise_s)),
        ("highest temperature", f"{number(warmed.peak_C, 4)} °C"),
        ("off after the stop in", _seconds(warmed.off_s)),
    )
    said = [*notes, *warmed.findings]
    verdict = "check passed" if warmed.passed else "check failed"
    return (Table(verdict, ("", "found"), rows), *lines_table("beware", "remark", said))


def _seconds(value_s: float) -> str:
    return "never" if math.isnan(value_s) else f"{number(value_s)} s"
