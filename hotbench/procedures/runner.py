"""Running a procedure so that every way out leaves the heater off."""

from typing import Protocol

from hotbench.core.errors import ControllerFault, Stopped, WatchTripped
from hotbench.core.ports import PrinterPort
from hotbench.core.records import Outcome


class Runnable(Protocol):
    """The part of a procedure that the runner needs."""

    def start(self, printer: PrinterPort) -> None:
        """Prepare."""

    def execute(self, printer: PrinterPort) -> None:
        """Do the test."""

    def shut_down(self, printer: PrinterPort) -> None:
        """Clean up, heater off already."""


def run(procedure: Runnable, printer: PrinterPort) -> Outcome:
    """Run a procedure to its end; 'complete', or the error that ended it travels on.

    Before anything leaves this function, whatever it is (a fault, a stop, an interrupt, the
    process's end), the printer has been made safe. `outcome_of` names the outcome of an error.
    """
    try:
        procedure.start(printer)
        procedure.execute(printer)
    except BaseException:
        _make_safe(printer)
        _clean_up_after_error(procedure, printer)
        raise
    _make_safe(printer)
    procedure.shut_down(printer)
    return "complete"


def outcome_of(error: BaseException) -> Outcome:
    """How a run that ended with `error` is recorded."""
    if isinstance(error, Stopped | KeyboardInterrupt | SystemExit):
        return "stopped"
    return "faulted" if isinstance(error, ControllerFault | WatchTripped) else "cut off"


def _make_safe(printer: PrinterPort) -> None:
    try:
        printer.make_safe()
    except BaseException:
        # An interrupt in the midst of switching off must not leave the heater on.
        printer.make_safe()
        raise


def _clean_up_after_error(procedure: Runnable, printer: PrinterPort) -> None:
    try:
        procedure.shut_down(printer)
    except Exception:  # noqa: BLE001 - the error that ended the run is the one to report
        return
