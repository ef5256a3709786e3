"""A bare client for the simulated board: one command, its reply."""

from collections.abc import Callable

import pytest

from hotbench.core.ports import Transport

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
