"""What each kind of mischief does to the bytes and the board, one by one."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import LinkLost
from hotbench.sim import mischief
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, HeaterState, Mode, SensorState, State
from hotbench.sim.mischief import KINDS, Trouble, TroubledPrinter
from hotbench.sim.printers import PRINTERS

SLEEVE = PRINTERS["swift-sleeve"]
REPORT = b"ok T:200.1 /200.0 B:24.0 /0.0 @:33 B@:0\n"


def trouble(seed: int = 1) -> Trouble:
    return Trouble(SimulatedPrinter(SLEEVE), np.random.default_rng(seed))


def said(name: str, data: bytes, by: Trouble | None = None) -> bytes:
    return b"".join(piece for _, piece in KINDS[name].said(by or trouble(), data))


@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        ("mute", REPORT, b""),
        ("double ok", b"ok\necho:x\n", b"ok\nok\necho:x\n"),
        ("double lines", b"ok\nT:1\n", b"ok\nok\nT:1\nT:1\n"),
        ("windows line ends", b"ok\nok\n", b"ok\r\nok\r\n"),
        ("high bytes", b"ok\n", b"\xfe\xff\x80 ok\n"),
        ("no reports", REPORT, b"ok\n"),
        ("no reports", b"T:20.0 /0.0\nok\n", b"ok\n"),
        ("no reports", b"echo:busy\n", b"echo:busy\n"),
        ("cut reports", REPORT, b"ok T:20\n"),
        ("cut reports", b"start\n", b"start\n"),
    ],
)
def test_what_becomes_of_what_is_said(name: str, data: bytes, expected: bytes) -> None:
    assert said(name, data) == expected


@pytest.mark.parametrize(
    ("name", "what"), [("one ok lost", b"ok\n"), ("endless line", b"x" * 200_000)]
)
def test_some_things_happen_once(name: str, what: bytes) -> None:
    by = trouble()
    first, second = said(name, b"ok\n", by), said(name, b"ok\n", by)
    assert second == b"ok\n"
    assert (first == b"") if name == "one ok lost" else (first == what + b"ok\n")


@pytest.mark.parametrize(
    ("name", "share"),
    [("some ok lost", 0.1), ("merged lines", 0.2), ("nul bytes", 0.3), ("garbled reports", 0.3)],
)
def test_some_things_happen_at_their_rate(name: str, share: float) -> None:
    by = trouble()
    changed = sum(said(name, REPORT, by) != REPORT for _ in range(2000))
    assert changed / 2000.0 == pytest.approx(share, abs=0.04)


@given(st.binary(min_size=1, max_size=80), st.integers(0, 50))
def test_garbage_keeps_the_length_and_splicing_keeps_the_bytes(data: bytes, seed: int) -> None:
    assert len(said("garbage", data, trouble(seed))) == len(data)
    assert said("nul bytes", data, trouble(seed)).replace(b"\0\0\0", b"", 1) in (
        data,
        data.replace(b"\0\0\0", b"", 1),
    )
    assert said("split lines", data) == data


def test_garbage_spoils_two_bytes_in_a_hundred() -> None:
    """Drawn from 256 values, of which one changes nothing."""
    data = b"ok T:200.1 /200.0\n" * 5000
    spoiled = sum(a != b for a, b in zip(said("garbage", data), data, strict=True))
    assert spoiled / len(data) == pytest.approx(0.02 * 255.0 / 256.0, rel=0.1)


def test_split_lines_dribble_in_order() -> None:
    pieces = KINDS["split lines"].said(trouble(), b"ok\n")
    assert [piece for _, piece in pieces] == [b"o", b"k", b"\n"]
    assert [delay_s for delay_s, _ in pieces] == pytest.approx([0.0, 0.004, 0.008])


def test_swapped_replies_come_in_pairs() -> None:
    by = trouble()
    assert [said("swapped replies", data, by) for data in (b"1\n", b"2\n", b"3\n", b"4\n")] == [
        b"", b"2\n1\n", b"", b"4\n3\n",
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_a_flipped_bit_is_one_bit_and_never_the_line_end(seed: int) -> None:
    by, sent = trouble(seed), b"N1 M104 S55*104\n"
    flipped = 0
    for _ in range(200):
        heard = KINDS["bits flipped"].heard(by, sent)
        differing = [a ^ b for a, b in zip(heard, sent, strict=True) if a != b]
        assert differing in ([], [1])
        assert heard.endswith(b"\n")
        flipped += bool(differing)
    assert 15 <= flipped <= 70


def test_lost_commands_and_echoes() -> None:
    by = trouble()
    heard = [KINDS["commands lost"].heard(by, b"M105\n") for _ in range(1000)]
    assert set(heard) == {b"", b"M105\n"}
    assert heard.count(b"") == pytest.approx(100, abs=40)
    assert KINDS["echo"].heard(by, b"M105\n\xff\n") == b"M105\n\xff\n"
    by.printer.step(0.6)
    assert KINDS["resend storm"].heard(by, b"M105\n") == b"M105\n"


@pytest.mark.parametrize(
    ("name", "entry", "value"),
    [
        ("sensor open", State.SENSOR_STATE, SensorState.OPEN),
        ("sensor short", State.SENSOR_STATE, SensorState.SHORT),
        ("sensor frozen", State.SENSOR_STATE, SensorState.FROZEN),
        ("sensor jump", State.SENSOR_VALUE_C, 60.0),
        ("sensor slips", State.SENSOR_VALUE_C, -60.0),
        ("heater stuck on", State.HEATER_STATE, HeaterState.STUCK_ON),
        ("heater dead", State.HEATER_STATE, HeaterState.DEAD),
        ("emergency stop", State.FAULT, FaultCode.STOPPED),
        ("tracking fault", State.FAULT, FaultCode.TRACKING),
        ("runaway fault", State.FAULT, FaultCode.RUNAWAY),
        ("setpoint lost", State.MODE, Mode.OFF),
        ("setpoint raised", State.TARGET_C, 230.0),
        ("silent reboot", State.TARGET_C, 0.0),
        ("reboot", State.TARGET_C, 0.0),
    ],
)
def test_what_is_done_to_the_board(name: str, entry: State, value: float) -> None:
    by = trouble()
    by.printer.rig.settle_at(200.0)
    KINDS[name].begin(by)
    assert by.printer.rig.state[entry] == value


def test_a_raised_setpoint_stays_below_the_cut_off() -> None:
    by = trouble()
    by.printer.rig.settle_at(270.0)
    KINDS["setpoint raised"].begin(by)
    assert by.printer.target_C == SLEEVE.max_temperature_C - 20.0


@pytest.mark.parametrize(("name", "silent_s"), [("short stall", 3.0), ("long stall", 60.0)])
def test_a_stall_lasts_its_time(name: str, silent_s: float) -> None:
    printer = TroubledPrinter(SimulatedPrinter(SLEEVE), KINDS[name], 2.0)
    line = printer.transport()
    while line.now_s() < 2.0:
        line.read(2.0)
    line.write(b"M105\n")
    assert line.read(2.0 + silent_s) == b""
    assert line.read(2.2 + silent_s).startswith(b"ok T:")


def test_harmless_kinds_leave_the_heater_alone() -> None:
    for name in ("banner", "strange fault", "harmless error", "busy", "mute"):
        by = trouble()
        by.printer.rig.settle_at(200.0)
        KINDS[name].begin(by)
        assert by.printer.target_C == 200.0


def test_the_next_event_is_the_trouble_or_what_is_held() -> None:
    printer = TroubledPrinter(SimulatedPrinter(SLEEVE), KINDS["slow replies"], 5.0)
    printer.step(1.0)
    printer.step(1.0)
    assert printer.next_event_s() == 5.0
    printer.step(5.5)
    assert printer.begun
    printer.receive(b"M105\n", 5.5)
    assert printer.step(7.0) == b""
    assert printer.next_event_s() == pytest.approx(7.5, abs=0.02)
    assert printer.step(8.0).startswith(b"ok T:")
    assert printer.next_event_s() == math.inf


def test_a_pulled_cable_stops_both_directions() -> None:
    printer = TroubledPrinter(SimulatedPrinter(SLEEVE), KINDS["cable pulled"], 1.0)
    assert printer.step(0.9) == b"start\n"
    assert printer.step(0.9) == b""
    with pytest.raises(LinkLost, match="cable is gone"):
        printer.step(2.0)
    with pytest.raises(LinkLost, match="cable is gone"):
        printer.receive(b"M105\n", 2.0)
    with pytest.raises(LinkLost, match="cable is gone"):
        printer.step(3.0)


def test_once_is_once() -> None:
    by = trouble()
    assert [by.once(), by.once(), by.once()] == [True, False, False]
    assert mischief.kind_named("mute").reachable
