"""A scripted board in virtual time, and an observer that keeps everything."""

import heapq
import re
from collections import deque
from collections.abc import Callable, Iterator

import pytest

from hotbench.core.errors import LinkLost
from hotbench.core.records import Event, EventKind, Extrusion, Sample
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig

LATENCY_s = 0.004


class ScriptedBoard:
    """Implements `core.ports.Transport`: replies to expected commands, in virtual time.

    Commands in `expect` come in that order with the replies given there; all others are answered
    by habit. An answer arrives half a round trip after the command did.
    """

    def __init__(self) -> None:
        self.name = "scripted"
        self.time_s = 100.0
        self.temperature_C, self.setpoint_C, self.duty = 25.0, 0.0, "@:0"
        self.identity = "FIRMWARE_NAME:scripted"
        self.lines: list[str] = []
        self.written: list[bytes] = []
        self.dead_from_s = float("inf")
        self.closed = False
        self._expected: deque[tuple[str, str, float]] = deque()
        self._said: list[tuple[float, int, bytes]] = []

    def expect(self, command: str, reply: str, delay_s: float = 0.0) -> None:
        self._expected.append((command, reply, delay_s))

    def say(self, text: str, after_s: float = 0.0) -> None:
        self.say_bytes(text.encode() + b"\n", after_s)

    def say_bytes(self, data: bytes, after_s: float = 0.0) -> None:
        heapq.heappush(self._said, (self.time_s + after_s, len(self._said), data))

    def leftovers(self) -> list[str]:
        return [command for command, _, _ in self._expected]

    def now_s(self) -> float:
        return self.time_s

    def write(self, data: bytes) -> None:
        self._check()
        self.written.append(data)
        for line in filter(None, data.decode().split("\n")):
            text = re.sub(r"^N\d+ (.*)\*\d+$", r"\1", line)
            self.lines.append(text)
            self._answer(text)

    def read(self, deadline_s: float) -> bytes:
        self._check()
        due_s = min(self._said[0][0] if self._said else float("inf"), self.dead_from_s)
        self.time_s = max(self.time_s, min(due_s, deadline_s))
        self._check()
        data = b""
        while self._said and self._said[0][0] <= self.time_s:
            data += heapq.heappop(self._said)[2]
        return data

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self.time_s >= self.dead_from_s:
            raise LinkLost("the cable is gone")

    def _answer(self, text: str) -> None:
        reply, delay_s = self._habit(text), 0.0
        if self._expected and self._expected[0][0] == text:
            _, reply, delay_s = self._expected.popleft()
        if reply:
            self.say(reply, LATENCY_s + delay_s)

    def _habit(self, text: str) -> str:
        setpoint = re.match(r"M104 .*S([\d.]+)", text)
        if setpoint:
            self.setpoint_C = float(setpoint[1])
        if text == "M115":
            return f"{self.identity}\nok"
        return "ok " + self.report() if text == "M105" else "ok"

    def report(self) -> str:
        return f"T:{self.temperature_C:.1f} /{self.setpoint_C:.1f} {self.duty}".strip()


class Recorder:
    """Keeps everything; `fail` is raised from then on instead."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.events: list[Event] = []
        self.extrusions: list[Extrusion] = []
        self.fail: Exception | None = None

    def on_sample(self, sample: Sample) -> None:
        self._maybe_fail()
        self.samples.append(sample)

    def on_event(self, event: Event) -> None:
        self._maybe_fail()
        self.events.append(event)

    def on_extrusion(self, extrusion: Extrusion) -> None:
        self.extrusions.append(extrusion)

    def texts(self, kind: EventKind) -> list[str]:
        return [event.text for event in self.events if event.kind == kind]

    def _maybe_fail(self) -> None:
        if self.fail:
            raise self.fail


@pytest.fixture
def board() -> Iterator[ScriptedBoard]:
    scripted = ScriptedBoard()
    yield scripted
    assert not scripted.leftovers()


@pytest.fixture
def recorder() -> Recorder:
    return Recorder()


@pytest.fixture
def connect(board: ScriptedBoard, recorder: Recorder) -> Callable[..., Printer]:
    """A connected printer on the scripted board; keywords are those of LinkConfig."""

    def make(stop: Callable[[], bool] | None = None, **settings: object) -> Printer:
        printer = Printer(board, [recorder], LinkConfig(**settings), stop)  # type: ignore[arg-type]
        printer.identify()
        return printer

    return make
