"""Wordings of faults find their kind, and a user's own come first."""

import pytest

from hotbench.core.errors import BadInput
from hotbench.sim.answers import FAULT_TEXTS, LOCKED
from hotbench.sim.loop import FaultCode
from hotbench.wire.faults import DEFAULT_FAULTS, FaultPattern, classify, extended
from hotbench.wire.replies import Echo, Fault, parse

KIND_OF = {
    FaultCode.TRACKING: "setpoint moved too abruptly",
    FaultCode.JUMP: "setpoint moved too abruptly",
    FaultCode.TOO_HOT: "over temperature",
    FaultCode.NOT_HEATING: "heating failed",
    FaultCode.RUNAWAY: "thermal runaway",
    FaultCode.SENSOR: "sensor open or short",
    FaultCode.STOPPED: "halted",
}


@pytest.mark.parametrize("code", KIND_OF)
def test_the_simulated_boards_wordings(code: FaultCode) -> None:
    assert classify(FAULT_TEXTS[code]).kind == KIND_OF[code]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Error:thermal runaway on heater 0", "thermal runaway"),
        ("Error:heating timed out", "heating failed"),
        ("Error:MAXTEMP triggered", "over temperature"),
        ("Error:MINTEMP triggered", "sensor open or short"),
        ("Error:thermistor disconnected", "sensor open or short"),
        ("!! overheated", "over temperature"),
        (LOCKED, "halted"),
        ("Error:E-99", "unknown"),
    ],
)
def test_common_wordings(text: str, kind: str) -> None:
    assert classify(text).kind == kind


@pytest.mark.parametrize(
    "line",
    [
        "Error:checksum mismatch, last line: 5",
        "Error:Line Number is not Last Line Number+1",
        "Error:unknown command",
        "Error:no memory card",
    ],
)
def test_complaints_a_run_survives(line: str) -> None:
    reply = parse(line)
    assert isinstance(reply, Fault)
    assert not reply.ends_run


def test_a_refusal_counts_wherever_it_stands() -> None:
    reply = parse("echo:extrusion refused, hot end below 170 C")
    assert isinstance(reply, Fault)
    assert reply.kind == "refused"
    assert isinstance(parse("echo:thermal runaway protection is on"), Echo)


def test_a_users_wording_comes_first() -> None:
    table = extended([FaultPattern("zap", "blown fuse", anywhere=True, advice="buy one")])
    reply = parse("oh no: ZAP", table)
    assert reply == Fault("oh no: ZAP", "blown fuse", ends_run=True, advice="buy one")
    assert table[1:] == DEFAULT_FAULTS


def test_a_bad_expression_is_refused() -> None:
    with pytest.raises(BadInput, match="no regular expression"):
        extended([FaultPattern("(", "x")])
