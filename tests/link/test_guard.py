"""The guard switches off when its host dies or hangs, on a real pty and a real socket."""

import os
import random
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from hotbench.core.errors import LinkError
from hotbench.core.ports import Transport
from hotbench.link import guard as guard_module
from hotbench.link.client import Reopenable
from hotbench.link.guard import Guard, GuardedTransport
from hotbench.link.platform import NO_GUARD_PORT, NO_GUARD_WINDOWS, plan_for, platform_named
from hotbench.link.sentry import Sentry
from hotbench.link.serial_port import SerialTransport

pytestmark = pytest.mark.wire

SAFE = b"\nM108\nM104 S0\nM107\n"
HOST = """
import sys, time
from hotbench.link.guard import GuardedTransport
from hotbench.link.serial_port import SerialTransport

port, safe, silence_s, manner = sys.argv[1:]
line = GuardedTransport(SerialTransport(port), bytes.fromhex(safe), float(silence_s))
line.write(b"M104 S200\\n")
print(line.guard.pid, flush=True)
while True:
    if manner == "hang":
        time.sleep(1.0)
    line.write(b"M105 and some more that may be cut anywhere\\n")
    line.read(line.now_s() + 0.002)
"""


class Host:
    """A process that heats."""

    def __init__(self, port: str, silence_s: float = 10.0, manner: str = "beat") -> None:
        self.process = subprocess.Popen(  # noqa: S603 - our own script
            [sys.executable, "-c", HOST, port, SAFE.hex(), str(silence_s), manner],
            stdout=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        with self.process.stdout as said:
            self.guard_pid = int(said.readline())

    def end(self, number: int = signal.SIGKILL) -> None:
        if self.process.poll() is None:
            self.process.send_signal(number)
        self.process.wait()


Start = Callable[..., Host]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts hosts, and ends those that a test has left."""
    hosts: list[Host] = []

    def begin(*arguments: object, **keywords: object) -> Host:
        hosts.append(Host(*arguments, **keywords))  # type: ignore[arg-type]
        return hosts[-1]

    yield begin
    for host in hosts:
        host.end()


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    yield master, os.ttyname(slave)
    with suppress(OSError):
        os.close(master)
    with suppress(OSError):
        os.close(slave)


def reader(descriptor: int) -> Callable[[float], bytes]:
    """Reads what has arrived within some seconds."""

    def read(wait_s: float) -> bytes:
        ready, _, _ = select.select([descriptor], [], [], wait_s)
        return os.read(descriptor, 4096) if ready else b""

    return read


def heard_within(read: Callable[[float], bytes], words: bytes, patience_s: float) -> float:
    """Seconds until `words` have arrived; inf when they did not."""
    begun_s, heard = time.monotonic(), b""
    while (left_s := begun_s + patience_s - time.monotonic()) > 0.0:
        heard = heard[-100:] + read(left_s)
        if words in heard:
            return time.monotonic() - begun_s
    return float("inf")


def gone(pid: int, patience_s: float = 5.0) -> bool:
    """Whether a process that is not our child ends; a zombie without a reaper has ended too."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        stat = Path(f"/proc/{pid}/stat")
        with suppress(OSError):
            if stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        time.sleep(0.01)
    return False


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGSEGV])
def test_the_heater_goes_off_when_the_host_dies(
    pty: tuple[int, str], start: Start, number: int
) -> None:
    host = start(pty[1])
    read = reader(pty[0])
    assert heard_within(read, b"M104 S200\n", 2.0) < 2.0
    host.end(number)
    assert heard_within(read, SAFE, 2.0) < 2.0
    assert gone(host.guard_pid)


def test_the_same_over_a_socket(start: Start) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        host = start(f"socket://127.0.0.1:{server.getsockname()[1]}")
        line, _ = server.accept()
        with line:
            read = reader(line.fileno())
            assert heard_within(read, b"M104 S200\n", 5.0) < 5.0
            host.end()
            assert heard_within(read, SAFE, 2.0) < 2.0


def test_the_heater_goes_off_when_the_host_hangs(pty: tuple[int, str], start: Start) -> None:
    host = start(pty[1], silence_s=0.4, manner="hang")
    assert heard_within(reader(pty[0]), SAFE, 3.0) < 3.0
    host.end()
    assert gone(host.guard_pid)


def test_a_host_that_beats_is_left_alone(pty: tuple[int, str], start: Start) -> None:
    host = start(pty[1], silence_s=0.6)
    assert heard_within(reader(pty[0]), SAFE, 1.5) == float("inf")
    host.end()


def test_ctrl_c_in_the_terminal_does_not_end_the_guard(pty: tuple[int, str], start: Start) -> None:
    host = start(pty[1])
    os.kill(host.guard_pid, signal.SIGINT)
    os.kill(host.guard_pid, signal.SIGHUP)
    host.end()
    assert heard_within(reader(pty[0]), SAFE, 2.0) < 2.0


def test_a_guard_that_is_told_to_go_switches_off_first(pty: tuple[int, str], start: Start) -> None:
    host = start(pty[1])
    os.kill(host.guard_pid, signal.SIGTERM)
    assert heard_within(reader(pty[0]), SAFE, 2.0) < 2.0
    host.process.wait(5.0)
    assert host.process.returncode != 0
    host.end()


