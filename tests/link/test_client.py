"""The printer client, in scripted dialogues over virtual time."""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from hotbench.core.errors import (
    BadInput,
    ControllerFault,
    LinkError,
    LinkLost,
    NoReply,
    Stopped,
)
from hotbench.core.ports import PrinterPort, Transport
from hotbench.core.records import Extrusion
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS
from hotbench.wire.commands import encode

Connect = Callable[..., Printer]
Board = Any
Recorder = Any


def test_it_is_a_printer_port(connect: Connect) -> None:
    port: PrinterPort = connect()
    assert port.now_s() > 0.0


def test_connecting_restarts_numbering_and_identifies(connect: Connect, board: Board) -> None:
    board.identity = "FIRMWARE_NAME:simboard 1.0 MACHINE_TYPE:x"
    identity = connect().identify()
    assert board.lines == ["M110 N0", "M115"]
    assert board.written[-1] == encode("M115", 1)
    assert (identity.firmware, identity.fields["MACHINE_TYPE"]) == ("simboard 1.0", "x")


def test_a_board_that_is_just_starting_is_waited_for(connect: Connect, board: Board) -> None:
    board.expect("M110 N0", "", 0.0)
    board.say("start", 0.7)
    connect()
    assert board.lines[:3] == ["M110 N0", "M110 N0", "M115"]


def test_nobody_there_is_bad_input(board: Board) -> None:
    for _ in range(15):
        board.expect("M110 N0", "")
    with pytest.raises(BadInput, match=r"no printer answers within 15 s.*baud rate"):
        Printer(board).identify()


def test_an_unknown_identity_is_no_obstacle(connect: Connect, board: Board) -> None:
    board.expect("M115", "echo:unknown command\nok")
    assert connect().identify().fields == {}


def test_plain_lines_when_numbers_are_off(connect: Connect, board: Board) -> None:
    printer = connect(numbered=False)
    printer.set_fan(1.0)
    assert board.written[-1] == b"M106 S255\n"


def test_a_sample_carries_everything(connect: Connect, board: Board, recorder: Recorder) -> None:
    printer = connect(limit_temperature_C=300.0)
    printer.set_phase("heat 240")
    printer.set_fan(0.5)
    printer.set_temperature(240.0)
    board.temperature_C, board.duty = 61.5, "@:127"
    sample = printer.next_sample()
    assert sample is recorder.samples[-1]
    assert (sample.temperature_C, sample.setpoint_C, sample.duty) == (61.5, 240.0, 1.0)
    assert (sample.fan, sample.flow_mm3_per_s, sample.phase) == (0.5, 0.0, "heat 240")
    assert recorder.texts("command") == ["M106 S128", "M104 S240"]
    assert recorder.texts("phase") == ["heat 240"]


def test_unknown_columns_are_nan(connect: Connect, board: Board) -> None:
    board.expect("M105", "ok T:61.5")
    sample = connect().next_sample()
    assert all(math.isnan(value) for value in (sample.setpoint_C, sample.duty, sample.fan))


def test_a_board_without_setpoints_gets_the_commanded_one(connect: Connect, board: Board) -> None:
    printer = connect()
    printer.set_temperature(200.0)
    board.expect("M105", "ok T:61.5")
    assert printer.next_sample().setpoint_C == 200.0


def test_polls_keep_their_interval_and_the_middle_of_the_round_trip(connect: Connect) -> None:
    printer = connect(sample_interval_s=0.25)
    times_s = [printer.next_sample().time_s for _ in range(9)]
    gaps_s = [late - early for early, late in pairwise(times_s)]
    assert gaps_s == pytest.approx([0.25] * 8)
    assert printer.round_trip_s == pytest.approx(0.004)
    assert printer.now_s() - times_s[-1] == pytest.approx(0.002)


def test_a_slow_reply_does_not_hurry_the_polls_after_it(connect: Connect, board: Board) -> None:
    printer = connect(sample_interval_s=0.25)
    printer.next_sample()
    board.expect("M105", "ok T:25.0 /0.0", 0.9)
    slow, after, later = (printer.next_sample().time_s for _ in range(3))
    assert later - after == pytest.approx(0.25)
    # The reply was held up: it is dated by its arrival, not by the middle of 0.9 s.
    assert slow == pytest.approx(after - 0.004, abs=0.003)


