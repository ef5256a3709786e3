"""Lines mean what they say, and a damaged line never becomes a temperature."""

import math
from itertools import product

import numpy as np
import pytest
from fuzzing import checked, fuzz
from hypothesis import given
from hypothesis import strategies as st

from hotbench.wire.lines import LineSplitter
from hotbench.wire.replies import (
    Banner,
    Busy,
    Capability,
    Echo,
    Fault,
    Identity,
    Ok,
    Reading,
    Resend,
    TemperatureReport,
    Unknown,
    parse,
)


def report(line: str) -> TemperatureReport:
    reply = parse(line)
    assert isinstance(reply, TemperatureReport), reply
    return reply


@pytest.mark.parametrize(
    ("line", "reading", "duty"),
    [
        ("ok T:200.1 /210.0 B:60.0 /60.0 @:64 B@:0", Reading(200.1, 210.0), 64.0),
        ("T:200.1 /210.0 B:60.0 /60.0 @:64 B@:0", Reading(200.1, 210.0), 64.0),
        (
            " T:200.1 /210.0 B:60.0 /60.0 T0:200.1 /210.0 @:64 B@:0 @0:64",
            Reading(200.1, 210.0),
            64.0,
        ),
        ("ok B:25.0/0.0 T0:20.5/0.0 @0:12", Reading(20.5, 0.0), 12.0),
        ("ok N12 P15 B3 T:20.5/0.0", Reading(20.5, 0.0), math.nan),
        ("T:200.1 E:0 W:?", Reading(200.1), math.nan),
        ("T:200 E:0 W:3", Reading(200.0), math.nan),
        ("T: -14.9 / 0.0 (1023.5) B:25 /0 C:31.2 /0.0", Reading(-14.9, 0.0), math.nan),
        ("T:+5. /0 @:0", Reading(5.0, 0.0), 0.0),
    ],
)
def test_shapes_of_reports(line: str, reading: Reading, duty: float) -> None:
    heard = report(line)
    assert heard.acknowledges == line.startswith("ok")
    hot_end = heard.hot_end()
    assert hot_end is not None
    np.testing.assert_equal(
        (hot_end.temperature_C, hot_end.setpoint_C, heard.raw_duty()),
        (reading.temperature_C, reading.setpoint_C, duty),
    )


def test_bed_chamber_and_tools() -> None:
    heard = report("ok T:200 /210 B:60 /61 C:40 /41 T0:200 /210 T1:25 /0 @:64 B@:9 @0:64 @1:3")
    assert heard.heaters["B"] == Reading(60.0, 61.0)
    assert heard.heaters["C"] == Reading(40.0, 41.0)
    assert heard.hot_end(1) == Reading(25.0, 0.0)
    assert (heard.raw_duty(0), heard.raw_duty(1)) == (64.0, 3.0)
    assert heard.hot_end(2) is None


def test_one_tool_answers_to_its_number() -> None:
    heard = report("T:200 /210 @:64")
    assert heard.hot_end(0) == Reading(200.0, 210.0)
    assert heard.raw_duty(0) == 64.0
    assert math.isnan(heard.raw_duty(1))


def test_a_bed_alone_has_no_hot_end() -> None:
    assert report("B:60.0 /60.0").hot_end() is None


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "NAN"])
def test_no_number_is_passed_on_as_none(word: str) -> None:
    hot_end = report(f"ok T:{word} /0.0").hot_end()
    assert hot_end is not None
    assert not math.isfinite(hot_end.temperature_C)


@pytest.mark.parametrize(
    "line",
    [
        "T:200.1 /210.0T:200.2 /210.0",
        "T:200.1 /210.0 B:6T:200.2 /210.0 B:60.0",
        "T:2\x0000.1 /210.0",
        "T:200.1 /210.0 @:6\ufffd",
        "T:20\ufffd.1 /210.0",
        "T:200.1.3 /210.0",
        "T:12345 /0",
        "T:200.1 /",
        "T: /210",
        "T200.1 /210",
        "T:200,1 /210",
        "T:0x1F /0",
        "T:1e3 /0",
        "T:? /210",
        ":200.1 /210",
        "200.1 /210",
        "X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0 Y:0",
        "T:200.1 /210.0 *",
        "T:200.1 /210.0*1x",
        "T:200.1 /210.0*1",
        "T:200.1 /210.0*12*13",
    ],
)
def test_damaged_lines_are_no_reports(line: str) -> None:
    assert isinstance(parse(line), Unknown)


def test_a_spoiled_acknowledgement_still_counts_as_one() -> None:
    assert parse("ok T:2\ufffd0") == Unknown("ok T:2\ufffd0", acknowledges=True)


