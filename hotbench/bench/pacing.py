"""A virtual line slowed to a pace that a person can watch."""

import time
from collections.abc import Callable

from hotbench.core.ports import Transport

FORGIVEN_s = 0.5
"""A wall clock further ahead than this is not caught up with: the board would race."""


class PacedTransport:
    """Implements `core.ports.Transport` over a virtual one; `speed` board seconds per second.

    Only the wall clock is held back: board time runs on exactly as it would without.
    """

    def __init__(
        self,
        inner: Transport,
        speed: float,
        wall_s: Callable[[], float] = time.monotonic,
        nap: Callable[[float], None] = time.sleep,
    ) -> None:
        self._inner, self._speed = inner, speed
        self._wall_s, self._nap = wall_s, nap
        self._begin_s = wall_s() - inner.now_s() / speed

    @property
    def name(self) -> str:
        """What was opened."""
        return self._inner.name

    def now_s(self) -> float:
        """Board seconds."""
        return self._inner.now_s()

    def write(self, data: bytes) -> None:
        """Hand `data` to the board."""
        self._inner.write(data)

    def read(self, deadline_s: float) -> bytes:
        """What the board says next, held back until the wall clock has come that far."""
        heard = self._inner.read(deadline_s)
        ahead_s = self._begin_s + self._inner.now_s() / self._speed - self._wall_s()
        if ahead_s > 0.0:
            self._nap(ahead_s)
        elif ahead_s < -FORGIVEN_s:
            self._begin_s -= ahead_s
        return heard

    def close(self) -> None:
        """Release the line."""
        self._inner.close()
