"""Every command word of the simulated board, and whatever else may arrive on its wire."""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.ports import Transport
from hotbench.sim import answers
from hotbench.sim.board import LONGEST_LINE, BOOT_s, SimulatedPrinter
from hotbench.sim.loop import FaultCode, State
from hotbench.sim.printers import PRINTERS
from hotbench.wire.commands import encode

Ask = Callable[..., str]
SLEEVE = PRINTERS["swift-sleeve"]
MM3_PER_MM = math.pi / 4.0 * 1.75**2


def listen(line: Transport, duration_s: float) -> list[str]:
    end_s, heard = line.now_s() + duration_s, b""
    while line.now_s() < end_s:
        heard += line.read(end_s)
    return heard.decode("ascii").splitlines()


# --- temperature


@pytest.mark.parametrize(
    ("command", "target_C"),
    [
        ("M104 S180", 180.0),
        ("M104 R180", 180.0),
        ("m104 s180.5", 180.5),
        ("M104S180", 180.0),
        ("M104 T0 S180", 180.0),
        ("M104 S180 ; warm", 180.0),
        ("M104", 0.0),
        ("M104 S", 0.0),
        ("M104 S-20", 0.0),
        ("M104 S285", 285.0),
        ("M104 S285.1", 0.0),
    ],
)
def test_setpoints(
    command: str, target_C: float, line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    assert ask(line, command).endswith("ok\n")
    assert printer.target_C == target_C


def test_highest_setpoint_keeps_its_margin_below_the_cut_off(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    ask(line, "M104 S200")
    highest_C = SLEEVE.max_temperature_C - answers.MARGIN_K
    assert ask(line, f"M104 S{highest_C + 1.0}").startswith("echo:target refused, above 300 C")
    assert printer.target_C == 200.0


def test_waiting_for_nothing_is_over_at_once(line: Transport, ask: Ask) -> None:
    begun_s = line.now_s()
    assert ask(line, "M109 S0") == "ok\n"
    assert ask(line, "M109 S999").startswith("echo:target refused")
    assert line.now_s() - begun_s < 0.1


def test_cooling_wait_ends_once_in_the_band_for_its_residency(ask: Ask) -> None:
    printer = SimulatedPrinter(SLEEVE)
    printer.rig.settle_at(215.0)
    line = printer.transport()
    line.read(2.0)
    ask(line, "M109 R200")
    assert abs(printer.rig.state[State.READING_C] - 200.0) < 2.0
    assert printer.rig.state[State.IN_BAND_s] >= 1.0


def test_a_fault_ends_the_wait_for_heat(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(b"M109 S230\n")
    listen(line, 2.0)
    printer.lock(FaultCode.RUNAWAY)
    assert listen(line, 0.3)[-2:] == [answers.fault_line(FaultCode.RUNAWAY), "ok"]


def test_a_locked_board_answers_everything_but_heat(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    printer.lock(FaultCode.SENSOR)
    listen(line, 0.1)
    for command in ("M104 S50", "M109 S50", "G1 E3 F120"):
        assert ask(line, command) == f"{answers.LOCKED}\nok\n"
    assert ask(line, "M105").startswith("ok T:")
    assert ask(line, "M106 S255") == "ok\n"
    assert ask(line, "M104 S0") == "ok\n"
    assert (printer.target_C, printer.fan, printer.faulted) == (0.0, 1.0, True)


def test_release_without_a_fault_changes_nothing(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    ask(line, "M104 S90")
    assert ask(line, "M999") == "ok\n"
    assert printer.target_C == 90.0


# --- reports


@pytest.mark.parametrize(("asked_s", "given_s"), [(0.001, 0.05), (0.05, 0.05), (2.0, 2.0), (-1, 0)])
def test_report_interval_has_a_floor(
    asked_s: float, given_s: float, line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    ask(line, f"M155 S{asked_s}")
    assert printer.report_every_s == given_s


@pytest.mark.parametrize("shape", ["one line", "with checksum"])
def test_reports_go_on_while_waiting(shape: str, ask: Ask) -> None:
    printer = SimulatedPrinter(replace(SLEEVE, reply_shape=shape))  # type: ignore[arg-type]
    line = printer.transport()
    line.read(2.0)
    ask(line, "M155 S0.5")
    line.write(b"G4 S3\n")
    heard = listen(line, 2.9)
    assert len([text for text in heard if text.startswith("T:")]) in (5, 6)
    assert "ok" not in heard


# --- fan


@pytest.mark.parametrize(
    ("command", "fraction"),
    [
        ("M106 S0", 0.0),
        ("M106 S51", 0.2),
        ("M106 S255", 1.0),
        ("M106 S900", 1.0),
        ("M106 S-9", 0.0),
        ("M106 P0 S51", 0.2),
        ("M106 P2 S51", 0.0),
    ],
)
def test_fan_numbers(
    command: str, fraction: float, line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    assert ask(line, command) == "ok\n"
    assert printer.fan == pytest.approx(fraction)
    assert printer.rig.state[State.FAN] == pytest.approx(fraction**SLEEVE.fan_exponent)


# --- motion, on a board that may extrude cold


def fed_mm(line: Transport, printer: SimulatedPrinter, ask: Ask, commands: str) -> float:
    """Filament commanded by moves, mm, from the queue's flow and time."""
    ask(line, "M302 P1")
    total_mm3, before_s = 0.0, line.now_s()
    for command in commands.split(","):
        line.write(command.strip().encode() + b"\n")
        while not printer.planner.empty or line.now_s() < before_s + 0.1:
            begun_s, flow = line.now_s(), printer.planner.flow_mm3_per_s
            line.read(min(printer.planner.next_change_s(), begun_s + 0.5))
            total_mm3 += flow * (line.now_s() - begun_s)
        before_s = line.now_s()
    return total_mm3 / MM3_PER_MM


@pytest.mark.parametrize(
    ("commands", "expected_mm"),
    [
        ("M83, G1 E5 F600, G1 E5", 10.0),
        ("M82, G1 E5 F600, G1 E5", 5.0),
        ("G91, G1 E5 F600, G1 E5", 10.0),
        ("G91, M82, G1 E5 F600, G1 E7", 7.0),
        ("G91, G90, G1 E5 F600, G1 E7", 7.0),
        ("G92 E100, G1 E103 F600", 3.0),
        ("G92 E100, G92 E, G1 E103 F600", 3.0),
        ("G1 X10 E2 F600, G1 X10 E4", 4.0),
        ("G0 E3 F600", 3.0),
    ],
)
def test_extruder_positions(
    commands: str, expected_mm: float, line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    assert fed_mm(line, printer, ask, commands) == pytest.approx(expected_mm, rel=0.02)


@pytest.mark.parametrize(
    ("commands", "duration_s"),
    [
        ("G1 X60 F600", 6.0),
        ("G1 X30 Y40 F600, G1 X30 Y40", 5.0),
        ("G91, G1 X30 Y40 F600, G1 X30 Y40", 10.0),
        ("G1 X30 F600, G92 X0, G1 X30", 6.0),
        ("G1 Z10 F600, G28, G90", 1.0),
        ("G1 E-10 F600", 1.0),
        ("G1 F600, G1 X10", 1.0),
        ("G1 X25", 1.0),
        ("G1 X25 F600, G1 X50 F0", 3.5),
        ("G4 P500, G4 S1", 1.5),
    ],
)
def test_durations_of_moves(commands: str, duration_s: float, line: Transport, ask: Ask) -> None:
    begun_s = line.now_s()
    for command in commands.split(","):
        ask(line, command.strip())
    ask(line, "M400")
    assert line.now_s() - begun_s == pytest.approx(duration_s, abs=0.2)


def test_a_refused_extrusion_still_travels_and_counts(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    said = ask(line, "G1 X20 E5 F600")
    assert said.startswith("echo:extrusion refused, hot end below 170 C")
    assert not printer.planner.empty
    assert printer.planner.flow_mm3_per_s == 0.0


@pytest.mark.parametrize(
    ("words", "refused"),
    [("P1", False), ("S0", False), ("S20", False), ("S30", True), ("P0", True), ("", True)],
)
def test_cold_extrusion_threshold(words: str, refused: bool, line: Transport, ask: Ask) -> None:
    """At ambient, 24 C."""
    ask(line, f"M302 {words}".strip())
    assert ask(line, "G1 E2 F120").startswith("echo:extrusion refused") == refused


def test_what_the_board_was_told_is_lost_at_a_reboot(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    for command in ("M302 P1", "M106 S255", "M155 S1", "M104 S150", "M83"):
        ask(line, command)
    printer.reboot()
    assert listen(line, BOOT_s + 2.0) == ["start"]
    assert (printer.target_C, printer.fan, printer.report_every_s) == (0.0, 0.0, 0.0)
    assert ask(line, "G1 E2 F120").startswith("echo:extrusion refused")


# --- line numbers


def test_numbering_restarts_where_it_is_told(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(encode("M110 N9") + encode("M104 S50", 10) + encode("M104 S60", 12))
    assert listen(line, 0.2) == ["ok", "ok", "Resend: 11", "ok"]
    line.write(encode("M110", 99) + encode("M104 S70", 100))
    assert listen(line, 0.2) == ["ok", "ok"]
    assert printer.target_C == 70.0


@given(st.integers(0, 12), st.integers(0, 7))
def test_no_single_flipped_bit_changes_what_a_numbered_board_does(place: int, bit: int) -> None:
    """The checksum covers the whole command; whatever bit flips in it, 55 or nothing."""
    printer = SimulatedPrinter(SLEEVE)
    spoiled = bytearray(encode("M104 S55", 1))
    place = min(place, spoiled.index(b"*") - 1)
    spoiled[place] ^= 1 << bit
    printer.receive(bytes(spoiled), 1.0)
    printer.step(1.1)
    while printer.step(1.5):
        pass
    assert printer.target_C in (0.0, 55.0)
    assert {text for _, text in printer.commands if "M104" in text} <= {"N1 M104 S55*104"}


# --- any bytes


def survive(data: bytes) -> SimulatedPrinter:
    printer = SimulatedPrinter(SLEEVE)
    printer.receive(data + b"\n", 1.0)
    for _ in range(300):
        if not printer.step(4.0):
            break
    return printer


NO_HEAT = st.binary(max_size=200).filter(lambda data: b"104" not in data and b"109" not in data)


@settings(max_examples=150, deadline=None)
@given(NO_HEAT)
def test_garbage_never_turns_the_heater_on(data: bytes) -> None:
    printer = survive(data)
    assert printer.target_C == 0.0
    assert printer.rig.duty == 0.0
    assert printer.now_s == 4.0 or printer.report_every_s > 0.0


WORDS = st.sampled_from("GMTNSPREXYZF*;:?")
NUMBERS = st.one_of(
    st.integers(-5, 999).map(str), st.sampled_from(["", ".", "-", "+.5", "1e9", "9" * 40, "1.2.3"])
)
LIKE_COMMANDS = st.lists(st.tuples(WORDS, NUMBERS), max_size=6).map(
    lambda words: " ".join(letter + number for letter, number in words)
)


@settings(max_examples=200, deadline=None)
@given(st.lists(LIKE_COMMANDS, max_size=4))
def test_lines_like_commands_are_survived_within_the_limits(lines: list[str]) -> None:
    printer = survive("\n".join(lines).encode())
    assert 0.0 <= printer.target_C <= SLEEVE.max_temperature_C - answers.MARGIN_K
    assert 0.0 <= printer.fan <= 1.0
    assert printer.rig.state[State.FLOW_mm3_per_s] >= 0.0


def test_an_endless_line_is_cut_and_forgotten(line: Transport, printer: SimulatedPrinter) -> None:
    for _ in range(50):
        line.write(b"M104 S200 " * 100)
    assert len(printer._partial) <= LONGEST_LINE
    line.write(b"\n")
    heard = listen(line, 0.2)
    assert heard.count("ok") == 1
