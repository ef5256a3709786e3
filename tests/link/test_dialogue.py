"""One command in flight: repeats, silence, busy boards and noisy lines."""

from collections.abc import Callable
from typing import Any

import pytest

from hotbench.core.errors import LinkError, NoReply
from hotbench.link.client import Printer
from hotbench.wire.commands import checksum, encode

Connect = Callable[..., Printer]
Board = Any


def test_a_line_asked_for_again_is_sent_again(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M106 S255", "Error:checksum mismatch, last line: 1\nResend: 2\nok")
    printer.set_fan(1.0)
    assert board.written[-2:] == [encode("M106 S255", 2)] * 2


def test_a_board_without_the_late_ok(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M106 S255", "rs 2")
    printer.set_fan(1.0)
    assert board.written[-1] == encode("M106 S255", 2)


def test_the_line_before_is_sent_too_when_it_is_missing(connect: Connect, board: Board) -> None:
    printer = connect()
    printer.set_fan(1.0)
    board.expect("M104 S200", "Resend: 2\nok")
    printer.set_temperature(200.0)
    assert board.written[-1] == encode("M106 S255", 2) + encode("M104 S200", 3)


def test_a_request_for_the_next_line_shows_that_this_one_came(
    connect: Connect, board: Board
) -> None:
    printer = connect()
    board.expect("M106 S255", "Resend: 3\nok")
    printer.set_fan(1.0)
    assert board.lines.count("M106 S255") == 1


def test_a_board_that_counts_anew_has_restarted(connect: Connect, board: Board) -> None:
    printer = connect()
    for _ in range(9):
        printer.next_sample()
    board.expect("M106 S255", "Resend: 1\nok")
    board.expect("M106 S255", "Resend: 1\nok")
    with pytest.raises(LinkError, match="restarted unseen"):
        printer.set_fan(1.0)


def test_one_damaged_number_is_no_restart(connect: Connect, board: Board) -> None:
    printer = connect()
    for _ in range(9):
        printer.next_sample()
    board.expect("M106 S255", "Resend: 1\nok")
    printer.set_fan(1.0)


def test_a_line_too_noisy_is_given_up(connect: Connect, board: Board) -> None:
    printer = connect()
    for _ in range(9):
        board.expect("M106 S255", "Resend: 2\nok")
    with pytest.raises(LinkError, match="too noisy, M106 S255 was asked for 9 times"):
        printer.set_fan(1.0)


def test_silence_ends_the_run_with_what_was_heard_last(connect: Connect, board: Board) -> None:
    printer = connect(reply_timeout_s=3.0)
    begun_s = board.time_s
    for _ in range(3):
        board.expect("M104 S200", "")
    with pytest.raises(NoReply, match="no reply to M104 S200 within 3 s, last heard 'ok'"):
        printer.set_temperature(200.0)
    assert board.time_s - begun_s == pytest.approx(3.0)


def test_a_lost_acknowledgement_is_asked_for(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M106 S255", "")
    board.expect("M106 S255", "Error:line number is not last line number+1\nResend: 3\nok")
    printer.set_fan(1.0)
    assert not board.leftovers()


def test_a_move_without_a_number_is_never_sent_twice(connect: Connect, board: Board) -> None:
    printer = connect(numbered=False, reply_timeout_s=3.0)
    board.expect("G1 E0.5000 F60.000", "")
    with pytest.raises(NoReply):
        printer.extrude(0.5, 1.0)
    assert board.lines.count("G1 E0.5000 F60.000") == 1


def test_keep_alives_extend_the_patience(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M107", "ok", 24.0)
    for i in range(12):
        board.say("echo:busy: processing", 0.5 + 2.0 * i)
    printer.set_fan(0.0)
    assert board.lines.count("M107") == 1


def test_keep_alives_do_not_extend_it_for_ever(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M107", "")
    for i in range(40):
        board.say("echo:busy: processing", 1.0 * i)
    with pytest.raises(NoReply, match="busy with M107, no temperature for 31 s"):
        printer.set_fan(0.0)


def test_reports_while_busy_keep_a_run_alive(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M107", "ok", 60.0)
    for i in range(60):
        board.say("echo:busy: processing\nT:25.0 /0.0", 1.0 * i)
    printer.set_fan(0.0)


def test_a_spoiled_answer_is_asked_for_soon(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M105", "\u00ffk T:2\u00ff.0 /0.0")
    begun_s = board.time_s
    assert printer.next_sample().temperature_C == 25.0
    assert board.time_s - begun_s < 0.3


def test_a_spoiled_report_with_an_ok_is_polled_anew(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M105", "ok T:2\u00ff.0 /0.0")
    begun_s = board.time_s
    assert printer.next_sample().temperature_C == 25.0
    assert board.time_s - begun_s < 0.3


def test_stray_acknowledgements_are_forgotten(connect: Connect, board: Board) -> None:
    printer = connect()
    board.expect("M107", "ok\nok\nok")
    printer.set_fan(0.0)
    board.expect("M104 S200", "ok", 0.5)
    begun_s = board.time_s
    printer.set_temperature(200.0)
    assert board.time_s - begun_s > 0.5


def test_a_slow_line_is_waited_for(connect: Connect, board: Board) -> None:
    printer = connect()
    for _ in range(12):
        board.expect("M105", "ok T:25.0 /0.0", 1.5)
    while board.leftovers():
        printer.next_sample()
    # The first slow answers are asked for twice, the later ones are not.
    assert board.lines.count("M105") < 2 * 12


def test_once_a_board_sends_checksums_it_always_must(connect: Connect, board: Board) -> None:
    printer = connect()
    body = "ok T:61.5 /0.0"
    board.expect("M105", f"{body}*{checksum(body)}")
    assert printer.next_sample().temperature_C == 61.5
    board.expect("M105", "ok T:99.9 /0.0")
    board.expect("M105", f"{body}*{checksum(body)}")
    assert printer.next_sample().temperature_C == 61.5
