"""Going on after a controller fault, where the user allowed it."""

from hotbench.core.errors import ControllerFault
from hotbench.core.ports import PrinterPort

MOST_REPEATED = 5


def recover(printer: PrinterPort, wait_s: float) -> None:
    """Heater off, wait, then ask the board to resume.

    A board may announce the same fault again while waiting; more than MOST_REPEATED times ends
    the procedure.
    """
    printer.make_safe()
    printer.set_phase("recover")
    printer.note(f"waiting {wait_s:g} s, then asking the board to resume, as allowed")
    until_s, repeated = printer.now_s() + wait_s, 0
    while printer.now_s() < until_s:
        try:
            printer.next_sample()
        except ControllerFault:
            repeated += 1
            if repeated > MOST_REPEATED:
                raise
    printer.reset_after_fault()
