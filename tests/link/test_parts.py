"""The client's small parts: dating, setpoints, scaled time, signals."""

import math
import os
import signal
import threading
from typing import Any

import pytest

from hotbench.core.ports import StopSignal, Transport
from hotbench.link.dating import ReportDating
from hotbench.link.scaling import ScaledTransport
from hotbench.link.setpoints import SetpointLog
from hotbench.link.stopping import StopOnSignals

Board = Any


def test_reports_are_dated_to_the_middle_and_always_later() -> None:
    dating = ReportDating()
    assert dating.usual_round_trip_s == 0.0
    assert dating.date(10.1, 10.0) == pytest.approx(10.05)
    assert dating.date(11.0, None) == pytest.approx(10.95)
    assert dating.date(10.9, None) > 10.95


def test_a_report_held_up_is_dated_by_its_arrival() -> None:
    dating = ReportDating()
    for i in range(5):
        dating.date(i + 0.1, float(i))
    assert dating.late_s == pytest.approx(0.0)
    assert dating.date(20.0, 15.0) == pytest.approx(19.95)
    assert dating.usual_round_trip_s == pytest.approx(0.1)
    assert dating.late_s == pytest.approx(4.9)
    dating.date(20.1, None)
    assert dating.late_s == 0.0


def test_reports_in_one_piece_keep_their_distance() -> None:
    dating = ReportDating()
    times_s = [dating.date(10.0, None, behind, 0.5) for behind in (2, 1, 0)]
    assert times_s == [9.0, 9.5, 10.0]
    dating.restart()
    assert dating.date(1.0, None) == 1.0


def test_setpoints_agree_while_they_move() -> None:
    log = SetpointLog(grace_s=3.0, tolerance_K=1.0)
    assert math.isnan(log.commanded_C)
    assert log.holds(0.0, 99.0)
    for i in range(100):
        log.command(i * 0.1, 200.0 + i)
        # Reports lag by two seconds.
        assert log.holds(i * 0.1, 200.0 + max(i - 20, 0))
    assert log.commanded_C == 299.0


def test_setpoints_disagree_at_the_second_report() -> None:
    log = SetpointLog(grace_s=3.0, tolerance_K=1.0)
    log.command(0.0, 200.0)
    assert log.holds(2.9, 0.0)
    assert log.holds(3.1, 0.0)
    assert not log.holds(3.2, 0.0)
    assert log.holds(3.3, 200.4)
    assert log.holds(3.4, math.nan)
    log.clear()
    assert log.holds(9.0, 50.0)


def test_scaled_time(board: Board) -> None:
    scaled: Transport = ScaledTransport(board, 20.0)
    begun_s = scaled.now_s()
    assert scaled.read(begun_s + 10.0) == b""
    assert scaled.now_s() - begun_s == pytest.approx(10.0)
    assert board.time_s == pytest.approx(100.5)
    scaled.write(b"M105\n")
    assert scaled.read(begun_s + 20.0).startswith(b"ok T:25.0")
    assert scaled.name == "scripted"
    scaled.close()
    assert board.closed


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signals_ask_for_the_end_and_handlers_return(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with StopOnSignals() as stop:
        assert not stop()
        os.kill(os.getpid(), number)
        assert stop()
        assert stop.signal_name == number.name
    assert signal.getsignal(number) is before


def test_a_second_signal_interrupts_a_wait_once() -> None:
    with StopOnSignals() as stop:
        os.kill(os.getpid(), signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)
        assert stop()


def test_a_stop_button_in_a_worker_thread() -> None:
    before = signal.getsignal(signal.SIGINT)
    seen = []

    def work() -> None:
        with StopOnSignals() as stop:
            seen.append(signal.getsignal(signal.SIGINT) is before)
            button: StopSignal = stop
            stop.request()
            seen.append(button())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [True, True]
