"""Switches the heater off when this process dies, however it dies, or stops answering."""

import atexit
import os
import select
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from hotbench.core.errors import HotbenchError, LinkError
from hotbench.link.guard_process import QUIT, READY
from hotbench.link.platform import THIS, Plan, Platform, plan_for
from hotbench.link.sentry import Sentry

BEAT_EVERY_s = 0.2
GOODBYE_s = 2.0
START_s = 10.0
DEFAULT_SILENCE_s = 10.0


class PortWithDescriptor(Protocol):
    """A transport over an open device or socket."""

    @property
    def name(self) -> str:
        """What was opened."""

    def fileno(self) -> int | None:
        """Descriptor to inherit; None where there is none."""

    def now_s(self) -> float:
        """Monotonic seconds."""

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the line."""

    def read(self, deadline_s: float) -> bytes:
        """Bytes that have arrived; b"" at the deadline."""

    def close(self) -> None:
        """Release the line."""

    def reopen(self, patience_s: float) -> None:
        """Open the same port again."""


class Guard:
    """A process of its own that holds the port and waits for this one to die.

    It sends `safe` within 2 s after this process has ended without `stop`, be it by SIGKILL, and
    when `beat` has not been called for `silence_s`. It runs in a session of its own, so that
    Ctrl-C and a closed terminal do not end it. The pipe it listens on is not inherited by other
    children; a child made by a bare fork holds it open, then the guard notices within half a
    second that its parent has changed. Constructing it returns once it is on guard; LinkError when
    it does not start.
    """

    def __init__(self, descriptor: int, safe: bytes, silence_s: float = DEFAULT_SILENCE_s) -> None:
        reader, self._pipe = os.pipe()
        # Beats must never block a host whose guard has stopped reading.
        os.set_blocking(self._pipe, False)
        arguments = [str(descriptor), str(reader), str(silence_s), safe.hex()]
        program = Path(__file__).with_name("guard_process.py")
        self._process = subprocess.Popen(  # noqa: S603 - our own file, no shell
            [sys.executable, "-I", "-S", str(program), *arguments],
            pass_fds=(descriptor, reader),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(reader)
        if self._first_word() != READY:
            self.stop()
            raise LinkError("the guard process does not start; nothing heats without it")

    def _first_word(self) -> bytes:
        """What the guard says once it is on guard; b"" when it never says anything."""
        assert self._process.stdout is not None  # noqa: S101 - a pipe was asked for
        with self._process.stdout as said:
            ready, _, _ = select.select([said], [], [], START_s)
            return os.read(said.fileno(), 1) if ready else b""

    @property
    def pid(self) -> int:
        """The guard's process id."""
        return self._process.pid

    def beat(self) -> None:
        """A sign of life; LinkError when the guard itself has died."""
        try:
            os.write(self._pipe, b".")
        except BlockingIOError:
            return
        except OSError as error:
            raise LinkError("the guard process has ended; nothing heats without it") from error

    def stop(self) -> None:
        """End the guard; it sends the safe bytes once more before it goes."""
        if self._pipe < 0:
            return
        with suppress(OSError):
            os.write(self._pipe, QUIT)
        os.close(self._pipe)
        self._pipe = -1
        try:
            self._process.wait(GOODBYE_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class GuardedTransport:
    """Implements `core.ports.Transport` over an open port, with a guard beside it.

    Every read and write is a sign of life. Whoever makes a person or a file wait while the
    heater is on must therefore keep reading, or the guard switches off after `silence_s`. Where
    no guard is possible `notes` says so; a sentry in this process then sees it hang, and the port
    is made safe when Python exits.
    """

    def __init__(
        self,
        port: PortWithDescriptor,
        safe: bytes,
        silence_s: float = DEFAULT_SILENCE_s,
        platform: Platform = THIS,
    ) -> None:
        self._port, self._safe, self._silence_s = port, safe, silence_s
        self._platform = platform
        self._plan = Plan("in this process")
        self._guard: Guard | Sentry = self._start()
        self._beaten_s = -BEAT_EVERY_s

    @property
    def name(self) -> str:
        """What was opened."""
        return self._port.name

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about this port and its guard."""
        others = tuple(getattr(self._port, "notes", ()))
        return (*others, self._plan.note) if self._plan.note else others

    @property
    def guard(self) -> Guard | None:
        """The guard; None where there cannot be one."""
        return self._guard if isinstance(self._guard, Guard) else None

    def now_s(self) -> float:
        """The port's clock."""
        return self._port.now_s()

    def write(self, data: bytes) -> None:
        """Hand all of `data` to the line."""
        self._beat()
        self._port.write(data)

    def read(self, deadline_s: float) -> bytes:
        """Bytes that have arrived; b"" at the deadline, at most half the guard's patience away."""
        self._beat()
        end_s = min(deadline_s, self.now_s() + self._silence_s / 2.0)
        while True:
            data = self._port.read(end_s)
            self._beat()
            if data or self.now_s() >= deadline_s:
                return data
            end_s = min(deadline_s, self.now_s() + self._silence_s / 2.0)

    def close(self) -> None:
        """End the guard, which sends the safe bytes once more, then release the port."""
        self._stop()
        self._port.close()

    def reopen(self, patience_s: float) -> None:
        """Open the port again under a new guard; LinkLost if in vain."""
        self._stop()
        self._port.reopen(patience_s)
        self._guard = self._start()

    def _start(self) -> Guard | Sentry:
        descriptor = self._port.fileno()
        self._plan = plan_for(self._platform, descriptor)
        if self._plan.safeguard == "guard process" and descriptor is not None:
            return Guard(descriptor, self._safe, self._silence_s)
        atexit.register(self._last_words)
        return Sentry(self._last_words, self._silence_s)

    def _stop(self) -> None:
        atexit.unregister(self._last_words)
        self._guard.stop()
        if isinstance(self._guard, Sentry):
            self._last_words()

    def _last_words(self) -> None:
        with suppress(HotbenchError, OSError):
            self._port.write(self._safe)

    def _beat(self) -> None:
        now_s = time.monotonic()
        if now_s - self._beaten_s >= BEAT_EVERY_s:
            self._guard.beat()
            self._beaten_s = now_s
