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
