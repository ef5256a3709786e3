"""One test at a time in a worker thread, for whoever shows it: samples, state, stop, weighing."""

import atexit
import math
import threading
from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Literal

from hotbench.bench.advice import advice_for
from hotbench.bench.connecting import check_printer, connected
from hotbench.bench.pacing import PacedTransport
from hotbench.bench.preparing import Setup, next_folder
from hotbench.bench.recording import RecordingEnded, record
from hotbench.bench.weighing import AskingScale, grams
from hotbench.core.errors import BadInput, HotbenchError, Stopped
from hotbench.core.ports import Scale
from hotbench.core.records import Event, Extrusion, Sample
from hotbench.procedures.extrusions import LaterScale
from hotbench.procedures.plan import Plan
from hotbench.procedures.procedure import Procedure

State = Literal["idle", "checking", "running", "stopping", "done", "stopped", "fell short"]
Weighing = Literal["by itself", "by hand", "later"]
COLUMNS = ("time_s", "temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s")
ACTIVE = frozenset({"checking", "running", "stopping"})
JOIN_s = 5.0
"""How long a closing kernel waits for the worker to switch the heater off."""


@dataclass(frozen=True, kw_only=True)
class Request(Setup):
    """What a person chose. speed: board seconds per second on a simulated printer, 0 unpaced."""

    test: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    weighing: Weighing = "by itself"
    speed: float = 1.0

    def procedure(self, scale: Scale | None = None) -> Procedure:
        """The test; BadInput names a wrong option or a plan beyond the temperature limit."""
        return self.prepare(self.test, self.settings, scale)

    def plan(self) -> Plan:
        """What will happen."""
        return self.plan_of(self.procedure())


@dataclass(frozen=True, kw_only=True)
class Status:
    """What a person sees beside the chart. message: one line; advice: what to do next.

    question: what the test waits to be told, empty when it waits for nothing. profile: the file
    that the watch holds the test against. Times are board seconds; remaining_s is NaN when
    nothing runs.
    """

    state: State = "idle"
    test: str = ""
    folder: str = ""
    phase: str = ""
    elapsed_s: float = 0.0
    remaining_s: float = math.nan
    message: str = "Choose a test and read its plan."
    advice: str = ""
    question: str = ""
    extrusions: tuple[Extrusion, ...] = ()
    profile: str = ""
    findings: tuple[tuple[str, str], ...] = ()

    @property
    def active(self) -> bool:
        """Whether a worker is busy with the printer."""
        return self.state in ACTIVE


class Columns:
    """Samples as columns that grow; implements `core.ports.Observer` by way of its owner."""

    def __init__(self) -> None:
        self._columns = [array("d") for _ in COLUMNS]

    def __len__(self) -> int:
        return len(self._columns[-1])

    def append(self, sample: Sample) -> None:
        """One more row."""
        for column, name in zip(self._columns, COLUMNS, strict=True):
            column.append(getattr(sample, name))

    def since(self, first: int) -> list["array[float]"]:
        """All columns from row `first` on, of equal length."""
        past = len(self)
        return [column[first:past] for column in self._columns]