def test_checksums_are_verified_where_present_and_demanded_where_due() -> None:
    line = checked("ok T:200.1 /210.0 @:64")
    assert report(line).checked
    assert not report("ok T:200.1 /210.0 @:64").checked
    assert isinstance(parse("ok T:200.1 /210.0", checksum_due=True), Unknown)
    assert isinstance(parse("ok", checksum_due=True), Ok)
    assert isinstance(parse(checked("ok")), Ok)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("ok", Ok("ok")),
        ("ok\0\0", Ok("ok\0\0")),
        ("ok N12 P15 B3", Ok("ok N12 P15 B3", 12, 15, 3)),
        ("ok 7", Ok("ok 7", 7)),
        ("echo:busy: processing", Busy("echo:busy: processing", "processing")),
        ("busy", Busy("busy", "")),
        ("Resend: 12", Resend("Resend: 12", 12)),
        ("rs 12", Resend("rs 12", 12)),
        ("rs N12", Resend("rs N12", 12)),
        ("Resend:12", Resend("Resend:12", 12)),
        ("Resend: 12ok", Resend("Resend: 12ok", 12)),
        ("start", Banner("start")),
        ("Watchdog Reset", Banner("Watchdog Reset")),
        ("echo:hello there", Echo("echo:hello there", "hello there")),
        ("// remark", Echo("// remark", "remark")),
        ("Cap:AUTOREPORT_TEMP:1", Capability("Cap:AUTOREPORT_TEMP:1", "AUTOREPORT_TEMP", "1")),
        ("restart", Unknown("restart")),
        ("Resend: x", Unknown("Resend: x")),
        ("", Unknown("")),
    ],
)
def test_other_lines(line: str, expected: object) -> None:
    assert parse(line) == expected


@pytest.mark.parametrize(
    "line", ["Error:something odd", "!! something odd", "error: odd", "Fatal: odd", "// !! odd"]
)
def test_unknown_faults_are_kept_verbatim_and_end_the_run(line: str) -> None:
    assert parse(line) == Fault(line, "unknown", ends_run=True)


def test_identity_keeps_values_with_spaces() -> None:
    line = (
        "FIRMWARE_NAME:simboard 1.0 (Jan 1) SOURCE_URL:https://host/x PROTOCOL_VERSION:1.0 "
        "MACHINE_TYPE:long melt EXTRUDER_COUNT:1 TIME_SCALE:20"
    )
    reply = parse(line)
    assert isinstance(reply, Identity)
    assert reply.firmware == "simboard 1.0 (Jan 1)"
    assert reply.fields["SOURCE_URL"] == "https://host/x"
    assert reply.fields["MACHINE_TYPE"] == "long melt"
    assert reply.time_scale == 20.0
    assert not reply.acknowledges


@pytest.mark.parametrize("scale", ["0", "-3", "nan", "inf", "fast"])
def test_a_senseless_time_scale_is_one(scale: str) -> None:
    reply = parse(f"ok FIRMWARE_NAME:x TIME_SCALE:{scale}")
    assert isinstance(reply, Identity)
    assert (reply.time_scale, reply.acknowledges) == (1.0, True)


@given(st.text(max_size=200))
def test_any_text_parses(line: str) -> None:
    assert parse(line).text == line


LINE = checked("ok T:203.7 /210.0 B:60.1 /60.0 @:64 B@:12")


@given(st.integers(0, len(LINE) - 1), st.integers(0, 255))
def test_no_changed_byte_passes_a_checksum(position: int, byte: int) -> None:
    damaged = bytearray(LINE.encode())
    damaged[position] = byte
    assert_true_or_refused(bytes(damaged))


@given(st.integers(0, len(LINE) - 1))
def test_no_missing_byte_passes_a_checksum(position: int) -> None:
    assert_true_or_refused((LINE[:position] + LINE[position + 1 :]).encode())


@given(st.integers(0, len(LINE)), st.integers(0, 255))
def test_no_added_byte_passes_a_checksum(position: int, byte: int) -> None:
    assert_true_or_refused(LINE[:position].encode() + bytes([byte]) + LINE[position:].encode())


def test_no_cut_or_merged_line_passes_a_checksum() -> None:
    """All of them: a checksum of eight bits lets one in 256 pass, the form of a number does not."""
    for end, start in product(range(len(LINE) + 1), repeat=2):
        assert_true_or_refused((LINE[:end] + LINE[start:]).encode())


def assert_true_or_refused(data: bytes) -> None:
    """A changed line is either refused or tells the same temperature as the true one."""
    for line in LineSplitter().feed(data + b"\n"):
        reply = parse(line, checksum_due=True)
        if isinstance(reply, TemperatureReport) and (hot_end := reply.hot_end()):
            assert hot_end.temperature_C == 203.7


def test_fuzzed_stream() -> None:
    accepted, fed = fuzz(200_000, seed=1)
    assert accepted > fed / 200


@pytest.mark.slow
def test_ten_million_fuzzed_bytes() -> None:
    accepted, fed = fuzz(10_000_000, seed=2)
    assert accepted > fed / 200
