"""A process that forks recording hosts on request, so that two hundred can be killed in minutes.

On standard input: a port and a run folder in each line. On standard output: the host's process
id. Each host records a hold; what it shows goes to FOLDER.shown, a line a sample.
"""

import os
import sys
from pathlib import Path

from hotbench.bench.connecting import LinkOptions, connected
from hotbench.bench.recording import record
from hotbench.core.records import Event, Extrusion, Sample
from hotbench.procedures.steps import HoldTest


class Shower:
    """Implements `core.ports.Observer`: puts samples where they survive the process."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)

    def on_sample(self, sample: Sample) -> None:
        os.write(self._file, f"{sample.time_s:.6f} {sample.temperature_C!r}\n".encode())

    def on_event(self, event: Event) -> None:
        pass

    def on_extrusion(self, extrusion: Extrusion) -> None:
        pass


def host(port: str, folder: Path) -> None:
    """Record until killed."""
    link = LinkOptions(port=port)
    with connected(link) as line:
        test = HoldTest(temperature_C=200.0, duration_s=3600.0)
        record(test, line, link, folder, observers=[Shower(folder.with_suffix(".shown"))])


def main() -> None:
    """Fork hosts and reap the ones that have ended."""
    for order in sys.stdin:
        port, folder = order.split()
        pid = os.fork()
        if pid == 0:
            host(port, Path(folder))
            os._exit(0)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