@pytest.mark.parametrize("reply", ["T:61.5 /0.0 @:0\nok", "ok\nT:61.5 /0.0 @:0"])
def test_report_and_ok_on_two_lines(connect: Connect, board: Board, reply: str) -> None:
    printer = connect()
    for _ in range(3):
        board.expect("M105", reply)
        assert printer.next_sample().temperature_C == 61.5
    printer.set_fan(0.0)


def test_the_tool_that_is_asked_for(connect: Connect, board: Board) -> None:
    printer = connect(tool=1)
    printer.set_temperature(200.0)
    assert board.lines[-1] == "M104 T1 S200"
    board.expect("M105", "ok T:25 /0 T0:25 /0 T1:90 /200 @:0 @0:0 @1:127")
    sample = printer.next_sample()
    assert (sample.temperature_C, sample.duty) == (90.0, 1.0)


def test_a_board_that_reports_by_itself(connect: Connect, board: Board) -> None:
    printer = connect(auto_report=True, sample_interval_s=0.5)
    assert board.lines[-1] == "M155 S0.5"
    for i in range(4):
        board.say(f"T:{50 + i}.0 /0.0 @:0", 0.5 * (i + 1))
    samples = [printer.next_sample() for _ in range(4)]
    assert [sample.temperature_C for sample in samples] == [50.0, 51.0, 52.0, 53.0]
    assert "M105" not in board.lines
    printer.next_sample()
    assert board.lines[-1] == "M105"
    printer.close()
    assert board.lines[-1] == "M155 S0"


def test_reports_that_arrive_in_one_piece_are_put_back_in_time(
    connect: Connect, board: Board
) -> None:
    printer = connect(auto_report=True, sample_interval_s=0.5)
    board.say_bytes(b"T:50.0 /0.0\nT:51.0 /0.0\nT:52.0 /0.0\n", 1.4)
    times_s = [printer.next_sample().time_s for _ in range(3)]
    assert times_s == pytest.approx([printer.now_s() - back_s for back_s in (1.0, 0.5, 0.0)])


