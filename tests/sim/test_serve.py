import select
import socket
import time
from collections import deque
from collections.abc import Sequence
from contextlib import closing

import pytest
import serial

from hotbench.core.errors import BadInput
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.mischief import KINDS, TroubledPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import (
    Addresses,
    PtyEndpoint,
    Server,
    TcpEndpoint,
    port_pair,
    run_server,
    serve_pty,
    serve_tcp,
)

SLEEVE = PRINTERS["swift-sleeve"]


class ScriptedEnd:
    """An endpoint that is given its input and keeps its output."""

    address = "scripted"

    def __init__(self) -> None:
        self.written = b""
        self.closed = False

    def descriptors(self) -> Sequence[int]:
        return []

    def read(self) -> bytes:
        return b""

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        self.closed = True


class Ticking:
    """A clock that gains a fixed time with every look and stops the server after a while."""

    def __init__(self, tick_s: float, looks: int) -> None:
        self._times = deque(i * tick_s for i in range(looks))
        self.server: Server | None = None

    def __call__(self) -> float:
        if len(self._times) == 1 and self.server is not None:
            self.server._stop.set()
        return self._times.popleft() if len(self._times) > 1 else self._times[0]


def test_board_time_is_clock_times_speed_and_the_scale_reports_five_times_a_second() -> None:
    printer = SimulatedPrinter(SLEEVE)
    line, scale = ScriptedEnd(), ScriptedEnd()
    clock = Ticking(0.01, 101)
    server = Server(printer, printer.scale, line, scale, 10.0, clock)
    clock.server = server
    server.run()
    assert printer.now_s == pytest.approx(10.0, abs=0.11)
    assert line.written == b"start\n"
    weighings = scale.written.splitlines()
    assert len(weighings) == pytest.approx(50, abs=3)
    assert set(weighings) == {b"+ 0.000 g"}
    assert line.closed
    assert scale.closed


def test_lost_cable_ends_the_server() -> None:
    printer = TroubledPrinter(SimulatedPrinter(SLEEVE), KINDS["cable cut"], 2.0)
    line, clock = ScriptedEnd(), Ticking(0.05, 1000)
    Server(printer, printer.printer.scale, line, ScriptedEnd(), 1.0, clock).run()
    assert line.closed
    assert printer.now_s == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("inf"), float("nan")])
def test_speed_must_be_positive(speed: float) -> None:
    for make in (serve_pty, serve_tcp):
        with pytest.raises(BadInput, match="speed must be positive"):
            make(SLEEVE, speed=speed)


def converse(port: serial.Serial, command: str) -> list[bytes]:
    port.write(command.encode() + b"\n")
    said = []
    while not said or not said[-1].startswith(b"ok"):
        said.append(port.readline())
        assert said[-1], f"no reply to {command}"
    return said


@pytest.mark.wire
@pytest.mark.parametrize("make", [serve_pty, serve_tcp])
def test_a_served_printer_heats_faster_than_the_wall_clock(make: type) -> None:
    with make(SLEEVE, speed=50.0) as server:
        url = server.addresses.printer
        with closing(serial.serial_for_url(url, 115200, timeout=2.0)) as port:
            converse(port, "M105")
            assert any(b"TIME_SCALE:50" in line for line in converse(port, "M115"))
            converse(port, "M104 S150")
            end_s = time.monotonic() + 5.0
            while time.monotonic() < end_s:
                temperature = float(converse(port, "M105")[-1].split(b"T:")[1].split()[0])
                if temperature > 145.0:
                    break
            assert temperature > 145.0
        with closing(serial.serial_for_url(server.addresses.scale, timeout=2.0)) as pan:
            pan.readline()
            assert pan.readline() == b"+ 0.000 g\r\n"


@pytest.mark.wire
def test_next_client_finds_the_same_printer() -> None:
    with serve_tcp(SLEEVE, speed=20.0) as server:
        for expected in (b"/0.0", b"/77.0"):
            url = server.addresses.printer
            with closing(serial.serial_for_url(url, timeout=2.0)) as port:
                assert expected in converse(port, "M105")[-1]
                converse(port, "M104 S77")


@pytest.mark.wire
def test_pty_drops_what_nobody_reads() -> None:
    end = PtyEndpoint()
    for _ in range(100):
        end.write(b"x" * 10_000)
    assert end.read() == b""
    end.close()
    end.close()
    assert end.descriptors() == []


@pytest.mark.wire
def test_tcp_end_survives_a_client_that_vanishes() -> None:
    end = TcpEndpoint(0)
    end.write(b"nobody")
    for _ in range(2):
        with socket.create_connection(("127.0.0.1", end.port)) as client:
            select.select(end.descriptors(), [], [], 2.0)
            end.read()
            client.sendall(b"M105\n")
            select.select(end.descriptors(), [], [], 2.0)
            assert end.read() == b"M105\n"
            end.write(b"ok\n")
            assert client.recv(10) == b"ok\n"
        select.select(end.descriptors(), [], [], 2.0)
        assert end.read() == b""
    end.close()
    assert end.descriptors() == []


@pytest.mark.wire
def test_taken_port_is_bad_input() -> None:
    first, second = port_pair(0)
    taken, beyond = "Address already in use", "0-65535"
    for port, why in ((first.port, taken), (first.port - 1, taken), (70_000, beyond)):
        with pytest.raises(BadInput, match=f"cannot serve at this port: .*{why}"):
            port_pair(port)
    first.close()
    second.close()


@pytest.mark.wire
@pytest.mark.parametrize("port", [None, 0])
def test_run_server_announces_and_ends_quietly_when_interrupted(port: int | None) -> None:
    seen: list[Addresses] = []

    def announce(addresses: Addresses) -> None:
        seen.append(addresses)
        raise KeyboardInterrupt

    run_server(SLEEVE, port=port, announce=announce)
    assert len(seen) == 1
    if port is not None:
        printer, scale = (int(url.rsplit(":", 1)[1]) for url in (seen[0].printer, seen[0].scale))
        assert scale == printer + 1
