"""Everything that goes wrong on a board or its line, by name, at a chosen moment."""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from hotbench.core.errors import LinkLost, unknown_key
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, HeaterState, SensorState
from hotbench.sim.transport import VirtualTransport

Said = list[tuple[float, bytes]]
"""Pieces of what a board says, each with an extra delay in seconds."""
STRANGE_FAULT = "!! E-17 thermal subsystem offline, see manual"
HARMLESS_FAULT = "Error:bed sensor out of range"


@dataclass
class Trouble:
    """What a kind of mischief acts on: the printer, its own dice and memory."""

    printer: SimulatedPrinter
    random: np.random.Generator
    memory: dict[str, bytes] = field(default_factory=dict)
    done: bool = False

    def once(self) -> bool:
        """True the first time it is asked."""
        first, self.done = not self.done, True
        return first


def _nothing(_: Trouble) -> None:
    return None


def _as_said(_: Trouble, data: bytes) -> Said:
    return [(0.0, data)]


def _as_heard(_: Trouble, data: bytes) -> bytes:
    return data


@dataclass(frozen=True)
class Kind:
    """One kind of trouble.

    begin: done to the printer at the moment. said and heard: what becomes of bytes from and to
    the board from then on. cable_pulled: the open line dies; another can be opened unless the kind
    is not reachable either: then no command gets to the heater any more.
    """

    name: str
    what: str
    begin: Callable[[Trouble], None] = _nothing
    said: Callable[[Trouble, bytes], Said] = _as_said
    heard: Callable[[Trouble, bytes], bytes] = _as_heard
    cable_pulled: bool = False
    reachable: bool = True


def _say(text: str) -> Callable[[Trouble], None]:
    return lambda trouble: trouble.printer.say(text)


def _sensor(how: SensorState, value_C: float = 0.0) -> Callable[[Trouble], None]:
    return lambda trouble: trouble.printer.rig.break_sensor(how, value_C)


def _heater(how: HeaterState) -> Callable[[Trouble], None]:
    return lambda trouble: trouble.printer.rig.break_heater(how)


def _lock(fault: FaultCode) -> Callable[[Trouble], None]:
    return lambda trouble: trouble.printer.lock(fault)


def _reboot_silently(trouble: Trouble) -> None:
    trouble.printer.reboot(announce=False)


def _lose_setpoint(trouble: Trouble) -> None:
    trouble.printer.rig.set_target(0.0)


def _raise_setpoint(trouble: Trouble) -> None:
    printer = trouble.printer
    printer.rig.set_target(min(printer.target_C + 30.0, printer.spec.max_temperature_C - 20.0))


def _hang(duration_s: float) -> Callable[[Trouble], None]:
    return lambda trouble: trouble.printer.hang(duration_s)


def _busy(trouble: Trouble) -> None:
    trouble.printer.wait_until(lambda: False, lambda: "echo:busy: working", 2.0)


def _splice(piece: bytes, chance: float = 0.3) -> Callable[[Trouble, bytes], Said]:
    """Insert `piece` at random places of what is said."""

    def said(trouble: Trouble, data: bytes) -> Said:
        if trouble.random.random() > chance:
            return [(0.0, data)]
        place = int(trouble.random.integers(0, len(data) + 1))
        return [(0.0, data[:place] + piece + data[place:])]

    return said


def _noise(trouble: Trouble, data: bytes) -> Said:
    """Replace some bytes at random."""
    raw = np.frombuffer(data, dtype=np.uint8).copy()
    hit = trouble.random.random(raw.size) < 0.02
    raw[hit] = trouble.random.integers(0, 256, int(hit.sum()))
    return [(0.0, raw.tobytes())]


def _dribble(_: Trouble, data: bytes) -> Said:
    return [(0.004 * i, data[i : i + 1]) for i in range(len(data))]


def _merge(trouble: Trouble, data: bytes) -> Said:
    """Lose some line ends."""
    lost = trouble.random.random() < 0.2
    return [(0.0, data.replace(b"\n", b"") if lost else data)]


def _withhold(trouble: Trouble, data: bytes) -> Said:
    """Keep every other piece back until the next one has gone out first."""
    kept = trouble.memory.pop("kept", None)
    if kept is None:
        trouble.memory["kept"] = data
        return []
    return [(0.0, data + kept)]


def _lines(change: Callable[[Trouble, bytes], bytes]) -> Callable[[Trouble, bytes], Said]:
    """Apply `change` to every line said."""

    def said(trouble: Trouble, data: bytes) -> Said:
        return [(0.0, b"".join(change(trouble, line) for line in data.splitlines(keepends=True)))]

    return said


def _drop_one_ok(trouble: Trouble, line: bytes) -> bytes:
    return b"" if line.startswith(b"ok") and trouble.once() else line


