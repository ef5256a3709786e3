"""Serving a simulated printer in real time: over a pseudo terminal or a TCP port."""

import os
import select
import socket
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from hotbench.core.errors import BadInput, LinkLost
from hotbench.core.ports import Scale
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PrinterSpec
from hotbench.sim.transport import Device

LONGEST_SLICE_s = 0.005
SCALE_INTERVAL_s = 0.2
CHUNK = 4096
LOOPBACK = "127.0.0.1"


class Endpoint(Protocol):
    """One end of a line that may or may not be connected."""

    @property
    def address(self) -> str:
        """What a client opens."""

    def descriptors(self) -> Sequence[int]:
        """What to wait for."""

    def read(self) -> bytes:
        """Bytes that are there now, maybe none."""

    def write(self, data: bytes) -> None:
        """Send what fits; the rest is lost, as on a serial line nobody reads."""

    def close(self) -> None:
        """Hang up."""


class PtyEndpoint:
    """A pseudo terminal; the client opens the path in `address`."""

    def __init__(self) -> None:
        if not hasattr(os, "openpty"):
            raise BadInput("this system has no pseudo terminals", remedy="serve over TCP")
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._address = os.ttyname(self._slave)

    @property
    def address(self) -> str:
        """Path of the device."""
        return self._address

    def descriptors(self) -> Sequence[int]:
        """The master's descriptor."""
        return [self._master] if self._master >= 0 else []

    def read(self) -> bytes:
        """Bytes the client wrote."""
        try:
            return os.read(self._master, CHUNK)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Send what the terminal takes."""
        with suppress(BlockingIOError):
            os.write(self._master, data)

    def close(self) -> None:
        """Close both ends."""
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1


class TcpEndpoint:
    """A TCP port that serves one client at a time; the next waits in the queue."""

    def __init__(self, port: int, host: str = LOOPBACK) -> None:
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._listener.bind((host, port))
        except (OSError, OverflowError) as error:
            self._listener.close()
            raise BadInput(
                f"cannot serve at this port: {getattr(error, 'strerror', None) or error}",
                value=port,
                remedy="choose another, or end what serves there",
            ) from error
        self._listener.listen(4)
        self._listener.settimeout(0.0)
        self._host = host
        self.port = int(self._listener.getsockname()[1])
        self._client: socket.socket | None = None

    @property
    def address(self) -> str:
        """URL as pyserial opens it."""
        return f"socket://{self._host}:{self.port}"

    def descriptors(self) -> Sequence[int]:
        """The client's descriptor, or the listener's while nobody is connected."""
        watched = self._client or self._listener
        return [watched.fileno()] if watched.fileno() >= 0 else []

    def read(self) -> bytes:
        """Bytes the client sent; takes a waiting client first when there is none."""
        if self._client is None:
            self._accept()
            return b""
        try:
            data = self._client.recv(CHUNK)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """Send to the client, if there is one."""
        if self._client is None:
            return
        try:
            self._client.send(data)
        except BlockingIOError:
            pass
        except OSError:
            self._hang_up()

    def close(self) -> None:
        """Close client and listener."""
        self._hang_up()
        self._listener.close()

    def _accept(self) -> None:
        with suppress(BlockingIOError):
            self._client, _ = self._listener.accept()
            self._client.settimeout(0.0)
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None


@dataclass(frozen=True)
class Addresses:
    """What clients open: the printer, and the weighing scale under its nozzle."""

    printer: str
    scale: str


class Server:
    """Runs a device in real time, `speed` board seconds per wall second, until stopped.

    The scale's line prints the mass on the pan five times a board second, such as `+ 12.345 g`.
    """

    def __init__(
        self,
        device: Device,
        scale: Scale,
        line: Endpoint,
        scale_line: Endpoint,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._device, self._scale = device, scale
        self._line, self._scale_line = line, scale_line
        self._speed, self._clock = speed, clock
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def addresses(self) -> Addresses:
        """What clients open."""
        return Addresses(self._line.address, self._scale_line.address)

    def start(self) -> Self:
        """Run in a thread."""
        self._thread = threading.Thread(target=self.run, name="simulated printer", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the thread and hang up; calling it again does nothing."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._line.close()
        self._scale_line.close()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def run(self) -> None:
        """Serve in this thread until stopped or the device's cable is gone."""
        begun_s = self._clock() - self._device.now_s / self._speed
        weigh_at_s = 0.0
        try:
            while not self._stop.is_set():
                now_s = (self._clock() - begun_s) * self._speed
                self._speak(now_s)
                if now_s >= weigh_at_s:
                    weigh_at_s = max(weigh_at_s + SCALE_INTERVAL_s, now_s)
                    self._scale_line.write(self._weighing())
                self._listen(now_s, begun_s, weigh_at_s)
        except LinkLost:
            self._stop.set()
        finally:
            self._line.close()
            self._scale_line.close()

    def _speak(self, now_s: float) -> None:
        """Let the device catch up with `now_s`."""
        while said := self._device.step(now_s):
            self._line.write(said)

    def _listen(self, now_s: float, begun_s: float, weigh_at_s: float) -> None:
        """Wait for bytes, at most until something is due."""
        due_s = min(self._device.next_event_s(), weigh_at_s)
        patience_s = min(max((due_s - now_s) / self._speed, 0.0), LONGEST_SLICE_s)
        mine, others = self._line.descriptors(), self._scale_line.descriptors()
        ready, _, _ = select.select([*mine, *others], [], [], patience_s)
        if any(descriptor in mine for descriptor in ready):
            heard = self._line.read()
            if heard:
                self._device.receive(heard, (self._clock() - begun_s) * self._speed)
        if any(descriptor in others for descriptor in ready):
            self._scale_line.read()

    def _weighing(self) -> bytes:
        mass_g = self._scale.mass_g() or 0.0
        return f"{'-' if mass_g < 0.0 else '+'} {abs(mass_g):.3f} g\r\n".encode("ascii")


