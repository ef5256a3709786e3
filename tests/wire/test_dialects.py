"""Line by line, what boards of any make may say: nothing is guessed and nothing raises."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.wire.commands import checksum, decode, encode
from hotbench.wire.lines import DAMAGED, LineSplitter
from hotbench.wire.replies import (
    Banner,
    Busy,
    Capability,
    Echo,
    Fault,
    Identity,
    Ok,
    Resend,
    TemperatureReport,
    Unknown,
    parse,
)

KINDS = (
    TemperatureReport | Ok | Busy | Resend | Fault | Banner | Identity | Capability | Echo | Unknown
)


@given(line=st.text(max_size=80), due=st.booleans())
def test_any_line_is_one_of_the_kinds_and_kept_verbatim(line: str, due: bool) -> None:
    reply = parse(line, checksum_due=due)
    assert isinstance(reply, KINDS)
    assert reply.text == line


@given(
    temperature_C=st.floats(-99.0, 999.0),
    setpoint_C=st.floats(0.0, 999.0),
    duty=st.integers(0, 255),
    sealed=st.booleans(),
)
def test_a_report_says_what_was_put_in(
    temperature_C: float, setpoint_C: float, duty: int, sealed: bool
) -> None:
    body = f"ok T:{temperature_C:.2f} /{setpoint_C:.2f} @:{duty}"
    reply = parse(f"{body}*{checksum(body)}" if sealed else body)
    assert isinstance(reply, TemperatureReport)
    reading = reply.hot_end()
    assert reading is not None
    assert reading.temperature_C == pytest.approx(temperature_C, abs=0.0051)
    assert reading.setpoint_C == pytest.approx(setpoint_C, abs=0.0051)
    assert (reply.raw_duty(), reply.checked, reply.acknowledges) == (duty, sealed, True)


@pytest.mark.parametrize(
    "line",
    [
        "ok T:20.0 /0.0 T:21.0 /0.0",
        "ok T:2O.0 /0.0",
        "ok T:20.0 /0.0 @:1 @:2",
        "T:20.0.1 /0.0",
        "T:20.0 /0.0 and more",
        "T: /0.0",
        "T:12345.0 /0.0",
        "B:20.0 /0.0 *",
        f"T:20.0{DAMAGED} /0.0",
    ],
)
def test_a_report_with_any_doubt_is_none(line: str) -> None:
    assert not isinstance(parse(line), TemperatureReport)


def test_a_bed_alone_tells_nothing_about_the_hot_end() -> None:
    reply = parse("B:60.0 /60.0 B@:10")
    assert isinstance(reply, TemperatureReport)
    assert reply.hot_end() is None
    assert math.isnan(reply.raw_duty())


@pytest.mark.parametrize("tool", [0, 1, 2, None])
def test_tools_are_told_apart(tool: int | None) -> None:
    reply = parse("T:90.0 /0.0 T0:90.0 /0.0 T1:91.0 /5.0 @:3 @0:3 @1:4")
    assert isinstance(reply, TemperatureReport)
    reading = reply.hot_end(tool)
    expected = {0: 90.0, 1: 91.0, None: 90.0}
    assert (reading.temperature_C if reading else None) == expected.get(tool)


@pytest.mark.parametrize(
    ("line", "number"),
    [("Resend: 7", 7), ("resend:7", 7), ("rs 7", 7), ("rs N7", 7), ("Resend: 7ok", 7)],
)
def test_requests_for_a_line(line: str, number: int) -> None:
    assert parse(line) == Resend(line, number)


@given(st.floats(0.01, 100.0))
def test_a_stated_time_scale_is_believed_and_nonsense_is_not(scale: float) -> None:
    stated = parse(f"FIRMWARE_NAME:x y TIME_SCALE:{scale!r}")
    assert isinstance(stated, Identity)
    assert (stated.firmware, stated.time_scale) == ("x y", scale)
    for nonsense in ("0", "-1", "nan", "inf", "fast", ""):
        reply = parse(f"FIRMWARE_NAME:x TIME_SCALE:{nonsense}")
        assert isinstance(reply, Identity)
        assert reply.time_scale == 1.0


@given(
    code=st.sampled_from(["G0", "G1", "M104", "M106"]),
    words=st.dictionaries(st.sampled_from("EFSXYZ"), st.integers(-999, 999), max_size=4),
    number=st.none() | st.integers(0, 10**6),
)
def test_a_board_reads_what_was_encoded(
    code: str, words: dict[str, int], number: int | None
) -> None:
    text = " ".join([code, *(f"{letter}{value}" for letter, value in words.items())])
    (line,) = LineSplitter().feed(encode(text, number))
    command = decode(line)
    assert (command.code, command.words, command.line_number) == (code, words, number)
