"""The connection check tells a sound printer from one that is not."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hotbench.core.errors import BadInput, ControllerFault, FellShort
from hotbench.link.check import check_heater, check_line, require
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import HeaterState
from hotbench.sim.printers import PRINTERS

Board = Any


def simulated(name: str = "swift-sleeve") -> tuple[SimulatedPrinter, Printer]:
    board = SimulatedPrinter(PRINTERS[name], 9)
    return board, Printer(board.transport())


def test_the_line_of_a_simulated_printer() -> None:
    board, printer = simulated()
    check = check_line(printer)
    low_s, high_s = board.spec.reply_latency_s
    assert check.identity.firmware == "simboard 1.0"
    assert low_s <= check.round_trip_s <= high_s + board.spec.jitter_s
    assert check.round_trip_s <= check.slow_round_trip_s
    assert check.reports_per_s == pytest.approx(1.0 / check.slow_round_trip_s)
    assert check.temperature_C == pytest.approx(board.spec.ambient_C, abs=1.0)
    assert (check.reports_duty, check.time_scale) == (True, 1.0)
    assert not any(line.split()[-1] == "M104" for _, line in board.commands)


def test_a_board_without_duty_is_told() -> None:
    spec = replace(PRINTERS["swift-sleeve"], reply_shape="no duty")
    assert not check_line(Printer(SimulatedPrinter(spec, 9).transport())).reports_duty


@pytest.mark.parametrize("name", PRINTERS)
def test_sound_heaters_pass(name: str) -> None:
    board, printer = simulated(name)
    check = check_heater(printer)
    assert check.passed, check.findings
    require(check)
    assert 0.0 < check.rise_s < 20.0
    assert 0.0 < check.off_s < 1.0
    assert check.start_C + 5.0 < check.peak_C < check.start_C + 30.0
    assert board.target_C == 0.0


def test_a_heater_stuck_on_is_found() -> None:
    board, printer = simulated("plain-block")
    printer.identify()
    board.rig.break_heater(HeaterState.STUCK_ON)
    check = check_heater(printer)
    with pytest.raises(FellShort, match="still rising at"):
        require(check)
    assert board.target_C == 0.0


def test_a_board_that_notices_by_itself_ends_the_check() -> None:
    board, printer = simulated("plain-block")
    printer.identify()
    board.rig.break_heater(HeaterState.DEAD)
    with pytest.raises(ControllerFault):
        check_heater(printer)
    assert board.target_C == 0.0


def test_a_sensor_elsewhere_is_found(board: Board) -> None:
    check = check_heater(Printer(board))
    assert math.isnan(check.rise_s)
    assert "heater and sensor may not belong together" in check.findings[0]
    assert not check.passed


def test_a_stop_that_does_nothing_is_found(board: Board) -> None:
    printer = Printer(board, config=LinkConfig(setpoint_grace_s=1e6))
    board._habit = stubborn(board)
    check = check_heater(printer)
    assert math.isnan(check.off_s)
    assert "not off within 2 s of the stop" in check.findings


def stubborn(board: Board) -> Callable[[str], str]:
    """A heater that follows once and never stops."""
    answer = board._habit

    def habit(text: str) -> str:
        if text == "M105":
            board.temperature_C = min(board.temperature_C + (board.setpoint_C > 0.0), 33.0)
        return "ok" if text == "M104 S0" else answer(text)

    return habit


def test_too_hot_to_begin(board: Board) -> None:
    board.temperature_C = 250.0
    with pytest.raises(BadInput, match="too hot to begin"):
        check_heater(Printer(board))
    assert "M104 S0" in board.lines


def test_a_sensor_that_reads_nothing(board: Board) -> None:
    board.temperature_C = math.nan
    check = check_heater(Printer(board))
    assert check.findings == ("the sensor reads no number",)