def test_unasked_reports_reach_observers_in_order(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    printer = connect()
    board.expect("M107", "T:26.0 /0.0\nok\nT:27.0 /0.0")
    printer.set_fan(0.0)
    board.temperature_C = 28.0
    heard = [printer.next_sample().temperature_C for _ in range(3)]
    assert heard == [26.0, 27.0, 28.0]
    assert [sample.temperature_C for sample in recorder.samples] == heard


def test_no_number_becomes_nan_and_stays_on_record(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    board.expect("M105", "ok T:inf /0.0")
    assert math.isnan(connect().next_sample().temperature_C)
    assert "ok T:inf /0.0" in recorder.texts("heard")


def test_duty_out_of_range_is_unknown_and_noted_once(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    printer, board.duty = connect(), "@:255"
    assert math.isnan(printer.next_sample().duty)
    printer.next_sample()
    assert [text for text in recorder.texts("note") if "duty 255" in text] == [
        "duty 255 lies outside 0 to 127, taken as unknown; state the board's full scale"
    ]


@pytest.mark.parametrize("setpoint_C", [260.1, -1.0, math.nan, math.inf])
def test_a_setpoint_beyond_the_limit_is_not_sent(
    connect: Connect, board: Board, setpoint_C: float
) -> None:
    printer = connect()
    with pytest.raises(BadInput, match="limit 0 to 260 C"):
        printer.set_temperature(setpoint_C)
    assert board.lines == ["M110 N0", "M115"]


@pytest.mark.parametrize(
    "ask",
    [
        lambda printer: printer.set_fan(1.1),
        lambda printer: printer.set_fan(math.nan),
        lambda printer: printer.extrude(0.0, 1.0),
        lambda printer: printer.extrude(10.0, -1.0),
        lambda printer: printer.extrude(math.inf, 1.0),
    ],
)
def test_senseless_requests_are_not_sent(
    connect: Connect, board: Board, ask: Callable[[Printer], None]
) -> None:
    printer = connect()
    with pytest.raises(BadInput):
        ask(printer)
    assert board.lines == ["M110 N0", "M115"]


@pytest.mark.parametrize(
    "settings",
    [{"sample_interval_s": 0.0}, {"duty_full_scale": math.nan}, {"fan_safe": 2.0}],
)
def test_senseless_settings_are_refused(settings: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="link: "):
        LinkConfig(**settings)  # type: ignore[arg-type]


def test_flow_follows_the_commanded_extrusion(connect: Connect, board: Board) -> None:
    printer = connect(filament_diameter_mm=2.0)
    printer.extrude(2.0, 4.0)
    printer.extrude(1.0, 1.0)
    assert board.lines[-4:] == [
        "M83",
        "G1 E2.0000 F240.000",
        "G1 E0.5000 F60.000",
        "G1 E0.5000 F60.000",
    ]
    flows = [printer.next_sample().flow_mm3_per_s for _ in range(20)]
    # The area of a 2 mm filament is pi mm2: 0.5 s at 4 pi, then 1 s at pi.
    assert set(flows[:4]) == {4.0 * math.pi}
    assert set(flows[6:14]) == {math.pi}
    assert set(flows[16:]) == {0.0}


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("Error:hot end left its setpoint", "thermal runaway"),
        ("!! E-17 all is lost", "unknown"),
    ],
)
def test_a_fault_ends_the_run_verbatim(
    connect: Connect, board: Board, recorder: Recorder, line: str, kind: str
) -> None:
    printer = connect()
    board.expect("M105", line)
    with pytest.raises(ControllerFault) as caught:
        printer.next_sample()
    assert (caught.value.text, caught.value.kind) == (line, kind)
    assert recorder.texts("fault") == [line]


def test_harmless_errors_are_heard_only(connect: Connect, board: Board, recorder: Recorder) -> None:
    printer = connect()
    board.expect("M105", "Error:no memory card\nok T:61.5 /0.0")
    assert printer.next_sample().temperature_C == 61.5
    assert "Error:no memory card" in recorder.texts("heard")


def test_a_refusal_ends_the_run(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("G1 E0.5000 F60.000", "echo:extrusion refused, too cold\nok")
    with pytest.raises(LinkError, match="board refused: echo:extrusion refused"):
        printer.extrude(0.5, 1.0)


def test_a_restart_ends_the_run(connect: Connect, board: Board) -> None:
    printer = connect()
    board.say("start", 0.05)
    with pytest.raises(LinkError, match="restarted during the run"):
        [printer.next_sample() for _ in range(3)]


def test_a_setpoint_that_vanished_ends_the_run(connect: Connect, board: Board) -> None:
    printer = connect()
    printer.set_temperature(200.0)
    for _ in range(40):
        printer.next_sample()
    board.setpoint_C = 0.0
    with pytest.raises(LinkError, match="setpoint of 0 C where 200 C was commanded"):
        [printer.next_sample() for _ in range(3)]


def test_stop_is_looked_at_between_replies(connect: Connect, board: Board) -> None:
    printer = connect(stop=lambda: board.time_s > 101.0)
    with pytest.raises(Stopped):
        [printer.next_sample() for _ in range(100)]
    assert board.time_s == pytest.approx(101.0, abs=0.11)


def test_stop_is_seen_while_a_board_is_silent(connect: Connect, board: Board) -> None:
    printer = connect(stop=lambda: board.time_s > 101.0)
    for _ in range(9):
        board.expect("M105", "")
    with pytest.raises(Stopped):
        printer.next_sample()
    assert board.time_s < 101.2
    while board.leftovers():
        board.write(b"M105\n")


def test_every_observer_hears_before_an_error_travels_on(
    connect: Connect, recorder: Recorder
) -> None:
    printer, broken = connect(), type(recorder)()
    broken.fail = OSError("disk full")
    printer.remove_observer(recorder)
    printer.add_observer(broken)
    printer.add_observer(recorder)
    with pytest.raises(OSError, match="disk full"):
        printer.next_sample()
    assert len(recorder.samples) == 1


def test_notes_and_extrusions_are_passed_on(connect: Connect, recorder: Recorder) -> None:
    printer = connect()
    extrusion = Extrusion(220.0, 5.0, 20.0)
    printer.note("a remark")
    printer.record_extrusion(extrusion)
    assert recorder.texts("note") == ["a remark"]
    assert recorder.extrusions == [extrusion]


def test_a_run_begins_at_zero(connect: Connect, recorder: Recorder) -> None:
    printer = connect()
    printer.next_sample()
    printer.begin_run()
    assert printer.now_s() == 0.0
    assert 0.0 <= printer.next_sample().time_s < 0.2


def test_a_fast_board_makes_time_run_in_its_seconds(
    connect: Connect, board: Board, recorder: Recorder
) -> None:
    board.identity = "FIRMWARE_NAME:x TIME_SCALE:20"
    printer = connect(sample_interval_s=0.5)
    wall_s = board.time_s
    times_s = [printer.next_sample().time_s for _ in range(21)]
    assert printer.time_scale == 20.0
    assert times_s[-1] - times_s[0] == pytest.approx(10.0)
    assert board.time_s - wall_s == pytest.approx(0.5, abs=0.02)
    assert times_s[0] >= recorder.events[0].time_s
    assert "board seconds, 20 per wall second" in recorder.texts("note")[0]


def test_patience_with_a_fast_board_is_still_wall_time(connect: Connect, board: Board) -> None:
    board.identity = "FIRMWARE_NAME:x TIME_SCALE:100"
    printer = connect()
    board.expect("M107", "ok", 1.9)
    printer.set_fan(0.0)


def test_reset_after_fault_starts_over(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M105", "Error:halted")
    with pytest.raises(ControllerFault):
        printer.next_sample()
    board.expect("M999", "ok\nstart")
    printer.reset_after_fault()
    assert board.lines[-3:] == ["M110 N0", "M110 N0", "M115"]
    assert "M999" in board.lines
    assert printer.next_sample().temperature_C == 25.0


def test_ping_measures_the_round_trip(connect: Connect) -> None:
    assert connect().ping() == pytest.approx(0.004)


def test_closing_releases_the_line(connect: Connect, board: Board) -> None:
    connect().close()
    assert board.closed


def test_a_lost_line_travels_on(connect: Connect, board: Board) -> None:
    printer = connect()
    board.dead_from_s = board.time_s + 0.5
    with pytest.raises(LinkLost):
        [printer.next_sample() for _ in range(20)]


def test_unreadable_temperatures_end_the_run(connect: Connect, board: Board) -> None:
    printer = connect()
    board.temperature_C = 12345.0
    with pytest.raises(NoReply, match=r"no readable temperature.*12345"):
        printer.next_sample()


class Counting:
    """Passes everything on and counts the reports that the board sent."""

    def __init__(self, inner: Transport) -> None:
        self._inner = inner
        self.name, self.now_s, self.write = inner.name, inner.now_s, inner.write
        self.close = inner.close
        self.reports = 0

    def read(self, deadline_s: float) -> bytes:
        data = self._inner.read(deadline_s)
        self.reports += data.count(b"T:")
        return data


@pytest.mark.slow
@pytest.mark.parametrize("auto_report", [False, True])
def test_half_an_hour_at_twenty_reports_a_second(auto_report: bool, recorder: Recorder) -> None:
    line = Counting(SimulatedPrinter(PRINTERS["swift-sleeve"], 4).transport())
    config = LinkConfig(sample_interval_s=0.05, auto_report=auto_report)
    printer = Printer(line, [recorder], config)
    printer.begin_run()
    line.reports = 0
    while printer.now_s() < 1800.0:
        printer.next_sample()
    times_s = [sample.time_s for sample in recorder.samples]
    assert len(times_s) == line.reports
    assert len(times_s) == pytest.approx(36_000, abs=5)
    assert max(late - early for early, late in pairwise(times_s)) < 0.07
    assert min(late - early for early, late in pairwise(times_s)) > 0.03
