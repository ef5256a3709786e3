"""The protocols that join the rooms: bytes to a printer, and records to whoever watches."""

from typing import Protocol, runtime_checkable

from hotbench.core.records import Event, Extrusion, Sample


@runtime_checkable
class Transport(Protocol):
    """Bytes to and from a printer; the only place where time passes.

    Errors: LinkLost when the other side is gone. No method sleeps longer than its deadline.
    """

    @property
    def name(self) -> str:
        """What was opened, for messages and provenance."""

    def now_s(self) -> float:
        """Monotonic seconds of this transport's own clock."""

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the line."""

    def read(self, deadline_s: float) -> bytes:
        """Bytes that have arrived, at least one; b"" once now_s() reaches `deadline_s`."""

    def close(self) -> None:
        """Release the line; calling it again does nothing."""


class Observer(Protocol):
    """Receives everything a run produces, in order, from one thread."""

    def on_sample(self, sample: Sample) -> None:
        """A temperature reading; whoever stores comes before whoever shows."""

    def on_event(self, event: Event) -> None:
        """A command, a heard line, a fault, a phase or a note."""

    def on_extrusion(self, extrusion: Extrusion) -> None:
        """An extrusion is done; weighings may still be missing."""


class StopSignal(Protocol):
    """Asked between replies whether a person wants the procedure to end."""

    def __call__(self) -> bool:
        """True once the procedure must end."""


class Scale(Protocol):
    """Where delivered mass comes from: a weighing scale, a person, or the simulated pan."""

    def mass_g(self) -> float | None:
        """Stable total mass on the pan, g; None when it will be filled in later."""


class PrinterPort(Protocol):
    """A printer as a procedure sees it: commands that return once accepted, and samples.

    Any method may raise ControllerFault, WatchTripped, LinkLost, NoReply or Stopped; BadInput
    when a request breaks a stated limit (nothing is sent then). Time is the run's own: seconds
    since the run began, advanced only by the transport below.
    """

    def now_s(self) -> float:
        """Seconds since the run began."""

    def set_phase(self, phase: str) -> None:
        """Name what is going on; every following sample carries it."""

    def set_temperature(self, setpoint_C: float) -> None:
        """Command the hot end's setpoint, 0 to switch off."""

    def set_fan(self, fraction: float) -> None:
        """Command the part fan, 0 to 1."""

    def extrude(self, length_mm: float, speed_mm_per_s: float) -> None:
        """Start feeding filament (length and speed of the filament); samples continue meanwhile."""

    def next_sample(self) -> Sample:
        """The next temperature reading, already handed to every observer."""

    def note(self, text: str) -> None:
        """Put a remark among the run's events."""

    def record_extrusion(self, extrusion: Extrusion) -> None:
        """Hand a finished extrusion to the observers."""

    def reset_after_fault(self) -> None:
        """Ask a faulted board to resume; only called where the user allowed it."""

    def make_safe(self) -> None:
        """Heater off and fan to its safe state; never raises for a line that is already gone."""