class Session:
    """The bench of one folder of runs: at most one test or check at a time.

    Safe to call from any thread. Closing it, as the end of the process does, stops a running test
    and waits until the heater is off.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._status = Status()
        self._columns = Columns()
        self._answers: SimpleQueue[str] = SimpleQueue()
        self._worker: threading.Thread | None = None
        self._last_note = ""
        self._duration_s = math.nan

    @property
    def status(self) -> Status:
        """A snapshot."""
        with self._lock:
            return self._status

    def samples(self, first: int = 0) -> list["array[float]"]:
        """Columns of the newest test from row `first` on, in the order of COLUMNS."""
        with self._lock:
            return self._columns.since(first)

    def start(self, request: Request) -> Path:
        """Begin a test and hand back its run folder. BadInput when busy or when refused."""
        scale = self._scale(request)
        procedure = request.procedure(scale)
        folder = next_folder(self.root, request.test)
        status = Status(
            state="running",
            test=request.test,
            folder=str(folder),
            message=f"Recording into {folder.name}.",
            profile=str(request.machine_profile or ""),
        )
        duration_s = request.plan_of(procedure).duration_s
        self._begin(status, lambda: self._record(request, procedure, folder), duration_s)
        return folder

    def check(self, request: Request) -> None:
        """Begin the connection check; it warms the hot end by a few kelvin."""
        status = Status(state="checking", message="Checking the connection; warming a little.")
        self._begin(status, lambda: self._check(request))

    def stop(self) -> None:
        """Ask for the end; the heater goes off first. Calling it again does no harm."""
        self._stop.set()
        with self._lock:
            if self._status.state in ("running", "checking"):
                self._set(state="stopping", message="Stopping: heater off first.", question="")

    def weigh(self, text: str) -> None:
        """Answer the question for a mass; empty text leaves it for later. BadInput if no mass."""
        try:
            grams(text) if text.strip() else None
        except ValueError as error:
            raise BadInput("not a mass in grams", where="mass", value=text) from error
        with self._lock:
            if self._status.question:
                self._set(question="")
                self._answers.put(text)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait for the worker's end; False when it is still busy."""
        worker = self._worker
        if worker is not None:
            worker.join(timeout_s)
        return worker is None or not worker.is_alive()

    def close(self) -> None:
        """Stop whatever runs and wait until the heater is off."""
        self.stop()
        self.wait(JOIN_s)

    # observer of the run, called from the worker

    def on_sample(self, sample: Sample) -> None:
        """Keep it and move the clock."""
        left_s = max(self._duration_s - sample.time_s, 0.0)
        with self._lock:
            self._columns.append(sample)
            self._set(elapsed_s=sample.time_s, remaining_s=left_s, phase=sample.phase)

    def on_event(self, event: Event) -> None:
        """Faults and notes are shown at once; the last note tells how the heater went off."""
        with self._lock:
            if event.kind == "fault":
                self._set(message=f"The board reports: {event.text}")
            if event.kind == "note":
                self._last_note = event.text
                self._set(message=_sentence(event.text))

    def on_extrusion(self, extrusion: Extrusion) -> None:
        """One more row of the weighing form."""
        with self._lock:
            self._set(extrusions=(*self._status.extrusions, extrusion))

    # inside

    def _begin(
        self, status: Status, work: Callable[[], None], duration_s: float = math.nan
    ) -> None:
        with self._lock:
            if self._worker is not None and self._worker.is_alive():
                raise BadInput("the bench is busy", remedy="stop the running test first")
            self._stop.clear()
            self._answers = SimpleQueue()
            self._columns, self._status, self._last_note = Columns(), status, ""
            self._duration_s = duration_s
            self._worker = threading.Thread(
                target=self._work, args=(work,), name="hotbench worker", daemon=True
            )
            self._worker.start()

    def _work(self, work: Callable[[], None]) -> None:
        try:
            work()
        except HotbenchError as error:
            cause = _cause(error)
            state: State = "stopped" if isinstance(cause, Stopped) else "fell short"
            self._end(state, _sentence(cause), advice_for(error))
        except Exception as error:  # noqa: BLE001 - shown to the person; the runner made it safe
            self._end("fell short", f"Unexpected: {error!r}", advice_for(error))

    def _record(self, request: Request, procedure: Procedure, folder: Path) -> None:
        link = request.link(seed=_number(folder))
        with connected(link) as line:
            if link.simulated and request.speed > 0.0:
                line = replace(line, transport=PacedTransport(line.transport, request.speed))
            record(
                procedure,
                line,
                link,
                folder,
                request.about(),
                stop=self._stop.is_set,
                observers=(self,),
            )
        self._end("done", f"Complete: {len(self._columns)} readings in {folder.name}.", "")

    def _check(self, request: Request) -> None:
        result = check_printer(request.link(), _agreed, self._stop.is_set)
        rows = tuple(
            (row[0], row[-1]) for table in result.tables() for row in table.rows if any(row)
        )
        passed = result.shortfall is None
        said = "Check passed." if passed else f"Check failed: {result.shortfall}."
        self._end("done" if passed else "fell short", said, "" if passed else CHECK_ADVICE)
        with self._lock:
            self._set(findings=rows)

    def _scale(self, request: Request) -> Scale | None:
        if request.test != "extrude" or request.weighing == "by itself":
            return None
        return LaterScale() if request.weighing == "later" else AskingScale(self._asked)

    def _asked(self, question: str) -> str:
        with self._lock:
            answers = self._answers
            self._set(question=question)
        return answers.get()

    def _end(self, state: State, message: str, advice: str) -> None:
        with self._lock:
            said = f"{message} {self._last_note.capitalize()}." if self._last_note else message
            self._set(state=state, message=said, advice=advice, question="", remaining_s=math.nan)
            self._answers.put("")

    def _set(self, **changes: Any) -> None:
        self._status = replace(self._status, **changes)


CHECK_ADVICE = "Do not start a test. See to sensor, heater and wiring, then check again."
_SESSIONS: dict[Path, Session] = {}
_SESSIONS_LOCK = threading.Lock()


def session_for(root: Path) -> Session:
    """The one session of a folder in this process, so that a new panel finds a running test."""
    key = Path(root).resolve()
    with _SESSIONS_LOCK:
        if key not in _SESSIONS:
            _SESSIONS[key] = Session(Path(root))
            atexit.register(_SESSIONS[key].close)
        return _SESSIONS[key]


def _agreed(lines: Sequence[str]) -> None:
    """The person pressed the button beside the caution."""


def _number(folder: Path) -> int:
    return int(folder.name.rsplit("-", 1)[1])


def _cause(error: HotbenchError) -> BaseException:
    """What ended a recording, without what was added about the folder."""
    if isinstance(error, RecordingEnded) and error.__cause__ is not None:
        return error.__cause__
    return error


def _sentence(said: BaseException | str) -> str:
    text = str(said)
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
