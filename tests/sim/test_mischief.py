import pytest

from hotbench.core.errors import BadInput, LinkLost
from hotbench.core.ports import Transport
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, Mode
from hotbench.sim.mischief import KINDS, Kind, TroubledPrinter, kind_named
from hotbench.sim.printers import PRINTERS
from hotbench.wire.commands import encode

AT_s = 4.0
SLEEVE = PRINTERS["swift-sleeve"]


def talk(line: Transport, until_s: float) -> tuple[list[bytes], bool]:
    """Heat, then ask for the temperature twice a second; what was heard, whether the line died."""
    heard: list[bytes] = []
    next_s = line.now_s()
    try:
        line.write(b"M104 S200\n")
        while line.now_s() < until_s:
            next_s += 0.5
            line.write(b"M105\n")
            while said := line.read(next_s):
                heard.append(said)
    except LinkLost:
        return heard, True
    return heard, False


def troubled(kind: Kind, seed: int = 3) -> TroubledPrinter:
    return TroubledPrinter(SimulatedPrinter(SLEEVE, seed), kind, AT_s, seed)


UNTROUBLED, _ = talk(SimulatedPrinter(SLEEVE, 3).transport(), 24.0)


def test_there_are_enough_kinds() -> None:
    assert len(KINDS) >= 30
    assert all(name == kind.name and kind.what for name, kind in KINDS.items())


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_shows_on_the_line(name: str) -> None:
    kind = KINDS[name]
    printer = troubled(kind)
    heard, died = talk(printer.transport(), 24.0)
    assert printer.begun
    assert died == kind.cable_pulled
    assert heard != UNTROUBLED


@pytest.mark.parametrize("name", KINDS)
def test_nothing_shows_before_its_time(name: str) -> None:
    line = troubled(KINDS[name]).transport()
    heard, died = talk(line, AT_s - 0.6)
    assert not died
    assert UNTROUBLED[: len(heard)] == heard
    assert len(heard) >= 6


@pytest.mark.parametrize("name", [kind.name for kind in KINDS.values() if kind.reachable])
def test_heater_can_be_switched_off_unless_unreachable(name: str) -> None:
    """By asking again and again, breaking off waits, on a fresh line if need be."""
    printer = troubled(KINDS[name])
    talk(printer.transport(), 12.0)
    line = printer.transport()
    for _ in range(40):
        line.write(b"M108\nM104 S0\n")
        end_s = line.now_s() + 2.0
        while line.read(end_s):
            pass
    assert printer.printer.target_C == 0.0


@pytest.mark.parametrize("name", [kind.name for kind in KINDS.values() if not kind.reachable])
def test_unreachable_heater_stays_as_it_was(name: str) -> None:
    printer = troubled(KINDS[name])
    talk(printer.transport(), 12.0)
    printer.printer.step(60.0)
    assert printer.printer.target_C == 200.0


def test_cut_cable_cannot_be_opened_again_and_a_pulled_one_can() -> None:
    cut, pulled = troubled(KINDS["cable cut"]), troubled(KINDS["cable pulled"])
    for printer in (cut, pulled):
        talk(printer.transport(), 12.0)
    with pytest.raises(LinkLost, match="no such port"):
        cut.transport()
    line = pulled.transport()
    line.write(b"M105\n")
    assert b"T:" in line.read(line.now_s() + 1.0)


def test_locking_kinds_lock() -> None:
    for name, fault in (("tracking fault", FaultCode.TRACKING), ("sensor open", FaultCode.SENSOR)):
        printer = troubled(KINDS[name])
        heard, _ = talk(printer.transport(), 12.0)
        assert printer.printer.rig.mode is Mode.FAULTED
        assert printer.printer.rig.fault is fault
        assert b"Error:" in b"".join(heard)


def test_corrupted_commands_do_not_pass_a_checksum() -> None:
    """With numbers and checksums the board asks again; it never obeys a spoiled line."""
    printer = troubled(KINDS["bits flipped"])
    line = printer.transport()
    line.read(AT_s)
    line.read(AT_s + 0.5)
    number, resends = 1, 0
    while number <= 60:
        line.write(encode("M104 S55", number))
        heard = b""
        while said := line.read(line.now_s() + 0.1):
            heard += said
        resends += heard.count(b"Resend")
        number += b"Resend" not in heard and b"ok" in heard
    assert resends > 5
    assert {text.split("*")[0].split(" ", 1)[1] for _, text in printer.printer.commands} == {
        "M104 S55"
    }


def test_slow_and_split_replies_arrive_whole() -> None:
    for name in ("slow replies", "split lines", "windows line ends"):
        heard, _ = talk(troubled(KINDS[name]).transport(), 24.0)
        lines = b"".join(heard).replace(b"\r", b"").splitlines()
        assert all(line.startswith((b"ok", b"start")) for line in lines[:-1])


def test_unknown_kind_suggests_a_name() -> None:
    with pytest.raises(BadInput, match="did you mean 'reboot'"):
        kind_named("rebot")
    assert kind_named("reboot") is KINDS["reboot"]