def serve_pty(spec: PrinterSpec, speed: float = 1.0, seed: int = 0) -> Server:
    """A server on two pseudo terminals, printer and scale; start it or use it in a `with`."""
    printer = SimulatedPrinter(spec, seed, time_scale=_positive(speed))
    return Server(printer, printer.scale, PtyEndpoint(), PtyEndpoint(), speed)


def _positive(speed: float) -> float:
    if not 0.0 < speed < float("inf"):
        raise BadInput("the speed must be positive", value=speed)
    return speed


def serve_tcp(
    spec: PrinterSpec, port: int = 0, speed: float = 1.0, seed: int = 0, host: str = LOOPBACK
) -> Server:
    """A server at `port` with the scale at port + 1; port 0 takes any free pair.

    Raises BadInput when a port cannot be had.
    """
    printer = SimulatedPrinter(spec, seed, time_scale=_positive(speed))
    line, scale_line = port_pair(port, host)
    return Server(printer, printer.scale, line, scale_line, speed)


def port_pair(port: int, host: str = LOOPBACK) -> tuple[TcpEndpoint, TcpEndpoint]:
    """Endpoints at `port` and the one above; BadInput when either is taken."""
    for last_try in (port != 0, False, False, False, True):
        line = TcpEndpoint(port, host)
        try:
            return line, TcpEndpoint(line.port + 1, host)
        except BadInput:
            line.close()
            if last_try:
                raise
    raise AssertionError("unreachable")


def run_server(
    spec: PrinterSpec,
    *,
    port: int | None = None,
    speed: float = 1.0,
    seed: int = 0,
    announce: Callable[[Addresses], None],
) -> None:
    """Serve in this thread, on a pty or at TCP `port`, until interrupted (Ctrl-C ends quietly).

    announce receives the addresses once they can be opened. Raises BadInput for a bad port or
    speed.
    """
    server = serve_pty(spec, speed, seed) if port is None else serve_tcp(spec, port, speed, seed)
    try:
        announce(server.addresses)
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.stop()
