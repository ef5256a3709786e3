"""A fast sleeve on its line, and a bare client: one command, its reply."""

from collections.abc import Callable

import pytest

from hotbench.core.ports import Transport
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS

Ask = Callable[..., str]


def _ask(line: Transport, command: str, patience_s: float = 5.0) -> str:
    line.write(command.encode() + b"\n")
    said = b""
    while not any(part.startswith(b"ok") for part in said.splitlines()):
        heard = line.read(line.now_s() + patience_s)
        assert heard, f"no reply to {command}"
        said += heard
    return said.decode()


@pytest.fixture
def ask() -> Ask:
    return _ask


@pytest.fixture
def printer() -> SimulatedPrinter:
    return SimulatedPrinter(PRINTERS["swift-sleeve"])


@pytest.fixture
def line(printer: SimulatedPrinter) -> Transport:
    opened = printer.transport()
    assert opened.read(2.0) == b"start\n"
    return opened
