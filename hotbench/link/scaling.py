"""A transport whose clock runs in board seconds, for a simulated board that runs fast."""

from hotbench.core.ports import Transport


class ScaledTransport:
    """Implements `core.ports.Transport` over another: time is multiplied by `scale`."""

    def __init__(self, inner: Transport, scale: float) -> None:
        self._inner = inner
        self.scale = scale

    @property
    def name(self) -> str:
        """What was opened."""
        return self._inner.name

    def now_s(self) -> float:
        """Board seconds."""
        return self._inner.now_s() * self.scale

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the line."""
        self._inner.write(data)

    def read(self, deadline_s: float) -> bytes:
        """Bytes that have arrived; b"" at `deadline_s` in board seconds."""
        return self._inner.read(deadline_s / self.scale)

    def close(self) -> None:
        """Release the line."""
        self._inner.close()
