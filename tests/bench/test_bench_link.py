"""The built command on real lines: cable lost and found, guard dead, writers in a race."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hotbench.bench.connecting import LinkOptions, connected
from hotbench.bench.recording import RecordingEnded, record
from hotbench.core.records import Event, Extrusion, Sample
from hotbench.link.guard import GuardedTransport
from hotbench.procedures.steps import HoldTest
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import Endpoint, PtyEndpoint, Server, TcpEndpoint
from hotbench.store.reader import read_run

SPEED = 5.0
PATIENCE_s = 40.0
COMMAND = "import sys; from hotbench.cli import main; main()"

pytestmark = [pytest.mark.wire, pytest.mark.slow]


class Bench:
    """A board that keeps its state while its line comes and goes under one name."""

    def __init__(self, folder: Path, kind: str) -> None:
        self.board = SimulatedPrinter(PRINTERS["plain-block"], 5, time_scale=SPEED)
        self._kind, self._link = kind, folder / "port"
        self._tcp_port = 0
        self._server: Server | None = None
        self.plug_in()

    @property
    def port(self) -> str:
        return str(self._link) if self._kind == "pty" else f"socket://127.0.0.1:{self._tcp_port}"

    def plug_in(self) -> None:
        line: Endpoint
        if self._kind == "pty":
            line = PtyEndpoint()
            self._link.symlink_to(line.address)
        else:
            line = TcpEndpoint(self._tcp_port)
            self._tcp_port = line.port
        self._server = Server(self.board, self.board.scale, line, PtyEndpoint(), SPEED).start()

    def pull(self) -> None:
        if self._server is not None:
            self._link.unlink(missing_ok=True)
            self._server.stop()
            self._server = None


@pytest.fixture(params=["pty", "socket"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path, request.param)
    yield made
    made.pull()


def started(bench: Bench, out: Path) -> subprocess.Popen[str]:
    """`hotbench record hold` on the bench."""
    words = ["record", "hold", "--to", "150", "--yes", "--port", bench.port, "--out", str(out)]
    return subprocess.Popen(  # noqa: S603 - our own command
        [sys.executable, "-c", COMMAND, *words], stderr=subprocess.PIPE, text=True
    )


def wait_for(what: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_s
    while not what():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def heating(bench: Bench) -> None:
    wait_for(lambda: bench.board.target_C > 0.0)
    time.sleep(0.3)


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit code, and the last line on stderr."""
    _, said = process.communicate(timeout=PATIENCE_s)
    return process.returncode, said.splitlines()[-1]


def notes(folder: Path) -> list[str]:
    return [event.text for event in read_run(folder).events if event.kind == "note"]


def test_a_cable_that_comes_back_is_switched_off(bench: Bench, tmp_path: Path) -> None:
    process = started(bench, tmp_path / "run")
    heating(bench)
    bench.pull()
    assert bench.board.target_C > 0.0
    time.sleep(0.5)
    bench.plug_in()
    code, said = ended(process)
    assert code == 1
    assert said.startswith("hotbench: ")
    assert "heater off, confirmed by the board; run kept in" in said
    assert bench.board.target_C == 0.0
    assert read_run(tmp_path / "run").outcome == "cut off"
    assert "the port came back" in notes(tmp_path / "run")


@pytest.mark.study
def test_a_cable_that_stays_away_is_told(bench: Bench, tmp_path: Path) -> None:
    process = started(bench, tmp_path / "run")
    heating(bench)
    bench.pull()
    code, said = ended(process)
    assert code == 1
    assert "could not be sent; switch the printer off at the plug; run kept in" in said
    run = read_run(tmp_path / "run")
    assert run.outcome == "cut off"
    assert len(run) > 0


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGINT, marks=pytest.mark.study),
        signal.SIGTERM,
        pytest.param(signal.SIGHUP, marks=pytest.mark.study),
    ],
)
def test_signals_end_the_command_with_the_heater_off(
    bench: Bench, tmp_path: Path, number: int
) -> None:
    process = started(bench, tmp_path / "run")
    heating(bench)
    process.send_signal(number)
    code, said = ended(process)
    assert code == 130
    assert "heater off, confirmed by the board" in said
    assert bench.board.target_C == 0.0
    assert read_run(tmp_path / "run").outcome == "stopped"


class AtSample:
    """Implements `core.ports.Observer`: does something once the heater is on."""

    def __init__(self, act: Callable[[], None]) -> None:
        self._act, self._done = act, False

    def on_sample(self, sample: Sample) -> None:
        if sample.setpoint_C > 0.0 and not self._done:
            self._done = True
            self._act()

    def on_event(self, event: Event) -> None:
        pass

    def on_extrusion(self, extrusion: Extrusion) -> None:
        pass


def test_a_guard_that_dies_ends_the_run_under_a_new_guard(bench: Bench, tmp_path: Path) -> None:
    link = LinkOptions(port=bench.port)
    guards: list[int] = []
    with connected(link) as line:
        transport = line.transport
        assert isinstance(transport, GuardedTransport)

        def kill() -> None:
            assert transport.guard is not None
            guards.append(transport.guard.pid)
            os.kill(transport.guard.pid, signal.SIGKILL)

        test = HoldTest(temperature_C=150.0, duration_s=600.0)
        with pytest.raises(RecordingEnded, match=r"guard process has ended.*heater off, confirmed"):
            record(test, line, link, tmp_path / "run", observers=[AtSample(kill)])
        assert transport.guard is not None
        assert transport.guard.pid != guards[0]
    assert bench.board.target_C == 0.0
    assert read_run(tmp_path / "run").outcome == "cut off"


WRITERS = """
import sys, time
from pathlib import Path
from hotbench.core.records import RunInfo, Sample
from hotbench.store.writer import RunWriter
print("ready", flush=True)
sys.stdin.readline()
try:
    writer = RunWriter(Path(sys.argv[1]), RunInfo(run_id="r", procedure="hold", created=""))
except Exception as error:
    print(type(error).__name__, error, flush=True)
else:
    writer.on_sample(Sample(0.0, 20.0))
    print("mine", flush=True)
    sys.stdin.readline()
"""


def test_of_many_writers_at_once_one_gets_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    racers = [
        subprocess.Popen(  # noqa: S603 - our own text
            [sys.executable, "-c", WRITERS, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    for racer in racers:
        assert racer.stdout is not None
        assert racer.stdout.readline() == "ready\n"
    for racer in racers:
        assert racer.stdin is not None
        racer.stdin.write("\n")
        racer.stdin.flush()
    answers = [racer.stdout.readline() for racer in racers if racer.stdout]
    assert answers.count("mine\n") == 1
    assert all(word == "mine\n" or word.startswith("BadInput ") for word in answers)
    assert read_run(folder).outcome == "recording"
    for racer in racers:
        racer.kill()
        racer.communicate()
    run = read_run(folder)
    assert (run.outcome, len(run)) == ("cut off", 1)


def test_a_folder_that_takes_no_files(tmp_path: Path) -> None:
    """The system's own read-only tree, where even the superuser cannot create a file."""
    if not Path("/proc/self").is_dir():
        pytest.skip("no /proc here")
    out = "/proc/self/fdinfo/run"
    words = ["record", "hold", "--to", "60", "--port", "sim:swift-sleeve", "--out", out]
    done = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-c", COMMAND, *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "cannot create the run folder" in done.stderr
    assert len(done.stderr.splitlines()) == 1