def test_a_guard_imports_nothing_heavy() -> None:
    program = Path(guard_module.__file__).with_name("guard_process.py")
    code = (
        "import runpy, sys; "
        f"runpy.run_path({str(program)!r}); "
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'numpy', 'serial', "
        "'hotbench'}))"
    )
    done = subprocess.run(  # noqa: S603 - our own code
        [sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_an_orderly_end_sends_the_safe_bytes_and_leaves_nobody(pty: tuple[int, str]) -> None:
    transport = GuardedTransport(SerialTransport(pty[1]), SAFE)
    line: Transport = transport
    assert transport.guard is not None
    pid = transport.guard.pid
    line.write(b"M105\n")
    os.write(pty[0], b"ok\n")
    assert line.read(line.now_s() + 2.0) == b"ok\n"
    assert line.name == pty[1]
    assert transport.notes == ()
    line.close()
    line.close()
    assert os.read(pty[0], 100) == b"M105\n" + SAFE
    with pytest.raises(ChildProcessError):
        os.waitpid(pid, os.WNOHANG)


def test_a_dead_guard_ends_the_run(pty: tuple[int, str]) -> None:
    transport = SerialTransport(pty[1])
    descriptor = transport.fileno()
    assert descriptor is not None
    guard = Guard(descriptor, SAFE)
    os.kill(guard.pid, signal.SIGKILL)
    with pytest.raises(LinkError, match="guard process has ended"):
        beat_for(guard, 5.0)
    guard.stop()
    guard.stop()
    transport.close()


def beat_for(guard: Guard, duration_s: float) -> None:
    end_s = time.monotonic() + duration_s
    while time.monotonic() < end_s:
        guard.beat()
        time.sleep(0.01)


def test_a_reopened_port_gets_a_new_guard(pty: tuple[int, str]) -> None:
    transport = GuardedTransport(SerialTransport(pty[1]), SAFE)
    assert isinstance(transport, Reopenable)
    assert transport.guard is not None
    before = transport.guard.pid
    transport.reopen(1.0)
    assert transport.guard.pid != before
    transport.write(b"M105\n")
    assert heard_within(reader(pty[0]), b"M105\n", 2.0) < 2.0
    transport.close()


def test_a_port_without_descriptor_says_that_it_has_no_guard() -> None:
    transport = GuardedTransport(SerialTransport("loop://"), b"M104 S0\n")
    assert transport.guard is None
    assert transport.notes[-1] == NO_GUARD_PORT
    transport.write(b"x")
    assert transport.read(transport.now_s() + 2.0) == b"x"
    transport.close()


@pytest.mark.parametrize(
    ("system", "descriptor", "safeguard", "note"),
    [
        ("posix", 7, "guard process", ""),
        ("posix", None, "in this process", NO_GUARD_PORT),
        ("nt", 7, "in this process", NO_GUARD_WINDOWS),
        ("nt", None, "in this process", NO_GUARD_WINDOWS),
    ],
)
def test_how_a_port_is_guarded(
    system: str, descriptor: int | None, safeguard: str, note: str
) -> None:
    plan = plan_for(platform_named(system), descriptor)
    assert (plan.safeguard, plan.note) == (safeguard, note)


def test_a_system_without_guards_says_so_and_sees_a_hang(pty: tuple[int, str]) -> None:
    transport = GuardedTransport(SerialTransport(pty[1]), SAFE, 0.4, platform_named("nt"))
    assert transport.guard is None
    assert transport.notes == (NO_GUARD_WINDOWS,)
    assert heard_within(reader(pty[0]), SAFE, 3.0) < 3.0
    transport.write(b"M105\n")
    assert heard_within(reader(pty[0]), b"M105\n", 2.0) < 2.0
    transport.reopen(1.0)
    assert heard_within(reader(pty[0]), SAFE, 2.0) < 2.0
    transport.close()
    assert heard_within(reader(pty[0]), SAFE, 2.0) < 2.0


def test_a_sentry_shouts_once_for_every_silence() -> None:
    shouts: list[int] = []
    turns = iter(range(100))
    beats = {0, 1, 2, 12}
    ended = threading.Event()

    def wait(turn_s: float) -> bool:
        assert turn_s == 0.25
        turn = next(turns)
        if turn in beats:
            sentry.beat()
        if turn == 30:
            ended.set()
        return turn >= 30

    ready = threading.Event()
    sentry = Sentry(lambda: shouts.append(1), 1.0, lambda s: ready.wait(5.0) and wait(s))
    ready.set()
    assert ended.wait(5.0)
    sentry.stop()
    sentry.stop()
    # Silent from turn 3 on, and again after the beat in turn 12.
    assert len(shouts) == 2


@pytest.mark.slow
def test_sigkill_at_random_moments(pty: tuple[int, str], start: Start) -> None:
    """Forty kills; two hundred, with what is on disk, are in the study of the link."""
    moments = random.Random(11)  # noqa: S311 - no secret
    read = reader(pty[0])
    late_s = []
    for _ in range(40):
        host = start(pty[1])
        end_s = time.monotonic() + moments.uniform(0.0, 0.1)
        while (left_s := end_s - time.monotonic()) > 0.0:
            read(left_s)
        host.end()
        late_s.append(heard_within(read, SAFE, 4.0))
        assert gone(host.guard_pid)
        while read(0.0):
            pass
    assert max(late_s) < 2.0
