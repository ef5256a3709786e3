"""The simulated printer: a control board that speaks G-code around the hot end's rig."""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hotbench.sim import answers
from hotbench.sim.firmware import Firmware
from hotbench.sim.loop import FaultCode, Mode
from hotbench.sim.pan import Pan
from hotbench.sim.planner import Planner
from hotbench.sim.printers import PrinterSpec
from hotbench.sim.rig import Rig
from hotbench.sim.transport import VirtualTransport

LONGEST_LINE = 256
WAIT_CHECK_s = 0.05
BOOT_s = 0.5
STOP = b"M112"
URGENT = (STOP, b"M108")


@dataclass(slots=True)
class Wait:
    """Why the board does not take the next line, and what it prints meanwhile."""

    done: Callable[[], bool]
    say: Callable[[], str]
    every_s: float
    check_at_s: float
    say_at_s: float


class SimulatedPrinter:
    """Hot end, control board and line. Time passes only in `step`.

    commands keeps (board seconds, line) of every line that was carried out.
    """

    def __init__(self, spec: PrinterSpec, seed: int = 0, *, time_scale: float = 1.0) -> None:
        self.spec = spec
        self.time_scale = time_scale
        self.rig = Rig(spec, seed)
        self.planner = Planner(spec.planner_moves)
        density_g_per_mm3 = spec.filament_density_kg_per_m3 * 1e-6
        self.scale = Pan(
            lambda: self.rig.delivered_mm3, density_g_per_mm3, spec.weighing_noise, seed
        )
        self.commands: list[tuple[float, str]] = []
        self.fan = 0.0
        self.report_every_s = 0.0
        self._random = np.random.default_rng([seed, 3])
        self._now_s = 0.0
        self._firmware = Firmware(self)
        self._partial = b""
        self._inbox: deque[tuple[float, bytes]] = deque()
        self._urgent: deque[tuple[float, bytes]] = deque()
        self._outbox: deque[tuple[float, bytes]] = deque()
        self._report_at_s = math.inf
        self._wait: Wait | None = None
        self._silent_until_s = BOOT_s
        self.say(answers.BANNER, at_s=BOOT_s)

    @property
    def now_s(self) -> float:
        """Board seconds since power-on."""
        return self._now_s

    @property
    def target_C(self) -> float:
        """The heater's setpoint, 0 when off or locked."""
        return self.rig.target_C

    @property
    def faulted(self) -> bool:
        """Whether the heater is locked."""
        return self.rig.mode is Mode.FAULTED

    def transport(self) -> VirtualTransport:
        """A line to this printer in virtual time."""
        return VirtualTransport(self, f"virtual:{self.spec.name}")

    def receive(self, data: bytes, at_s: float) -> None:
        """Bytes reach the board at `at_s` (board seconds)."""
        *lines, rest = (self._partial + data).replace(b"\r", b"\n").split(b"\n")
        self._partial = rest[:LONGEST_LINE]
        for line in lines:
            if line.strip():
                self._take_in(max(at_s, self._now_s), line[:LONGEST_LINE])

    def _take_in(self, at_s: float, line: bytes) -> None:
        """Queue a line; an urgent one also acts at once, ahead of the queue."""
        self._inbox.append((at_s, line))
        self._urgent.extend((at_s, code) for code in URGENT if code in line)

    def step(self, until_s: float) -> bytes:
        """Let time pass until the board has said something or `until_s` is reached."""
        while True:
            said = self._due_output()
            if said:
                return said
            next_s = max(min(until_s, self.next_event_s()), self._now_s)
            if not self._pass_time(next_s):
                self._announce_fault()
            elif not self._handle_due() and next_s >= until_s:
                return self._due_output()

    def next_event_s(self) -> float:
        """When something happens next if nothing more is received; inf when nothing will."""
        awake_s = [self._report_at_s]
        if self._urgent:
            awake_s.append(self._urgent[0][0])
        if self._wait:
            awake_s += [self._wait.check_at_s, self._wait.say_at_s]
        elif self._inbox:
            awake_s.append(self._inbox[0][0])
        said_s = self._outbox[0][0] if self._outbox else math.inf
        return min(said_s, max(min(awake_s), self._silent_until_s))

    def say(self, text: str, at_s: float | None = None) -> None:
        """Print a line; it reaches the other side after the line's latency and jitter."""
        low, high = self.spec.reply_latency_s
        delay_s = self._random.uniform(low, high) + self._random.uniform(0.0, self.spec.jitter_s)
        due_s = (self._now_s if at_s is None else at_s) + delay_s
        if self._outbox:
            due_s = max(due_s, self._outbox[-1][0])
        self._outbox.append((due_s, text.encode("ascii") + b"\n"))

    def temperatures(self) -> str:
        """A fresh temperature report."""
        return answers.temperatures(
            self.spec,
            self.rig.reading_C(self._now_s),
            self.rig.target_C,
            self.rig.duty,
            self.spec.ambient_C,
        )

    def wait_until(self, done: Callable[[], bool], say: Callable[[], str], every_s: float) -> None:
        """Take no further line until `done`; say something at intervals; then `ok`."""
        now_s = self._now_s
        self._wait = Wait(done, say, every_s, now_s + WAIT_CHECK_s, now_s + every_s)

    def end_wait(self) -> None:
        """Give up what is being waited for."""
        if self._wait:
            self._wait = None
            self.say("ok")

    def auto_report(self, every_s: float) -> None:
        """Print reports at intervals without being asked; 0 ends it."""
        self.report_every_s = max(every_s, self.spec.min_report_interval_s) if every_s > 0 else 0.0
        self._report_at_s = self._now_s + every_s if every_s > 0 else math.inf

    def add_move(self, duration_s: float, flow_mm3_per_s: float) -> None:
        """Queue a move; a flow after a pause starts a new extrusion on the pan."""
        if self.planner.empty and flow_mm3_per_s > 0.0:
            self.scale.begin_extrusion()
        self.planner.add(self._now_s, duration_s, flow_mm3_per_s)
        self.rig.set_flow(self.planner.flow_mm3_per_s)

    def stop_moves(self) -> None:
        """Forget all queued moves."""
        self.planner.clear()
        self.rig.set_flow(0.0)

    def lock(self, fault: FaultCode) -> None:
        """Fault the board and announce it."""
        self.rig.lock(fault)
        self._announce_fault()

    def reboot(self, *, announce: bool = True) -> None:
        """Restart the board: everything it was told is forgotten, the hot end keeps its heat."""
        self.rig.unlock()
        self.stop_moves()
        self.fan = 0.0
        self.rig.set_fan(0.0)
        self._firmware = Firmware(self)
        self._inbox.clear()
        self._urgent.clear()
        self._outbox.clear()
        self._partial, self._wait = b"", None
        self.auto_report(0.0)
        self.hang(BOOT_s)
        if announce:
            self.say(answers.BANNER, at_s=self._now_s + BOOT_s)

    def hang(self, duration_s: float) -> None:
        """Neither read lines nor report for a while; the control loop runs on."""
        self._silent_until_s = self._now_s + duration_s

    def _due_output(self) -> bytes:
        due = b""
        while self._outbox and self._outbox[0][0] <= self._now_s:
            due += self._outbox.popleft()[1]
        return due

    def _pass_time(self, until_s: float) -> bool:
        """Advance rig and moves to `until_s`; False when the board faulted on the way."""
        while self.planner.next_change_s() <= until_s:
            change_s = self.planner.next_change_s()
            if not self._run_rig(change_s):
                return False
            self.planner.catch_up(change_s)
            self.rig.set_flow(self.planner.flow_mm3_per_s)
        return self._run_rig(until_s)

    def _run_rig(self, until_s: float) -> bool:
        fine = self.rig.run_to(until_s)
        self._now_s = until_s if fine else max(self._now_s, self.rig.now_s)
        return fine

    def _announce_fault(self) -> None:
        self.rig.lock(self.rig.fault)
        self.stop_moves()
        self.say(answers.fault_line(self.rig.fault))

    def _handle_due(self) -> bool:
        """Carry out what is due now; True when anything was."""
        if self._now_s < self._silent_until_s:
            return False
        return self._urgent_due() or self._report_due() or self._wait_due() or self._line_due()

    def _urgent_due(self) -> bool:
        if not self._urgent or self._urgent[0][0] > self._now_s:
            return False
        _, code = self._urgent.popleft()
        self.end_wait()
        if code == STOP:
            self.lock(FaultCode.STOPPED)
        return True

    def _report_due(self) -> bool:
        if self._now_s < self._report_at_s:
            return False
        self._report_at_s = max(self._report_at_s + self.report_every_s, self._now_s)
        self.say(self.temperatures())
        return True

    def _wait_due(self) -> bool:
        wait = self._wait
        if wait is None or self._now_s < min(wait.check_at_s, wait.say_at_s):
            return False
        if wait.done():
            self.end_wait()
            return True
        if self._now_s >= wait.say_at_s:
            wait.say_at_s = max(wait.say_at_s + wait.every_s, self._now_s)
            self.say(wait.say())
        wait.check_at_s = self._now_s + WAIT_CHECK_s
        return True

    def _line_due(self) -> bool:
        if self._wait or not self._inbox or self._inbox[0][0] > self._now_s:
            return False
        self._firmware.execute(self._inbox.popleft()[1])
        return True
