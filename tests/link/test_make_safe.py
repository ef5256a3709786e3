"""Whatever state the line is in, the heater ends off and the user is told."""

from collections.abc import Callable
from typing import Any

import pytest

from hotbench.core.errors import ControllerFault, LinkLost
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.link.safety import OffProof, fan_command, heat_command, safe_bytes
from hotbench.wire.replies import Ok, parse

Connect = Callable[..., Printer]
Board = Any
Recorder = Any


def test_safe_bytes_stand_on_lines_of_their_own() -> None:
    assert safe_bytes(LinkConfig()) == b"\nM108\nM104 S0\nM107\n"
    assert safe_bytes(LinkConfig(fan_safe=1.0, tool=2)) == b"\nM108\nM104 T2 S0\nM106 S255\n"


@pytest.mark.parametrize(
    ("setpoint_C", "text"), [(0.0, "M104 S0"), (200.0, "M104 S200"), (199.256, "M104 S199.26")]
)
def test_setpoints_to_a_hundredth(setpoint_C: float, text: str) -> None:
    assert heat_command(setpoint_C) == text


def test_fan_is_a_byte() -> None:
    assert [fan_command(x) for x in (0.0, 0.5, 1.0)] == ["M107", "M106 S128", "M106 S255"]


def test_off_is_confirmed_by_a_report(connect: Connect, board: Board, recorder: Recorder) -> None:
    printer = connect(fan_safe=1.0)
    printer.set_temperature(200.0)
    printer.make_safe()
    assert (board.setpoint_C, printer.safe_outcome) == (0.0, "off")
    assert "M106 S255" in board.lines
    assert recorder.texts("command")[-2:] == ["M104 S0", "M106 S255"]
    assert recorder.texts("note")[-1] == "heater off, confirmed by the board"
    assert printer.next_sample().fan == 1.0


def test_twice_does_no_harm(connect: Connect) -> None:
    printer = connect()
    printer.make_safe()
    printer.make_safe()
    assert printer.safe_outcome == "off"


def test_before_connecting_it_is_sent_but_not_confirmed(board: Board) -> None:
    printer = Printer(board)
    printer.make_safe()
    assert "M104 S0" in board.lines
    assert printer.safe_outcome == "unconfirmed"


def test_a_lost_command_is_repeated(connect: Connect, board: Board) -> None:
    printer = connect()
    printer.set_temperature(200.0)
    for _ in range(4):
        board.expect("M105", "ok T:200.0 /200.0")
    printer.make_safe()
    assert board.lines.count("M104 S0") == 2
    assert printer.safe_outcome == "off"


def test_a_board_without_setpoints_confirms_by_acknowledging(
    connect: Connect, board: Board
) -> None:
    printer = connect()
    board.expect("M105", "ok T:200.0")
    printer.make_safe()
    assert printer.safe_outcome == "off"
    assert "M112" not in board.lines


def test_a_silent_board_is_stopped_as_a_last_resort(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    printer = connect()
    board._habit = lambda text: ""
    printer.make_safe()
    assert printer.safe_outcome == "unconfirmed"
    assert board.lines.index("M112") > board.lines.index("M104 S0")
    assert "plug" in recorder.texts("note")[-1]


def test_a_lost_line_is_told(connect: Connect, board: Board, recorder: Recorder) -> None:
    printer = connect()
    board.dead_from_s = board.time_s
    printer.make_safe()
    assert printer.safe_outcome == "line lost"
    assert recorder.texts("note")[-2:] == [
        "the cable is gone",
        "the line is gone, heater off could not be sent; switch the printer off at the plug",
    ]


def test_a_port_that_comes_back_is_switched_off(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    printer = connect()
    printer.set_temperature(200.0)
    board.dead_from_s = board.time_s

    def reopen(patience_s: float) -> None:
        assert patience_s == printer.config.reconnect_s
        assert "switch the machine off" in recorder.texts("note")[-1]  # told before the wait
        board.dead_from_s = float("inf")

    board.reopen = reopen
    printer.make_safe()
    assert (board.setpoint_C, printer.safe_outcome) == (0.0, "off")
    assert "the port came back" in recorder.texts("note")


def test_a_port_that_does_not_come_back(connect: Connect, board: Board) -> None:
    printer = connect()
    board.dead_from_s = board.time_s

    def reopen(_: float) -> None:
        raise LinkLost("still gone")

    board.reopen = reopen
    printer.make_safe()
    assert printer.safe_outcome == "line lost"


def test_neither_faults_nor_stops_nor_restarts_get_in_the_way(
    connect: Connect, board: Board
) -> None:
    printer = connect(stop=lambda: board.setpoint_C > 0.0)
    board.setpoint_C = 200.0
    board.expect("M108", "Error:thermal runaway\nstart\nok")
    printer.make_safe()
    assert printer.safe_outcome == "off"


def test_failing_observers_do_not_get_in_the_way(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    printer = connect()
    board.setpoint_C = 200.0
    recorder.fail = OSError("disk full")
    printer.make_safe()
    assert printer.safe_outcome == "off"
    with pytest.raises(OSError, match="disk full"):
        printer.note("observers count again")


def test_a_fault_leaves_the_printer_usable_for_making_safe(connect: Connect, board: Board) -> None:
    printer = connect()
    printer.set_temperature(200.0)
    board.expect("M105", "Error:thermal runaway")
    with pytest.raises(ControllerFault):
        printer.next_sample()
    printer.make_safe()
    assert board.setpoint_C == 0.0


def test_acknowledgements_prove_nothing_before_all_have_come() -> None:
    proof = OffProof(LinkConfig())
    report = parse("ok T:200.0")
    assert [proof.given_by(reply) for reply in (report, Ok("ok"), Ok("ok"), report)] == [
        False,
        False,
        False,
        True,
    ]
