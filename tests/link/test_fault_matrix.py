"""Every kind of trouble in every phase of every procedure: the heater ends off, no row is lost."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from link_report import state

from hotbench.core.errors import HotbenchError
from hotbench.core.records import RunInfo
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.link.serial_port import SerialTransport
from hotbench.link.watch import Watch
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.ramps import RampTest, StepSizeTest
from hotbench.procedures.repetition import RepetitionTest
from hotbench.procedures.runner import outcome_of, run
from hotbench.procedures.steps import DipTest, HoldTest, StepTest
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.mischief import KINDS, TroubledPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import PtyEndpoint, Server, port_pair
from hotbench.store.reader import read_run
from hotbench.store.writer import RunWriter

Recorder = Any
SPEC = PRINTERS["swift-sleeve"]
SEED = 17
LONGEST_STALL_s = 60.0

PROCEDURES: dict[str, Callable[[SimulatedPrinter], Procedure]] = {
    "step": lambda _: StepTest(
        to_C=(200.0,), fans=(0.0, 1.0), hold_s=8.0, cool_to_C=120.0, dip=(195.0, 180.0)
    ),
    "ramp": lambda _: RampTest(
        low_C=190.0, high_C=200.0, rates_K_per_s=(1.0, 2.0), cooling_rates_K_per_s=(0.5, 0.6)
    ),
    "dip": lambda _: DipTest(from_C=200.0, to_C=(185.0,), fans=(0.0, 1.0)),
    "hold": lambda _: HoldTest(temperature_C=200.0, duration_s=10.0),
    "extrude": lambda board: ExtrudeTest(
        temperatures_C=(210.0,),
        flows_mm3_per_s=(3.0, 6.0),
        length_mm=20.0,
        prime_mm=5.0,
        scale=board.scale,
    ),
    "jump": lambda _: StepSizeTest(low_C=190.0, sizes_K=(5.0, 10.0)),
    "repeat": lambda _: RepetitionTest(from_C=200.0, to_C=190.0, count=2, rests_s=(4.0,)),
}


class Cable:
    """A line to a troubled printer that can be plugged in again."""

    name = "virtual"

    def __init__(self, printer: TroubledPrinter) -> None:
        self._printer = printer
        self._line = printer.transport()

    def now_s(self) -> float:
        return self._printer.now_s

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def read(self, deadline_s: float) -> bytes:
        return self._line.read(deadline_s)

    def close(self) -> None:
        self._line.close()

    def reopen(self, patience_s: float) -> None:
        self._line = self._printer.transport()


@cache
def moments() -> list[tuple[str, str, float]]:
    """Procedure, phase and its middle, of every phase of every procedure left untroubled."""
    found = []
    for name, make in PROCEDURES.items():
        board = SimulatedPrinter(SPEC, SEED)
        times: dict[str, list[float]] = {}
        printer = Printer(board.transport(), [Phases(times)])
        assert run(make(board), printer) == "complete"
        found += [(name, phase, (t[0] + t[-1]) / 2.0) for phase, t in times.items()]
    return found


class Phases:
    """Collects the times of every phase."""

    def __init__(self, times: dict[str, list[float]]) -> None:
        self._times = times

    def on_sample(self, sample: Any) -> None:
        self._times.setdefault(sample.phase, []).append(sample.time_s)

    def on_event(self, event: Any) -> None:
        pass

    on_extrusion = on_event


def endure(kind: str, procedure: str, at_s: float, folder: Path, shown: Recorder) -> None:
    """Run a procedure in which trouble comes at `at_s`; check heater and record afterwards."""
    board = SimulatedPrinter(SPEC, SEED)
    troubled = TroubledPrinter(board, KINDS[kind], at_s, SEED)
    writer = RunWriter(folder, RunInfo(run_id="x", procedure=procedure, created="2026-01-01"))
    printer = Printer(Cable(troubled), [writer, shown, Watch()])
    outcome: Any = "complete"
    try:
        run(PROCEDURES[procedure](board), printer)
    except HotbenchError as error:
        outcome = outcome_of(error)
    writer.close(outcome)
    assert troubled.begun
    if KINDS[kind].reachable:
        board.step(at_s + LONGEST_STALL_s)
        assert board.target_C == 0.0
    else:
        assert printer.safe_outcome != "off"
    record = read_run(folder)
    assert record.outcome == outcome
    assert len(record) == len(shown.samples)
    assert list(record.phase) == [sample.phase for sample in shown.samples]


def test_there_are_enough_kinds_and_phases() -> None:
    assert len(KINDS) >= 30
    assert len({(name, phase) for name, phase, _ in moments()}) >= 25


@pytest.mark.parametrize("kind", list(KINDS)[::3])
def test_trouble_in_one_phase(kind: str, tmp_path: Path, recorder: Recorder) -> None:
    """Some kinds, each in another phase; the whole matrix is the study below."""
    choices = moments()
    procedure, _, at_s = choices[7 * list(KINDS).index(kind) % len(choices)]
    endure(kind, procedure, at_s, tmp_path / "run", recorder)


@pytest.mark.study
@pytest.mark.parametrize("kind", KINDS)
def test_trouble_in_every_phase(kind: str, tmp_path: Path, recorder: Recorder) -> None:
    for i, (procedure, _, at_s) in enumerate(moments()):
        endure(kind, procedure, at_s, tmp_path / str(i), type(recorder)())
    off = "heater off" if KINDS[kind].reachable else "out of reach, user told"
    state(f"fault matrix, {kind}", f"{len(moments())} phases: {off}, no shown row missing in all")


WIRE_KINDS = (
    "reboot",
    "silent reboot",
    "short stall",
    "mute",
    "busy",
    "tracking fault",
    "sensor open",
    "heater stuck on",
    "setpoint lost",
    "garbage",
    "some ok lost",
    "commands lost",
)
SPEED = 20.0


Serve = Callable[[TroubledPrinter], Server]


@pytest.fixture(params=["pty", "socket"])
def serve(request: pytest.FixtureRequest) -> Iterator[Serve]:
    """Serves a troubled printer on a real pty or a real socket."""
    servers: list[Server] = []

    def start(troubled: TroubledPrinter) -> Server:
        ends = (PtyEndpoint(), PtyEndpoint()) if request.param == "pty" else port_pair(0)
        server = Server(troubled, troubled.printer.scale, *ends, SPEED)
        servers.append(server)
        return server.start()

    yield start
    for server in servers:
        server.stop()


def endure_for_real(kind: str, serve: Serve, folder: Path, shown: Recorder) -> None:
    """A hold over a real line in which trouble comes; check heater and record afterwards.

    The board is a slow one: on a busy machine a stall of 0.1 s is two board seconds.
    """
    board = SimulatedPrinter(PRINTERS["plain-block"], SEED, time_scale=SPEED)
    troubled = TroubledPrinter(board, KINDS[kind], 20.0, SEED)
    server = serve(troubled)
    config = LinkConfig(longest_blind_s=60.0)
    writer = RunWriter(folder, RunInfo(run_id="x", procedure="hold", created="2026-01-01"))
    line = SerialTransport(server.addresses.printer)
    printer = Printer(line, [writer, shown, Watch()], config)
    with suppress(HotbenchError):
        run(HoldTest(temperature_C=200.0, duration_s=60.0), printer)
    printer.close()
    writer.close("cut off")
    server.stop()
    assert troubled.begun
    board.step(board.now_s + LONGEST_STALL_s)
    assert board.target_C == 0.0
    assert len(read_run(folder)) == len(shown.samples)


@pytest.mark.wire
@pytest.mark.slow
@pytest.mark.parametrize("kind", WIRE_KINDS[::4])
def test_trouble_on_a_real_line(
    kind: str, serve: Serve, tmp_path: Path, recorder: Recorder
) -> None:
    endure_for_real(kind, serve, tmp_path / "run", recorder)


@pytest.mark.study
@pytest.mark.parametrize("kind", WIRE_KINDS)
def test_every_trouble_on_a_real_line(
    kind: str, serve: Serve, tmp_path: Path, recorder: Recorder, request: pytest.FixtureRequest
) -> None:
    endure_for_real(kind, serve, tmp_path / "run", recorder)
    line = request.node.callspec.params["serve"]
    state(f"real {line}, {kind}", "heater off at the board, no shown row missing")
