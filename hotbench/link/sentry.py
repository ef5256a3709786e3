"""A watchman inside this process, for ports that no guard process can hold."""

import threading
from collections.abc import Callable


class Sentry:
    """Calls `shout` once when `beat` has not been called for `silence_s`; a beat arms it again.

    It sees a main thread that hangs, not the death of the process. wait: takes seconds and
    returns True to end; by default it lets real time pass. Time is counted in turns of `wait`, so
    that a stopped clock or a suspended machine does not set it off.
    """

    TURNS = 4

    def __init__(
        self,
        shout: Callable[[], None],
        silence_s: float,
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        self._shout = shout
        self._turn_s = silence_s / self.TURNS
        self._silent = 0
        self._end = threading.Event()
        self._wait = wait or self._end.wait
        self._thread = threading.Thread(target=self._stand, name="sentry", daemon=True)
        self._thread.start()

    def beat(self) -> None:
        """A sign of life."""
        self._silent = 0

    def stop(self) -> None:
        """End the watch; calling it again does nothing."""
        self._end.set()
        self._thread.join()

    def _stand(self) -> None:
        while not self._wait(self._turn_s):
            self._silent += 1
            if self._silent == self.TURNS + 1:
                self._shout()
