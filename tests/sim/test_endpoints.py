"""The served line's ends as real descriptors: clients that come, go, wait, and do not read."""

import os
import select
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import (
    Addresses,
    Endpoint,
    PtyEndpoint,
    Server,
    TcpEndpoint,
    port_pair,
    run_server,
    serve_pty,
    serve_tcp,
)

SLEEVE = PRINTERS["swift-sleeve"]


class Quiet:
    """An endpoint nobody is connected to."""

    address = "quiet"

    def __init__(self) -> None:
        self.written: list[bytes] = []
        self.closings = 0

    def descriptors(self) -> Sequence[int]:
        return []

    def read(self) -> bytes:
        return b""

    def write(self, data: bytes) -> None:
        self.written.append(data)

    def close(self) -> None:
        self.closings += 1


class Balance:
    """A scale that shows what it is told."""

    def __init__(self, mass_g: float | None) -> None:
        self.shown_g = mass_g

    def mass_g(self) -> float | None:
        return self.shown_g


def server(scale: Balance, line: Endpoint, scale_line: Endpoint) -> Server:
    return Server(SimulatedPrinter(SLEEVE), scale, line, scale_line)


@pytest.mark.parametrize(
    ("mass_g", "text"),
    [
        (0.0, b"+ 0.000 g\r\n"),
        (12.3456, b"+ 12.346 g\r\n"),
        (-0.5, b"- 0.500 g\r\n"),
        (None, b"+ 0.000 g\r\n"),
    ],
)
def test_how_a_mass_is_printed(mass_g: float | None, text: bytes) -> None:
    assert server(Balance(mass_g), Quiet(), Quiet())._weighing() == text


def test_stopping_closes_both_ends_and_may_be_repeated() -> None:
    line, scale_line = Quiet(), Quiet()
    served = server(Balance(1.0), line, scale_line)
    assert served.addresses == Addresses("quiet", "quiet")
    with served:
        pass
    served.stop()
    assert line.closings >= 1
    assert scale_line.closings >= 1


def test_a_stopped_server_does_not_run() -> None:
    line = Quiet()
    served = server(Balance(1.0), line, Quiet())
    served.stop()
    served.run()
    assert line.written == []


# --- TCP


def until_ready(end: Endpoint, patience_s: float = 2.0) -> None:
    assert select.select(end.descriptors(), [], [], patience_s)[0]


@pytest.fixture
def end() -> Iterator[TcpEndpoint]:
    opened = TcpEndpoint(0)
    yield opened
    opened.close()


def client_of(end: TcpEndpoint) -> socket.socket:
    client = socket.create_connection(("127.0.0.1", end.port), timeout=2.0)
    until_ready(end)
    assert end.read() == b""
    return client


@pytest.mark.wire
def test_a_second_client_waits_until_the_first_is_gone(end: TcpEndpoint) -> None:
    first = client_of(end)
    with socket.create_connection(("127.0.0.1", end.port), timeout=0.2) as second:
        second.sendall(b"M112\n")
        first.sendall(b"M105\n")
        until_ready(end)
        assert end.read() == b"M105\n"
        end.write(b"ok\n")
        assert first.recv(10) == b"ok\n"
        with pytest.raises(TimeoutError):
            second.recv(10)
        first.close()
        until_ready(end)
        assert end.read() == b""
        until_ready(end)
        assert end.read() == b""
        until_ready(end)
        assert end.read() == b"M112\n"
        end.write(b"now you\n")
        assert second.recv(10) == b"now you\n"


@pytest.mark.wire
def test_nothing_to_read_is_nothing(end: TcpEndpoint) -> None:
    assert end.read() == b""
    with client_of(end):
        assert end.read() == b""


@pytest.mark.wire
def test_a_client_that_does_not_read_loses_bytes_and_stops_nobody(end: TcpEndpoint) -> None:
    with client_of(end) as client:
        begun_s = time.monotonic()
        for _ in range(400):
            end.write(b"x" * 50_000)
        assert time.monotonic() - begun_s < 2.0
        client.sendall(b"M105\n")
        until_ready(end)
        assert end.read() == b"M105\n"


@pytest.mark.wire
def test_a_client_that_resets_is_forgotten(end: TcpEndpoint) -> None:
    client = client_of(end)
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    client.close()
    until_ready(end)
    assert end.read() == b""
    end.write(b"nobody\n")
    with client_of(end) as following:
        end.write(b"ok\n")
        assert following.recv(10) == b"ok\n"


@pytest.mark.wire
def test_a_pair_of_ports_is_adjacent_and_on_this_computer_only() -> None:
    line, scale_line = port_pair(0)
    try:
        assert scale_line.port == line.port + 1
        assert line.address == f"socket://127.0.0.1:{line.port}"
    finally:
        line.close()
        scale_line.close()


# --- pseudo terminal


@pytest.mark.wire
def test_a_pty_passes_bytes_unchanged_both_ways() -> None:
    end = PtyEndpoint()
    client = os.open(end.address, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(client, b"M105\r\n\x03\x00\xff")
        until_ready(end)
        assert end.read() == b"M105\r\n\x03\x00\xff"
        end.write(b"ok\r\n\x04")
        assert os.read(client, 100) == b"ok\r\n\x04"
    finally:
        os.close(client)
        end.close()


@pytest.mark.wire
def test_a_pty_outlives_its_client() -> None:
    end = PtyEndpoint()
    try:
        for _ in range(3):
            client = os.open(end.address, os.O_RDWR | os.O_NOCTTY)
            os.write(client, b"M105\n")
            until_ready(end)
            assert end.read() == b"M105\n"
            os.close(client)
            assert end.read() == b""
    finally:
        end.close()


# --- whole servers


@pytest.mark.wire
@pytest.mark.parametrize("make", [serve_pty, serve_tcp])
def test_starting_leaves_no_descriptor_behind(make: Callable[..., Server]) -> None:
    def count() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = count()
    for _ in range(5):
        with make(SLEEVE):
            pass
    assert count() == before


@pytest.mark.wire
def test_an_error_while_announcing_closes_the_ports() -> None:
    seen: list[Addresses] = []

    def announce(addresses: Addresses) -> None:
        seen.append(addresses)
        raise RuntimeError("nobody listens")

    with pytest.raises(RuntimeError, match="nobody listens"):
        run_server(SLEEVE, port=0, announce=announce)
    port = int(seen[0].printer.rsplit(":", 1)[1])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1.0)
