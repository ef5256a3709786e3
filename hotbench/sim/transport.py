"""A simulated printer's line in virtual time."""

from typing import Protocol

from hotbench.core.errors import LinkLost


class Device(Protocol):
    """What sits at the other end of a virtual line."""

    @property
    def now_s(self) -> float:
        """Board seconds since power-on."""

    def receive(self, data: bytes, at_s: float) -> None:
        """Bytes reach the board at `at_s`."""

    def step(self, until_s: float) -> bytes:
        """Let time pass until something is said or `until_s` is reached."""

    def next_event_s(self) -> float:
        """When something happens next if nothing more is received."""


class VirtualTransport:
    """Implements `core.ports.Transport`; time advances only in `read`."""

    def __init__(self, device: Device, name: str) -> None:
        self._device = device
        self._name = name
        self._open = True

    @property
    def name(self) -> str:
        """What was opened."""
        return self._name

    def now_s(self) -> float:
        """Board seconds since power-on."""
        return self._device.now_s

    def write(self, data: bytes) -> None:
        """Hand `data` to the board; raises LinkLost when closed."""
        self._check_open()
        self._device.receive(data, self._device.now_s)

    def read(self, deadline_s: float) -> bytes:
        """Bytes the board said next, or b"" at `deadline_s`; raises LinkLost when closed."""
        self._check_open()
        return self._device.step(deadline_s)

    def close(self) -> None:
        """Release the line; the board runs on when another line is opened."""
        self._open = False

    def _check_open(self) -> None:
        if not self._open:
            raise LinkLost(f"{self._name} is closed")
