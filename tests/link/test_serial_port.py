"""Ports: opening, refusing, reading, losing and finding them again."""

import os
import select
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
import serial
import serial.serialutil

from hotbench.core.errors import BadInput, LinkLost
from hotbench.core.ports import Transport
from hotbench.link import serial_port
from hotbench.link.client import Printer, Reopenable
from hotbench.link.config import LinkConfig
from hotbench.link.serial_port import FOREIGN, PortInfo, SerialTransport, list_ports
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import serve_pty, serve_tcp

pytestmark = pytest.mark.wire


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    yield master, os.ttyname(slave)
    for descriptor in (master, slave):
        with suppress(OSError):
            os.close(descriptor)


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("/dev/no-such-port", "No such file.*`hotbench ports`"),
        ("/dev/null", "name a serial port"),
        ("", "port: cannot open the port"),
        ("socket://127.0.0.1:1", "Connection refused.*listens there"),
        ("socket://nonsense", "no port number; write socket://HOST:PORT"),
        ("rfc2217://127.0.0.1", "no port number; write rfc2217://HOST:PORT"),
        ("socket://127.0.0.1:99999", "cannot open the port"),
        ("teleport://x", "protocol 'teleport' not known.*socket://HOST:PORT"),
    ],
)
def test_wrong_ports_are_bad_input_with_a_remedy(url: str, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        SerialTransport(url)
    assert "\n" not in str(caught.value)


def test_a_wrong_baud_rate_is_bad_input(pty: tuple[int, str]) -> None:
    with pytest.raises(BadInput, match="cannot open the port"):
        SerialTransport(pty[1], baud=-1)


def test_a_port_is_opened_for_one_program_alone(pty: tuple[int, str]) -> None:
    transport = SerialTransport(pty[1])
    with pytest.raises(BadInput, match="close the other program"):
        SerialTransport(pty[1])
    transport.close()
    transport.close()
    SerialTransport(pty[1]).close()


def test_bytes_go_both_ways_without_waiting(pty: tuple[int, str]) -> None:
    transport: Transport = SerialTransport(pty[1])
    transport.write(b"M105\n")
    assert os.read(pty[0], 100) == b"M105\n"
    os.write(pty[0], b"ok\n")
    begun_s = transport.now_s()
    assert transport.read(begun_s + 5.0) == b"ok\n"
    assert transport.now_s() - begun_s < 1.0
    transport.close()


def test_reading_ends_at_the_deadline(pty: tuple[int, str]) -> None:
    transport = SerialTransport(pty[1])
    begun_s = transport.now_s()
    assert transport.read(begun_s + 0.1) == b""
    assert 0.1 <= transport.now_s() - begun_s < 1.0
    assert transport.read(begun_s) == b""
    transport.close()


def test_ports_that_cannot_be_selected_are_read_all_the_same() -> None:
    transport = SerialTransport("loop://")
    assert transport.fileno() is None
    assert "other programs are not kept out" in transport.notes[0]
    transport.write(b"echo\n")
    heard = b""
    while not heard.endswith(b"\n"):
        heard += transport.read(transport.now_s() + 5.0)
    assert heard == b"echo\n"
    assert transport.read(transport.now_s() + 0.05) == b""
    transport.close()


def test_a_cable_pulled_is_a_lost_link(pty: tuple[int, str]) -> None:
    transport = SerialTransport(pty[1])
    os.close(pty[0])
    with pytest.raises(LinkLost, match=r"the line failed \((the device is gone|Input/output)"):
        transport.read(transport.now_s() + 5.0)
    transport.close()


def test_a_closed_port_is_a_lost_link(pty: tuple[int, str]) -> None:
    transport = SerialTransport(pty[1])
    transport.close()
    with pytest.raises(LinkLost):
        transport.write(b"M105\n")
    with pytest.raises(LinkLost):
        transport.read(transport.now_s() + 1.0)


def test_a_peer_that_hangs_up_is_a_lost_link() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        transport = SerialTransport(f"socket://127.0.0.1:{server.getsockname()[1]}")
        server.accept()[0].close()
        with pytest.raises(LinkLost, match="the other side hung up"):
            transport.read(transport.now_s() + 5.0)
        transport.close()


def test_every_error_of_pyserial_is_translated() -> None:
    modules = (serial, serial.serialutil)
    own = {
        item
        for module in modules
        for item in vars(module).values()
        if isinstance(item, type) and issubclass(item, Exception)
    }
    assert own
    for kind in own:
        assert issubclass(kind, FOREIGN)
        with pytest.raises(LinkLost, match="x: the line failed"), serial_port._translated("x"):
            raise kind(*(() if kind is serial.PortNotOpenError else ("broken",)))


@pytest.mark.parametrize("kind", [OSError, BrokenPipeError, TypeError, ValueError, EOFError])
def test_errors_of_the_system_are_translated(kind: type[Exception]) -> None:
    with pytest.raises(LinkLost, match="x: the line failed"), serial_port._translated("x"):
        raise kind


def test_errors_of_ours_pass() -> None:
    with pytest.raises(BadInput), serial_port._translated("x"):
        raise BadInput("ours")


def test_a_port_that_comes_back_is_found(tmp_path: Path, pty: tuple[int, str]) -> None:
    link = tmp_path / "port"
    link.symlink_to(pty[1])
    transport = SerialTransport(str(link))
    assert isinstance(transport, Reopenable)
    link.unlink()
    with pytest.raises(LinkLost, match=r"did not come back in 0.1 s"):
        transport.reopen(0.1)
    threading.Timer(0.3, lambda: link.symlink_to(pty[1])).start()
    transport.reopen(10.0)
    transport.write(b"M105\n")
    assert os.read(pty[0], 100) == b"M105\n"
    transport.close()


def test_ports_are_listed_with_known_hardware_first() -> None:
    ports = list_ports()
    known = [bool(port.hardware_id) for port in ports]
    assert known == sorted(known, reverse=True)
    assert all(isinstance(port, PortInfo) and port.device for port in ports)


@pytest.mark.parametrize("serve", [serve_pty, serve_tcp])
def test_a_served_printer_in_fast_time(serve: type) -> None:
    with serve(PRINTERS["swift-sleeve"], speed=20.0) as server:
        printer = Printer(SerialTransport(server.addresses.printer), config=LinkConfig())
        assert printer.identify().fields["TIME_SCALE"] == "20"
        printer.set_temperature(150.0)
        begun_s = time.monotonic()
        until_s = printer.now_s() + 20.0
        while printer.now_s() < until_s:
            sample = printer.next_sample()
        assert time.monotonic() - begun_s == pytest.approx(1.0, abs=0.5)
        assert sample.temperature_C == pytest.approx(150.0, abs=10.0)
        printer.make_safe()
        assert printer.safe_outcome == "off"
        printer.close()


def talk(master: int, interval_s: float, count: int, moments_s: list[float]) -> None:
    """Report by itself at a steady rate; keeps when."""
    begun_s = time.monotonic()
    for i in range(count):
        while (left_s := begun_s + i * interval_s - time.monotonic()) > 0.0:
            select.select([], [], [], left_s)
        moments_s.append(time.monotonic())
        os.write(master, f"T:{i}.0 /0.0 @:0\n".encode())


@pytest.mark.bench
@pytest.mark.slow
def test_reports_are_stamped_when_they_arrive(pty: tuple[int, str]) -> None:
    """20 reports a second for 10 s: none lost, stamps late by less than 2 ms at the 99th
    percentile, little CPU. Loads beside this test raise the lateness, hence the retries."""
    for attempt in range(3):
        late_s, cpu_share = measure_stamps(*pty)
        if late_s < 0.002 and cpu_share < 0.05:
            return
        print(f"attempt {attempt}: {late_s * 1e3:.2f} ms, {cpu_share:.1%} CPU")  # noqa: T201
    pytest.fail(f"stamps {late_s * 1e3:.2f} ms late, {cpu_share:.1%} CPU")


def measure_stamps(master: int, slave: str) -> tuple[float, float]:
    transport = SerialTransport(slave)
    sent_s: list[float] = []
    talker = threading.Thread(target=talk, args=(master, 0.05, 200, sent_s))
    talker.start()
    cpu_s, begun_s = time.process_time(), time.monotonic()
    heard_s, rest = [], b""
    while len(heard_s) < 200:
        rest += transport.read(transport.now_s() + 1.0)
        arrived_s = transport.now_s()
        *lines, rest = rest.split(b"\n")
        heard_s += [arrived_s] * len(lines)
    share = (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
    talker.join()
    transport.close()
    late_s = sorted(heard - sent for heard, sent in zip(heard_s, sent_s, strict=True))
    return late_s[int(0.99 * len(late_s))], share
