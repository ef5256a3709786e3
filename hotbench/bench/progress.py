"""Progress on standard error, for anything that takes longer than a second."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

Step = Callable[[float, str], None]
"""Told the fraction done, 0 to 1, and what is going on."""

DELAY_S = 1.0


def silent(fraction: float, text: str) -> None:
    """Progress that nobody watches."""
    del fraction, text


class Bar:
    """A bar that appears after a second, and makes room while a question is on the screen."""

    def __init__(self, title: str, drawn: "Progress", now_s: Callable[[], float]) -> None:
        self._drawn, self._now_s = drawn, now_s
        self._task = drawn.add_task("", total=1.0, title=title)
        self._begun_s, self._held = now_s(), False
        self._lock = Lock()

    def __call__(self, fraction: float, text: str) -> None:
        """Implements `Step`."""
        self._drawn.update(self._task, completed=fraction, description=text)
        due = self._now_s() - self._begun_s > DELAY_S
        with self._lock:
            if due and not self._held:
                self._drawn.start()

    @contextmanager
    def held(self) -> Iterator[None]:
        """No bar meanwhile: drawing would wipe away what a person types."""
        with self._lock:
            self._held = True
            self._drawn.stop()
        try:
            yield
        finally:
            self._held = False


def unhindered(ask: Callable[[str], str], step: Step) -> Callable[[str], str]:
    """Asks as `ask` does, with the bar of `step` out of the way until there is an answer."""
    if not isinstance(step, Bar):
        return ask

    def asked(question: str) -> str:
        with step.held():
            return ask(question)

    return asked


@contextmanager
def progress(title: str, now_s: Callable[[], float] = time.monotonic) -> Iterator[Step]:
    """A bar that appears after a second when standard error is a terminal, else nothing."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    drawn = Progress(
        TextColumn("{task.fields[title]} for"),
        TimeElapsedColumn(),
        BarColumn(bar_width=20),
        TextColumn("{task.percentage:>3.0f} %  {task.description}"),
        console=Console(stderr=True),
        transient=True,
    )
    try:
        yield Bar(title, drawn, now_s)
    finally:
        drawn.stop()
