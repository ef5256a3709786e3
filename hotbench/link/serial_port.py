"""Serial ports, and whatever else pyserial opens; the only module that imports it."""

import errno
import re
import select
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import UnsupportedOperation
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports as serial_list

from hotbench.core.errors import BadInput, HotbenchError, LinkLost

CHUNK = 4096
_NUMBER = re.compile(r"(?:\[Errno |\()(\d+)[],]")
WRITE_TIMEOUT_s = 2.0
BLIND_WAIT_s = 0.02
"""Wait per read where the system cannot tell when bytes arrive (Windows, rfc2217)."""
REOPEN_PAUSE_s = 0.2
NETWORK = ("socket", "rfc2217")
"""Schemes whose addresses need a port number."""

FOREIGN = (serial.SerialException, OSError, EOFError, ValueError, TypeError, AttributeError)
"""What pyserial raises: its own errors, the system's, and wrong types from a port half closed."""

REMEDIES = {
    errno.ENOENT: "see `hotbench ports` for the ports there are",
    errno.EACCES: "give yourself access to serial ports (often the group dialout or uucp)",
    errno.EPERM: "give yourself access to serial ports (often the group dialout or uucp)",
    errno.EBUSY: "close the other program that has it open",
    errno.EAGAIN: "close the other program that has it open",
    errno.ENOTTY: "name a serial port, or socket://HOST:PORT",
    errno.ECONNREFUSED: "check that something listens there",
}

PLAINER = {
    "readiness to read": "the device is gone, or another program reads from it",
    "socket disconnected": "the other side hung up",
}
"""Parts of pyserial's own wordings, and what they mean."""


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this machine; hardware_id is empty where there is none to know."""

    device: str
    description: str
    hardware_id: str


def list_ports() -> list[PortInfo]:
    """The serial ports of this machine, those with known hardware first."""
    ports = [
        PortInfo(port.device, _stated(port.description), _stated(port.hwid))
        for port in serial_list.comports()
    ]
    return sorted(ports, key=lambda port: (not port.hardware_id, port.device))


class SerialTransport:
    """Implements `core.ports.Transport` over anything pyserial opens.

    url: a device, `socket://HOST:PORT`, `rfc2217://HOST:PORT` .... The port is opened for this
    program alone where the system has that; `notes` says where not. Raises BadInput when it
    cannot be opened, LinkLost when it fails later.
    """

    def __init__(self, url: str, baud: int = 115200) -> None:
        self._url, self._baud = url, baud
        self._hardware_id = _hardware_id(url)
        self._serial = self._open(url)

    @property
    def name(self) -> str:
        """What was opened."""
        return self._url

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about this port."""
        if "://" in self._url:
            return (f"{self._url}: other programs are not kept out of this port",)
        return ()

    def fileno(self) -> int | None:
        """Descriptor of the device or socket; None where there is none to inherit."""
        try:
            return int(self._serial.fileno())
        except (*FOREIGN, UnsupportedOperation):
            return None

    def now_s(self) -> float:
        """The system's monotonic clock."""
        return time.monotonic()

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the line."""
        with _translated(self._url):
            self._serial.write(data)

    def read(self, deadline_s: float) -> bytes:
        """Bytes that have arrived; b"" at the deadline."""
        while True:
            left_s = max(deadline_s - self.now_s(), 0.0)
            with _translated(self._url):
                data = self._arrived(left_s)
            if data or self.now_s() >= deadline_s:
                return data

    def close(self) -> None:
        """Release the port; calling it again does nothing."""
        with suppress(*FOREIGN):
            self._serial.close()

    def reopen(self, patience_s: float) -> None:
        """Open the port again, wherever its hardware shows up; LinkLost after `patience_s`."""
        self.close()
        end_s = self.now_s() + patience_s
        while True:
            with suppress(BadInput):
                self._serial = self._open(self._where_now())
                return
            if self.now_s() >= end_s:
                raise LinkLost(f"{self._url}: the port did not come back in {patience_s:g} s")
            time.sleep(REOPEN_PAUSE_s)

    def _open(self, url: str) -> serial.SerialBase:
        _check_network(url)
        try:
            port = serial.serial_for_url(
                url,
                baudrate=self._baud,
                timeout=BLIND_WAIT_s,
                write_timeout=WRITE_TIMEOUT_s,
                exclusive=True,
            )
        except FOREIGN as error:
            raise _refusal(url, error) from error
        self._descriptor = _selectable(port)
        if self._descriptor is not None:
            port.timeout = 0.0
        # USB adapters hold bytes back for up to 16 ms unless told otherwise.
        with suppress(*FOREIGN, NotImplementedError):
            port.set_low_latency_mode(True)
        return port

    def _arrived(self, wait_s: float) -> bytes:
        if self._descriptor is None:
            first = self._serial.read(1)
            return self._more(bytes(first)) if first else b""
        ready, _, _ = select.select([self._descriptor], [], [], wait_s)
        return bytes(self._serial.read(CHUNK)) if ready else b""

    def _more(self, first: bytes) -> bytes:
        waiting = int(getattr(self._serial, "in_waiting", 0))
        return first + bytes(self._serial.read(waiting)) if waiting else first

    def _where_now(self) -> str:
        """Where the hardware is now: a board that drops off the bus may come back elsewhere."""
        if not self._hardware_id:
            return self._url
        here = [port.device for port in list_ports() if port.hardware_id == self._hardware_id]
        return here[0] if len(here) == 1 else self._url


@contextmanager
def _translated(name: str) -> Iterator[None]:
    """Foreign errors of an open port become LinkLost."""
    try:
        yield
    except HotbenchError:
        raise
    except FOREIGN as error:
        raise LinkLost(f"{name}: the line failed ({_plain(error)})") from error


def _check_network(url: str) -> None:
    """BadInput for a network address without a port number."""
    try:
        parts = urlsplit(url)
        missing = parts.scheme in NETWORK and parts.port is None
    except ValueError:
        return
    if missing:
        remedy = f"write {parts.scheme}://HOST:PORT, such as {parts.scheme}://127.0.0.1:7070"
        raise BadInput("no port number", where=url, remedy=remedy)


def _refusal(url: str, error: Exception) -> BadInput:
    """Why a port could not be opened, and what to do about it."""
    words = str(error)
    stated = _NUMBER.search(words)
    number = int(stated[1]) if stated else getattr(error, "errno", None)
    locked = "lock" in words.lower()
    fallback = REMEDIES[errno.ENOTTY if "://" in url else errno.ENOENT]
    remedy = REMEDIES[errno.EBUSY] if locked else REMEDIES.get(number or 0, fallback)
    where = url or "port"
    return BadInput("cannot open the port", where=where, value=_plain(error), remedy=remedy)


def _plain(error: Exception) -> str:
    """The system's own words, without pyserial's repetitions around them."""
    words = " ".join(str(error).split()).rsplit("] ", 1)[-1]
    plainer = next((said for part, said in PLAINER.items() if part in words), words)
    return plainer or type(error).__name__


def _selectable(port: serial.SerialBase) -> int | None:
    """The descriptor to wait on, where the system can."""
    try:
        descriptor = int(port.fileno())
        select.select([descriptor], [], [], 0.0)
    except (*FOREIGN, UnsupportedOperation):
        return None
    return descriptor


def _stated(text: str | None) -> str:
    return "" if text in (None, "n/a") else str(text)


def _hardware_id(device: str) -> str:
    return next((port.hardware_id for port in list_ports() if port.device == device), "")