def _drop_some_ok(trouble: Trouble, line: bytes) -> bytes:
    return b"" if line.startswith(b"ok") and trouble.random.random() < 0.1 else line


def _double_ok(_: Trouble, line: bytes) -> bytes:
    return line + b"ok\n" if line.startswith(b"ok") else line


def _double_line(_: Trouble, line: bytes) -> bytes:
    return line + line


def _hide_reports(_: Trouble, line: bytes) -> bytes:
    if b"T:" not in line:
        return line
    return b"ok\n" if line.startswith(b"ok") else b""


def _truncate_reports(_: Trouble, line: bytes) -> bytes:
    place = line.find(b"T:")
    return line if place < 0 else line[: place + 4] + b"\n"


def _garble_reports(trouble: Trouble, line: bytes) -> bytes:
    if trouble.random.random() < 0.3:
        return line.replace(b".", b" ").replace(b"/", b"\xff")
    return line


def _windows_ends(_: Trouble, line: bytes) -> bytes:
    return line.replace(b"\n", b"\r\n")


def _upper_noise(_: Trouble, line: bytes) -> bytes:
    return b"\xfe\xff\x80 " + line


def _delay(delay_s: float) -> Callable[[Trouble, bytes], Said]:
    return lambda _, data: [(delay_s, data)]


def _vanish(_: Trouble, __: bytes) -> Said:
    return []


def _flood(trouble: Trouble, data: bytes) -> Said:
    """A line of 200 kB without an end, once."""
    return [(0.0, (b"x" * 200_000 if trouble.once() else b"") + data)]


def _corrupt_commands(trouble: Trouble, data: bytes) -> bytes:
    """Flip one bit of a command now and then; only a checksum reveals it."""
    if trouble.random.random() > 0.2 or len(data) < 2:
        return data
    raw = bytearray(data)
    raw[int(trouble.random.integers(0, len(raw) - 1))] ^= 1
    return bytes(raw)


def _echo_commands(trouble: Trouble, data: bytes) -> bytes:
    for line in data.decode("ascii", "replace").splitlines():
        trouble.printer.say("echo:" + line.replace("\ufffd", "?"))
    return data


def _lose_commands(trouble: Trouble, data: bytes) -> bytes:
    return b"" if trouble.random.random() < 0.1 else data


def _resend_storm(trouble: Trouble, data: bytes) -> bytes:
    trouble.printer.say("Resend: 1")
    return data


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("cable cut", "the cable is gone for good", cable_pulled=True, reachable=False),
        Kind("cable pulled", "the cable is gone, a new line can be opened", cable_pulled=True),
        Kind("reboot", "the board restarts", lambda trouble: trouble.printer.reboot()),
        Kind("silent reboot", "the board restarts without a banner", _reboot_silently),
        Kind("banner", "a start banner without a restart", _say("start")),
        Kind("short stall", "no reply for 3 s", _hang(3.0)),
        Kind("long stall", "no reply for 60 s", _hang(60.0)),
        Kind("dead board", "no reply ever again", _hang(math.inf), reachable=False),
        Kind("mute", "nothing the board says arrives", said=_vanish),
        Kind("busy", "busy messages until M108 or M112", _busy),
        Kind("emergency stop", "someone stopped the board", _lock(FaultCode.STOPPED)),
        Kind("tracking fault", "the board locks its heater", _lock(FaultCode.TRACKING)),
        Kind("runaway fault", "the board locks its heater", _lock(FaultCode.RUNAWAY)),
        Kind("strange fault", "a fault line of unknown wording", _say(STRANGE_FAULT)),
        Kind("harmless error", "an error line about something else", _say(HARMLESS_FAULT)),
        Kind("sensor open", "the sensor's wire breaks", _sensor(SensorState.OPEN)),
        Kind("sensor short", "the sensor is shorted", _sensor(SensorState.SHORT)),
        Kind("sensor frozen", "the reading never changes", _sensor(SensorState.FROZEN)),
        Kind("sensor jump", "60 K too high from now on", _sensor(SensorState.SHIFTED, 60.0)),
        Kind("sensor slips", "60 K too low from now on", _sensor(SensorState.SHIFTED, -60.0)),
        Kind("heater stuck on", "full power whatever is asked", _heater(HeaterState.STUCK_ON)),
        Kind("heater dead", "no power whatever is asked", _heater(HeaterState.DEAD)),
        Kind("setpoint lost", "the board forgets its setpoint", _lose_setpoint),
        Kind("setpoint raised", "the setpoint rises by 30 K unasked", _raise_setpoint),
        Kind("garbage", "random bytes replaced", said=_noise),
        Kind("nul bytes", "NULs inside lines", said=_splice(b"\0\0\0")),
        Kind("high bytes", "lines begin with bytes above 127", said=_lines(_upper_noise)),
        Kind("split lines", "one byte at a time", said=_dribble),
        Kind("merged lines", "some line ends are lost", said=_merge),
        Kind("swapped replies", "replies in the wrong order", said=_withhold),
        Kind("slow replies", "every reply 2 s late", said=_delay(2.0)),
        Kind("one ok lost", "one acknowledgement is lost", said=_lines(_drop_one_ok)),
        Kind("some ok lost", "one in ten acknowledgements is lost", said=_lines(_drop_some_ok)),
        Kind("double ok", "every acknowledgement twice", said=_lines(_double_ok)),
        Kind("double lines", "every line twice", said=_lines(_double_line)),
        Kind("windows line ends", "CR LF", said=_lines(_windows_ends)),
        Kind("endless line", "200 kB without a line end", said=_flood),
        Kind("no reports", "temperatures are missing from replies", said=_lines(_hide_reports)),
        Kind("cut reports", "reports end after a few digits", said=_lines(_truncate_reports)),
        Kind("garbled reports", "digits and slashes spoiled", said=_lines(_garble_reports)),
        Kind("bits flipped", "one command in five corrupted", heard=_corrupt_commands),
        Kind("commands lost", "one command in ten is lost", heard=_lose_commands),
        Kind("echo", "the board repeats every command", heard=_echo_commands),
        Kind("resend storm", "line 1 is asked for again and again", heard=_resend_storm),
    )
}


