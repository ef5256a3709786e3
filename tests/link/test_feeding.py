"""Filament is fed in pieces, so that little of it is left on the board when a test ends."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import LinkError
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.link.feeding import AHEAD_s, Feeding, MOST_AHEAD_s, Piece, ahead_s, pieces
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.sim.transport import VirtualTransport

Connect = Callable[..., Printer]
Board = Any
Recorder = Any
LATE_s = 0.1
"""What polls and replies may add to a board's queue."""


class Stopping:
    """Implements `sim.transport.Device`: a board that announces and takes the quick stop."""

    def __init__(self, printer: SimulatedPrinter, announced: str = "1") -> None:
        self.printer, self._announced = printer, announced

    @property
    def now_s(self) -> float:
        return self.printer.now_s

    def receive(self, data: bytes, at_s: float) -> None:
        if b"M115" in data and self._announced:
            self.printer.say(f"Cap:EMERGENCY_PARSER:{self._announced}")
        if b"M410" in data:
            self.printer.stop_moves()
        self.printer.receive(data, at_s)

    def next_event_s(self) -> float:
        return self.printer.next_event_s()

    def step(self, until_s: float) -> bytes:
        return self.printer.step(until_s)


def hot(device: Any, board: SimulatedPrinter, **settings: Any) -> Printer:
    """A printer ready to extrude."""
    printer = Printer(VirtualTransport(device, "virtual"), (), LinkConfig(**settings))
    board.rig.settle_at(220.0)
    printer.set_temperature(220.0)
    for _ in range(10):
        printer.next_sample()
    return printer


@pytest.fixture
def sim() -> SimulatedPrinter:
    return SimulatedPrinter(PRINTERS["swift-sleeve"], 3)


def queued_s(board: SimulatedPrinter) -> float:
    """Seconds of moves that the board holds."""
    planner = board.planner
    return 0.0 if planner.empty else planner._moves[-1].end_s - board.now_s


@given(
    length_mm=st.floats(0.01, 500.0),
    speed_mm_per_s=st.floats(0.5, 50.0),
    longest_s=st.floats(0.3, 5.0),
)
def test_pieces_add_up_and_are_short(
    length_mm: float, speed_mm_per_s: float, longest_s: float
) -> None:
    found = pieces(length_mm, speed_mm_per_s, longest_s)
    assert sum(piece.length_mm for piece in found) == pytest.approx(length_mm, abs=1e-4)
    assert max(piece.duration_s for piece in found) <= longest_s + 1.1e-4 / speed_mm_per_s
    assert [piece.first for piece in found] == [True] + [False] * (len(found) - 1)


@given(round_trip_s=st.floats(0.0, 60.0), time_scale=st.floats(1.0, 50.0))
def test_never_more_ahead_than_the_limit(round_trip_s: float, time_scale: float) -> None:
    held_s = ahead_s(round_trip_s, time_scale)
    assert AHEAD_s <= held_s <= max(MOST_AHEAD_s, 0.5 * time_scale)
    assert ahead_s(round_trip_s + 1.0, time_scale) >= held_s


def test_a_piece_is_due_once_it_fits() -> None:
    feeding = Feeding()
    assert feeding.due_s(1.5) == float("inf")
    feeding.ask(10.0, 1.0, 1.5)
    for _ in range(3):
        assert feeding.due_s(1.5) <= 100.0
        feeding.sent(feeding.take(), 100.0, 1.0)
    assert feeding.due_s(1.5) == pytest.approx(100.5, abs=0.01)
    feeding.drop()
    assert feeding.due_s(1.5) == float("inf")
    assert feeding.flow_mm3_per_s(101.0) == 1.0
    feeding.clear()
    assert feeding.flow_mm3_per_s(101.0) == 0.0


def test_feeds_follow_one_another_and_gaps_are_told() -> None:
    feeding = Feeding()
    assert feeding.sent(Piece(10.0, 5.0, first=True), 1.0, 1.0) == 0.0
    assert feeding.sent(Piece(7.0, 7.0, first=False), 1.5, 1.0) == 0.0
    flows = [feeding.flow_mm3_per_s(t) for t in (0.9, 1.0, 2.9, 3.0, 3.9, 4.0)]
    assert flows == [0.0, 5.0, 5.0, 7.0, 7.0, 0.0]
    assert feeding.sent(Piece(7.0, 7.0, first=False), 4.5, 1.0) == pytest.approx(0.5)
    assert feeding.sent(Piece(7.0, 7.0, first=True), 9.0, 1.0) == 0.0


