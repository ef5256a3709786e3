"""Signals as a wish to stop, so that a procedure can end in order."""

import signal
import threading
from types import FrameType, TracebackType
from typing import Any, Self

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopOnSignals:
    """Implements `core.ports.StopSignal`; in a `with`, signals that end a process set it.

    Handlers are put back on leaving. Outside the main thread, where Python allows no handlers,
    only `request` sets it. A second signal raises KeyboardInterrupt once, for a program that waits
    for a person and cannot look at the first; more change nothing, the way out is the safe one.
    """

    def __init__(self) -> None:
        self._stop = threading.Event()
        self._before: dict[int, Any] = {}
        self._interrupted = False
        self.signal_name = ""

    def __call__(self) -> bool:
        """True once the procedure must end."""
        return self._stop.is_set()

    def request(self) -> None:
        """Ask for the end, as a stop button does."""
        self._stop.set()

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in _numbers():
                self._before[number] = signal.signal(number, self._caught)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._before.clear()

    def _caught(self, number: int, _: FrameType | None) -> None:
        self.signal_name = signal.Signals(number).name
        again = self._stop.is_set() and not self._interrupted
        self._interrupted |= again
        self._stop.set()
        if again:
            raise KeyboardInterrupt


def _numbers() -> list[int]:
    return [int(getattr(signal, name)) for name in NAMES if hasattr(signal, name)]
