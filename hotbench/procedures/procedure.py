"""What every test is: a frozen set of options with a plan, a start, a body and a shut-down."""

from dataclasses import dataclass
from typing import Any, ClassVar

from hotbench.core.ports import PrinterPort
from hotbench.procedures.moves import begin
from hotbench.procedures.options import options_of
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan


@dataclass(frozen=True, kw_only=True)
class Procedure:
    """Base of all tests. Constructing one checks its options: BadInput names the wrong one."""

    name: ClassVar[str] = ""
    summary: ClassVar[str] = ""

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """What will happen; nothing is commanded."""
        raise NotImplementedError

    def settings(self) -> dict[str, Any]:
        """The options as plain JSON values, for the run's provenance."""
        return {entry.name: _plain(getattr(self, entry.name)) for entry in options_of(self)}

    def start(self, printer: PrinterPort) -> None:
        """From whatever state: heater off, fan off, a few readings."""
        begin(printer)

    def execute(self, printer: PrinterPort) -> None:
        """The test itself."""
        raise NotImplementedError

    def shut_down(self, printer: PrinterPort) -> None:
        """Called at the end whatever happened, the heater being off already."""
        printer.set_phase("")


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value