def kind_named(name: str) -> Kind:
    """The kind called `name`; BadInput with the nearest name when there is none."""
    if name not in KINDS:
        raise unknown_key(name, KINDS, where="mischief")
    return KINDS[name]


class TroubledPrinter:
    """A simulated printer (a `Device`) to which one kind of trouble happens at `at_s`.

    Works behind the virtual transport and behind `serve.Server`. The printer itself stays
    reachable as `printer`, to see what became of its heater.
    """

    def __init__(self, printer: SimulatedPrinter, kind: Kind, at_s: float, seed: int = 0) -> None:
        self.printer, self.kind, self.at_s = printer, kind, at_s
        self._trouble = Trouble(printer, np.random.default_rng([seed, 4]))
        self._begun = False
        self._plugged = True
        self._held: deque[tuple[float, bytes]] = deque()

    @property
    def now_s(self) -> float:
        """Board seconds since power-on."""
        return self.printer.now_s

    @property
    def begun(self) -> bool:
        """Whether the trouble has happened."""
        return self._begun

    def transport(self) -> VirtualTransport:
        """A new line; LinkLost when the cable was cut."""
        if not self._plugged and not self.kind.reachable:
            raise LinkLost("no such port")
        self._plugged = True
        return VirtualTransport(self, f"virtual:{self.printer.spec.name}")

    def receive(self, data: bytes, at_s: float) -> None:
        """Bytes on their way to the board; raises LinkLost without a cable."""
        self._check_cable()
        arrived = self.kind.heard(self._trouble, data) if self._begun else data
        if arrived:
            self.printer.receive(arrived, at_s)

    def next_event_s(self) -> float:
        """When something happens next."""
        held_s = self._held[0][0] if self._held else math.inf
        return min(self.printer.next_event_s(), held_s, math.inf if self._begun else self.at_s)

    def step(self, until_s: float) -> bytes:
        """Let time pass until something arrives or `until_s`; raises LinkLost without a cable."""
        self._check_cable()
        while True:
            arrived = self._arrived()
            if arrived or (self.now_s >= until_s and not self._begins()):
                return arrived
            self._begin_if_due()
            self._check_cable()
            limits_s = [until_s] if self._begun else [until_s, self.at_s]
            limits_s += [self._held[0][0]] if self._held else []
            said = self.printer.step(max(min(limits_s), self.now_s))
            self._hold(said)
            if not said and self.now_s >= until_s and not self._begins():
                return self._arrived()

    def _begins(self) -> bool:
        return not self._begun and self.now_s >= self.at_s

    def _begin_if_due(self) -> None:
        if self._begins():
            self._begun = True
            self._plugged = not self.kind.cable_pulled
            self.kind.begin(self._trouble)

    def _hold(self, said: bytes) -> None:
        if not said:
            return
        pieces = self.kind.said(self._trouble, said) if self._begun else [(0.0, said)]
        for delay_s, piece in pieces:
            due_s = self.now_s + delay_s
            if self._held:
                due_s = max(due_s, self._held[-1][0])
            self._held.append((due_s, piece))

    def _arrived(self) -> bytes:
        arrived = b""
        while self._held and self._held[0][0] <= self.now_s:
            arrived += self._held.popleft()[1]
        return arrived

    def _check_cable(self) -> None:
        if not self._plugged:
            raise LinkLost("the cable is gone")
