"""Progress on standard error, for anything that takes longer than a second."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Step = Callable[[float, str], None]
"""Told the fraction done, 0 to 1, and what is going on."""

DELAY_S = 1.0


def silent(fraction: float, text: str) -> None:
    """Progress that nobody watches."""
    del fraction, text


@contextmanager
def progress(title: str, now_s: Callable[[], float] = time.monotonic) -> Iterator[Step]:
    """A bar that appears after a second when standard error is a terminal, else nothing."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.fields[title]}"),
        TimeElapsedColumn(),
        BarColumn(bar_width=20),
        TextColumn("{task.percentage:>3.0f} %  {task.description}"),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task("", total=1.0, title=title)
    begun_s = now_s()

    def step(fraction: float, text: str) -> None:
        if not bar.live.is_started and now_s() - begun_s > DELAY_S:
            bar.start()
        bar.update(task, completed=fraction, description=text)

    try:
        yield step
    finally:
        bar.stop()
