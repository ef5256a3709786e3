import pytest

from hotbench.core.errors import ControllerFault, LinkLost, NoReply, Stopped, WatchTripped
from hotbench.core.ports import PrinterPort
from hotbench.core.records import Outcome
from hotbench.procedures.registry import PROCEDURES, build
from hotbench.procedures.runner import outcome_of, run

ERRORS: list[tuple[BaseException, Outcome]] = [
    (ControllerFault("Error:locked"), "faulted"),
    (WatchTripped("sensor frozen"), "faulted"),
    (LinkLost("port is gone"), "cut off"),
    (NoReply("no reply"), "cut off"),
    (Stopped("stop"), "stopped"),
    (KeyboardInterrupt(), "stopped"),
    (SystemExit(143), "stopped"),
    (OSError(28, "No space left on device"), "cut off"),
    (MemoryError(), "cut off"),
]


class Heating:
    """Heats, then fails."""

    def __init__(self, error: BaseException | None = None, late: Exception | None = None) -> None:
        self.error, self.late = error, late

    def start(self, printer: PrinterPort) -> None:
        printer.set_temperature(200.0)

    def execute(self, printer: PrinterPort) -> None:
        printer.set_fan(1.0)
        if self.error:
            raise self.error

    def shut_down(self, printer: PrinterPort) -> None:
        printer.set_phase("closing")
        if self.late:
            raise self.late


def test_a_finished_procedure_leaves_everything_off(fake_printer) -> None:
    printer = fake_printer()
    assert run(Heating(), printer) == "complete"
    assert (printer.setpoint_C, printer.fan) == (0.0, 0.0)
    assert [name for name, _ in printer.calls][-2:] == ["make_safe", "set_phase"]


@pytest.mark.parametrize(("error", "outcome"), ERRORS, ids=lambda value: type(value).__name__)
def test_every_error_travels_on_after_the_heater_is_off(fake_printer, error, outcome) -> None:
    printer = fake_printer()
    with pytest.raises(type(error)) as caught:
        run(Heating(error, late=ValueError("clean-up failed too")), printer)
    assert caught.value is error
    assert (printer.setpoint_C, printer.fan) == (0.0, 0.0)
    assert outcome_of(error) == outcome


def test_an_interrupt_while_switching_off_does_not_leave_the_heater_on(fake_printer) -> None:
    interrupts = [KeyboardInterrupt()]

    def trip(printer, call: str) -> None:
        if call == "make_safe" and interrupts:
            raise interrupts.pop()

    printer = fake_printer(trip)
    with pytest.raises(KeyboardInterrupt):
        run(Heating(), printer)
    assert printer.setpoint_C == 0.0


@pytest.mark.parametrize("name", list(PROCEDURES))
def test_an_error_in_any_phase_leaves_heater_and_fan_off(fake_printer, small, name) -> None:
    whole = fake_printer()
    assert run(build(name, small[name]), whole) == "complete"
    phases = sorted(set(whole.phases()))
    assert len(phases) >= 3
    for phase in phases:
        for error, _ in ERRORS:
            printer = fake_printer(_trip_in(phase, error))
            with pytest.raises(type(error)):
                run(build(name, small[name]), printer)
            assert (printer.setpoint_C, printer.fan) == (0.0, 0.0), (phase, error)
            assert printer.calls[-2][0] == "make_safe" or printer.calls[-1][0] == "make_safe"


def _trip_in(phase: str, error: BaseException):
    """Fails at the second reading of a phase."""
    readings = []

    def trip(printer, call: str) -> None:
        if printer.phase == phase and call == "next_sample":
            readings.append(call)
            if len(readings) == 2:
                raise error

    return trip


@pytest.mark.parametrize("name", list(PROCEDURES))
def test_a_setpoint_above_the_limit_ends_the_test_safely(fake_printer, small, name) -> None:
    printer = fake_printer(limit_C=150.0)
    with pytest.raises(Exception, match="above the limit"):
        run(build(name, small[name]), printer)
    assert printer.setpoint_C == 0.0
