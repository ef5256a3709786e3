"""The pieces that tests are made of: heat, hold, cool, dip, each under its phase."""

from collections.abc import Callable

from hotbench.core.ports import PrinterPort
from hotbench.procedures import phases
from hotbench.procedures.waiting import ARRIVED_K, Settling, cool_to, pause, settle, warm_to

BASELINE_s = 4.0
WARM_C = 45.0
DIP_REST_s = 10.0
"""As long as predicted dips rest: what has cooled meanwhile slows the way back."""
Naming = Callable[[str], str]


def as_is(phase: str) -> str:
    """A phase that fits may use."""
    return phase


def begin(printer: PrinterPort) -> None:
    """Heater and fan off, a few readings as the ambient's witness; a warm start is noted."""
    printer.set_phase("idle")
    printer.set_temperature(0.0)
    printer.set_fan(0.0)
    readings = pause(printer, BASELINE_s)
    if readings and readings[-1].temperature_C > WARM_C:
        printer.note(
            f"warm start at {readings[-1].temperature_C:.1f} °C: the ambient must be stated"
        )


def heat(printer: PrinterPort, to_C: float, *, fan: float = 0.0, naming: Naming = as_is) -> None:
    """Command a temperature and wait until it is reached."""
    printer.set_phase(naming(phases.heat(to_C)))
    printer.set_fan(fan)
    printer.set_temperature(to_C)
    warm_to(printer, to_C)


def approach(printer: PrinterPort, to_C: float, *, fan: float = 0.0) -> None:
    """Come to a temperature from below or from above."""
    printer.set_phase(phases.heat(to_C))
    printer.set_fan(fan)
    printer.set_temperature(to_C)
    warm_to(printer, to_C)
    cool_to(printer, to_C + ARRIVED_K)


def hold(printer: PrinterPort, at_C: float, duration_s: float, *, naming: Naming = as_is) -> None:
    """Stay for a fixed time."""
    printer.set_phase(naming(phases.hold(at_C)))
    pause(printer, duration_s)


def rest(
    printer: PrinterPort,
    at_C: float,
    settling: Settling | None = None,
    *,
    naming: Naming = as_is,
) -> None:
    """Stay until settled."""
    printer.set_phase(naming(phases.hold(at_C)))
    settle(printer, at_C, settling)


def descend(printer: PrinterPort, to_C: float, *, naming: Naming = as_is) -> None:
    """Come down to a temperature under control, without fan."""
    printer.set_phase(naming(f"descend {to_C:g}"))
    printer.set_fan(0.0)
    printer.set_temperature(to_C)
    cool_to(printer, to_C + ARRIVED_K)


def cool(
    printer: PrinterPort, from_C: float, fan: float, to_C: float, *, naming: Naming = as_is
) -> None:
    """Heater off and fan on until the temperature has come down."""
    printer.set_phase(naming(phases.cool(from_C, fan)))
    printer.set_fan(fan)
    printer.set_temperature(0.0)
    cool_to(printer, to_C)


def dip(
    printer: PrinterPort,
    from_C: float,
    to_C: float,
    *,
    settling: Settling | None = None,
    naming: Naming = as_is,
) -> None:
    """Down to a temperature, DIP_REST_s there, and back up; settled at from_C before and after."""
    printer.set_phase(naming(phases.dip(from_C, to_C)))
    printer.set_temperature(to_C)
    cool_to(printer, to_C + ARRIVED_K)
    pause(printer, DIP_REST_s)
    printer.set_temperature(from_C)
    warm_to(printer, from_C)
    settle(printer, from_C, settling)
