"""Whatever the board says must mean to the wire what it means here."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.sim import answers
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode
from hotbench.sim.printers import PRINTERS, ReplyShape
from hotbench.wire.replies import (
    Banner,
    Busy,
    Fault,
    Identity,
    TemperatureReport,
    parse,
)

Ask = Callable[..., str]
SLEEVE = PRINTERS["swift-sleeve"]
EXPECTED_KINDS = {
    FaultCode.TRACKING: "setpoint moved too abruptly",
    FaultCode.JUMP: "setpoint moved too abruptly",
    FaultCode.TOO_HOT: "over temperature",
    FaultCode.NOT_HEATING: "heating failed",
    FaultCode.RUNAWAY: "thermal runaway",
    FaultCode.SENSOR: "sensor open or short",
    FaultCode.STOPPED: "halted",
}


@pytest.mark.parametrize("fault", EXPECTED_KINDS)
def test_faults_are_classified(fault: FaultCode) -> None:
    reply = parse(answers.fault_line(fault))
    assert isinstance(reply, Fault)
    assert reply.kind == EXPECTED_KINDS[fault]
    assert reply.ends_run


def test_every_fault_has_a_wording() -> None:
    assert set(answers.FAULT_TEXTS) == set(FaultCode) - {FaultCode.NONE}


@pytest.mark.parametrize("shape", get_args(ReplyShape))
@given(
    reading_C=st.floats(-40.0, 450.0),
    target_C=st.floats(0.0, 300.0),
    duty=st.floats(0.0, 1.0),
)
def test_reports_are_read_back(
    shape: ReplyShape, reading_C: float, target_C: float, duty: float
) -> None:
    spec = replace(SLEEVE, reply_shape=shape)
    report = parse(answers.temperatures(spec, reading_C, target_C, duty, 24.0))
    assert isinstance(report, TemperatureReport)
    hot_end = report.hot_end(None)
    assert hot_end is not None
    assert hot_end.temperature_C == pytest.approx(reading_C, abs=0.051)
    assert hot_end.setpoint_C == pytest.approx(target_C, abs=0.051)
    raw = report.raw_duty()
    assert math.isnan(raw) if shape == "no duty" else abs(raw - 127.0 * duty) <= 0.5
    assert report.checked == (shape == "with checksum")


def test_other_lines() -> None:
    identity = parse(answers.identity(SLEEVE, 20.0))
    assert isinstance(identity, Identity)
    assert identity.time_scale == 20.0
    assert isinstance(parse(answers.BANNER), Banner)
    assert isinstance(parse(answers.BUSY), Busy)
    assert isinstance(parse(answers.LOCKED), Fault)


def replies_to(data: bytes, patience_s: float) -> list[str]:
    line = SimulatedPrinter(SLEEVE).transport()
    line.read(2.0)
    line.write(data)
    heard = b""
    while said := line.read(line.now_s() + patience_s):
        heard += said
    return heard.decode("ascii").splitlines()


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_survived(data: bytes) -> None:
    replies_to(data.replace(b"M155", b"") + b"\n", 3.0)


COMMANDS = st.sampled_from(
    [
        "M105",
        "M104 S60",
        "M104 S0",
        "M106 S99",
        "M107",
        "G92 E0",
        "G1 E-3 F900",
        "M115",
        "M83",
        "G4 P200",
        "M400",
        "M302 P1",
        "M84",
        "M999",
        "M110 N0",
        "G1 X10 F3000",
        "what",
        "M104 S999",
    ]
)


@settings(max_examples=40, deadline=None)
@given(st.lists(COMMANDS, max_size=12))
def test_every_line_is_acknowledged_once(commands: list[str]) -> None:
    lines = replies_to("".join(f"{command}\n" for command in commands).encode(), 20.0)
    assert sum(line.startswith("ok") for line in lines) == len(commands)