@pytest.mark.parametrize("interval_s", [0.05, 0.1, 1.0, 5.0])
def test_an_extrusion_flows_without_a_gap(sim: SimulatedPrinter, interval_s: float) -> None:
    printer = hot(sim, sim, sample_interval_s=interval_s)
    before_mm3 = sim.rig.delivered_mm3
    begun_s = sim.now_s
    printer.extrude(40.0, 4.0)
    most_s, flows = 0.0, []
    while sim.now_s < begun_s + 9.5:
        printer.next_sample()
        most_s = max(most_s, queued_s(sim))
        flows.append(sim.planner.flow_mm3_per_s)
    assert most_s <= AHEAD_s + LATE_s
    while not sim.planner.empty:
        printer.next_sample()
    assert sim.now_s - begun_s == pytest.approx(10.0, abs=interval_s + LATE_s)
    assert min(flows[:-1]) > 0.0
    wanted_mm3 = 40.0 * LinkConfig().filament_area_mm2
    assert sim.rig.delivered_mm3 - before_mm3 == pytest.approx(wanted_mm3, rel=0.05)


def test_little_is_left_to_flow_once_the_printer_is_safe(sim: SimulatedPrinter) -> None:
    printer = hot(sim, sim)
    printer.extrude(400.0, 4.0)
    for _ in range(50):
        printer.next_sample()
    printer.make_safe()
    safe_s = sim.now_s
    assert queued_s(sim) <= AHEAD_s
    while not sim.planner.empty:
        printer.next_sample()
    assert sim.now_s - safe_s <= AHEAD_s
    moves = sum(text.startswith("G1") for _, text in sim.commands)
    for _ in range(50):
        printer.next_sample()
    assert sum(text.startswith("G1") for _, text in sim.commands) == moves


@pytest.mark.parametrize(
    ("announced", "settings", "stops"),
    [("1", {}, True), ("0", {}, False), ("", {}, False), ("", {"quick_stop": True}, True)],
)
def test_the_quick_stop_where_the_board_has_it(
    sim: SimulatedPrinter, announced: str, settings: dict[str, bool], stops: bool
) -> None:
    printer = hot(Stopping(sim, announced), sim, **settings)
    printer.extrude(400.0, 4.0)
    for _ in range(30):
        printer.next_sample()
    printer.make_safe()
    assert printer.safe_outcome == "off"
    assert sim.planner.empty is stops
    assert sim.target_C == 0.0


def test_no_quick_stop_where_nothing_moves(sim: SimulatedPrinter) -> None:
    printer = hot(Stopping(sim), sim)
    printer.make_safe()
    assert not [text for _, text in sim.commands if "M410" in text]


@pytest.fixture
def scripted(request: pytest.FixtureRequest) -> tuple[Board, Recorder]:
    """The scripted board of `connect`, and what it was recorded to say."""
    return request.getfixturevalue("board"), request.getfixturevalue("recorder")


def test_a_slow_line_is_bridged_or_told(connect: Connect, scripted: tuple[Board, Recorder]) -> None:
    board, recorder = scripted
    printer = connect()
    printer.extrude(20.0, 4.0)
    for _ in range(3):
        board.expect("M105", "")
    for _ in range(12):
        printer.next_sample()
    assert [text for text in recorder.texts("note") if "stood still for 1." in text]


def test_a_refusal_in_the_midst_of_an_extrusion_ends_it(
    connect: Connect, scripted: tuple[Board, Recorder]
) -> None:
    board, _ = scripted
    printer = connect()
    printer.extrude(20.0, 4.0)
    board.expect("G1 E2.0000 F240.000", "echo:extrusion refused, too cold\nok")
    with pytest.raises(LinkError, match="board refused"):
        [printer.next_sample() for _ in range(20)]
