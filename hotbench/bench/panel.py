"""The bench panel: choose, read the plan, start, watch and stop a test in a notebook."""

import math
import threading
from array import array
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import anywidget
import traitlets

from hotbench.bench.lab import RUNS
from hotbench.bench.panel_entries import MEASURES, EntryForm
from hotbench.bench.panel_forms import catalogue, port_choices, settings_from, yaml_files
from hotbench.bench.panel_prediction import Predictor, predictor_from
from hotbench.bench.panel_stored import Stored
from hotbench.bench.plain import plain
from hotbench.bench.session import Request, Session, session_for
from hotbench.core.errors import BadInput, HotbenchError
from hotbench.core.records import Run
from hotbench.procedures.plan import ASSUMED
from hotbench.store.checking import RunEntry, list_runs, recover
from hotbench.store.reader import read_run

STATIC = Path(__file__).parent / "static"
PUSH_s = 0.25
"""Between two batches of readings: a frame costs a full page far more than what it draws."""
SELDOM = 4
"""Pushes between two predictions."""
NEW, OLD = "samples", "history"
DRAWN = 5
"""The first columns of a session: what the page draws."""


class BenchPanel(anywidget.AnyWidget):
    """The bench in a cell: `BenchPanel()`.

    port, machine, profile: in the form at first, the latter two as paths of YAML files. folder:
    where runs are kept; panels of one folder share one bench. A test with a profile is ended when
    it leaves what the profile predicts; without one, the prediction of machine.yaml in the folder
    is drawn and nothing else.
    """

    _esm = STATIC / "panel.js"
    _css = STATIC / "panel.css"
    port = traitlets.Unicode("sim:swift-sleeve").tag(sync=True)
    files = traitlets.Dict().tag(sync=True)
    catalogue: traitlets.List[Any] = traitlets.List().tag(sync=True)
    ports: traitlets.List[Any] = traitlets.List().tag(sync=True)
    plan = traitlets.Dict().tag(sync=True)
    status = traitlets.Dict().tag(sync=True)
    runs: traitlets.List[Any] = traitlets.List().tag(sync=True)
    entries = traitlets.Dict().tag(sync=True)
    notice = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self,
        port: str = "sim:swift-sleeve",
        folder: Path | str = RUNS,
        machine: Path | str = "",
        profile: Path | str = "",
    ) -> None:
        self.session: Session = session_for(Path(folder))
        self._entry_form: EntryForm | None = None
        self._predictor: Predictor | None = None
        self._kept: Any = None
        self._sent, self._pushes, self._predicted = 0, 0, 0
        self._pushing = threading.Lock()
        self._pusher: threading.Thread | None = None
        known = yaml_files(Path(), self.session.root)
        files = {"machine": str(machine), "profile": str(profile), "known": known}
        super().__init__(port=port, files=files, catalogue=catalogue(), ports=port_choices())
        hear_beside_cells(self.comm)
        self.on_msg(self._on_message)
        self._show_status()
        self._show_runs()
        if self.session.status.active:
            self._watch()

    def _ipython_display_(self) -> None:
        """The panel, and below it what the notebook keeps of it."""
        from IPython.display import display

        data, about = self._repr_mimebundle_() or ({}, {})
        display(data, metadata=about, raw=True)  # type: ignore[no-untyped-call]
        self._kept = display(self._stored(), display_id=True)  # type: ignore[no-untyped-call]

    def __repr__(self) -> str:
        return f"BenchPanel(port={self.port!r}, folder={str(self.session.root)!r})"

    # what the page asks for

    def _on_message(self, _: Any, content: Mapping[str, Any], buffers: Any) -> None:
        """One request of the page; whatever is wrong with it becomes a notice."""
        del buffers
        wishes: dict[str, Callable[[Mapping[str, Any]], None]] = {
            "plan": self._wish_plan,
            "start": self._wish_start,
            "check": self._wish_check,
            "stop": self._wish_stop,
            "weigh": self._wish_weigh,
            "open": self._wish_open,
            "mend": self._wish_mend,
            "entries": self._wish_entries,
            "enter": self._wish_enter,
            "history": self._wish_history,
        }
        try:
            wishes[str(content["kind"])](content)
            self.notice = ""
        except HotbenchError as error:
            self.notice = str(error)
        self.send({"kind": "heard"})

    def _wish_plan(self, content: Mapping[str, Any]) -> None:
        try:
            plan = _request(content).plan()
        except BadInput as error:
            self.plan = {"error": str(error)}
            return
        steps = [line for line in plan.lines[:-1] if line != ASSUMED]
        remark = ASSUMED if ASSUMED in plan.lines else ""
        self.plan = {**plain(plan), "steps": steps, "remark": remark, "minutes": plan.minutes}

    def _wish_start(self, content: Mapping[str, Any]) -> None:
        self.session.start(_request(content))
        self._watch()

    def _wish_check(self, content: Mapping[str, Any]) -> None:
        self.session.check(_request(content))
        self._watch()

    def _wish_stop(self, _: Mapping[str, Any]) -> None:
        self.session.stop()
        self._show_status()

    def _wish_weigh(self, content: Mapping[str, Any]) -> None:
        self.session.weigh(str(content.get("text", "")))
        self._show_status()

    def _wish_open(self, content: Mapping[str, Any]) -> None:
        run = read_run(self._run_folder(content))
        self._hand_over(OLD, 0, run_columns(run), run=run.info.run_id)
        if run.extrusions:
            self._wish_entries(content)

    def _wish_entries(self, content: Mapping[str, Any]) -> None:
        """Open the form for values measured later; a request without a run closes it."""
        if not content.get("run"):
            self._entry_form, self.entries = None, {}
            return
        form = EntryForm(self._run_folder(content), str(content.get("evidence", MEASURES[0])))
        self.entries = form.plain(self.session.root)
        self._entry_form = form

    def _wish_enter(self, content: Mapping[str, Any]) -> None:
        """Something done in that form."""
        form = self._entry_form
        if form is None:
            raise BadInput("no run is open for its weighings")
        number, text = int(content.get("extrusion", 0)), str(content.get("text", ""))
        acts: dict[str, Callable[[], None]] = {
            "enter": lambda: form.enter(number, text),
            "leave out": lambda: form.leave_out(number, text),
            "give back": lambda: form.give_back(number),
            "undo": form.undo,
        }
        acts[str(content.get("act", "enter"))]()
        self.entries = form.plain(self.session.root)

    def _wish_mend(self, content: Mapping[str, Any]) -> None:
        recover(self._run_folder(content))
        self._show_runs()

    def _wish_history(self, _: Mapping[str, Any]) -> None:
        """A page that was loaded anew: everything so far."""
        with self._pushing:
            columns = self.session.samples()
            self._hand_over(NEW, 0, columns)
            self._sent, self._predicted = len(columns[0]), 0
            self._predict(self.session.samples())
        self._show_runs()

    def _run_folder(self, content: Mapping[str, Any]) -> Path:
        return self.session.root / str(content.get("run", ""))

    # what the page is told

    def _watch(self) -> None:
        """Push until the worker is done."""
        known = self.session.status.profile
        root = self.session.root
        self._predictor = predictor_from(Path(known) if known else root / "machine.yaml")
        with self._pushing:
            self._sent, self._pushes, self._predicted = 0, 0, 0
        self._hand_over(NEW, 0, [array("d")] * DRAWN)
        self._show_status()
        self._show_runs()
        if self._pusher is None or not self._pusher.is_alive():
            self._pusher = threading.Thread(target=self._push, name="hotbench panel", daemon=True)
            self._pusher.start()

    def _push(self) -> None:
        while not self.session.wait(PUSH_s):
            self.push()
        self.push(last=True)
        self._show_runs()
        self._show_pending()
        if self._kept is not None:
            self._kept.update(self._stored())

    def push(self, *, last: bool = False) -> None:
        """Send what is new: a batch of samples, the state, now and then the prediction."""
        with self._pushing:
            fresh = self.session.samples(self._sent)
            if len(fresh[0]):
                self._hand_over(NEW, self._sent, fresh)
                self._sent += len(fresh[0])
            self._pushes += 1
            seldom = self._pushes % SELDOM == 0
            if last or seldom:
                self._predict(self.session.samples())
        if self._pushes == SELDOM:
            self._show_runs()  # by now the new run's folder is there
        self._show_status()

    def _predict(self, columns: Sequence["array[float]"]) -> None:
        if self._predictor is None or len(columns[0]) == 0:
            return
        predicted_C = self._predictor.predict(columns)
        head = {"kind": "prediction", "first": self._predicted, "band_K": self._predictor.band_K}
        self.send(head, buffers=[predicted_C[self._predicted :].tobytes()])
        self._predicted = predicted_C.size

    def _hand_over(
        self, kind: str, first: int, columns: Sequence["array[float]"], run: str = ""
    ) -> None:
        data = b"".join(column.tobytes() for column in columns[:DRAWN])
        head = {"kind": kind, "first": first, "count": len(columns[0]), "run": run}
        self.send(head, buffers=[data])

    def _show_status(self) -> None:
        status = self.session.status
        self.status = {
            **plain(status),
            "active": status.active,
            "run": Path(status.folder).name,
            "elapsed_s": round(status.elapsed_s),
            "remaining_s": None if math.isnan(status.remaining_s) else round(status.remaining_s),
        }

    def _show_pending(self) -> None:
        """After an extrusion test whose masses were left for later: the form for them."""
        status = self.session.status
        if any(shot.delivered_mass_g is None for shot in status.extrusions):
            self._wish_entries({"run": Path(status.folder).name})

    def _stored(self) -> Stored:
        return Stored(self.port, str(self.session.root), self.runs)

    def _show_runs(self) -> None:
        root = self.session.root
        entries = list_runs(root) if root.is_dir() else []
        self.runs = [_run_row(entry, root) for entry in reversed(entries)]


def hear_beside_cells(comm: Any) -> None:
    """Let the page's messages be handled in the subshell that the page names for them.

    Some kernels send them to wherever the panel was made instead, the main shell: there a stop
    would wait until a busy cell is done.
    """
    if hasattr(comm, "_reply_subshell_for"):
        comm._reply_subshell_for = lambda _data, named: named  # noqa: SLF001 - no public way


def run_columns(run: Run) -> list["array[float]"]:
    """A recorded run as the columns that the page draws."""
    columns = (run.time_s, run.temperature_C, run.setpoint_C, run.duty, run.fan)
    return [array("d", column.tolist()) for column in columns]


def _request(content: Mapping[str, Any]) -> Request:
    """The page's form as a request. BadInput names what cannot be read."""
    test = str(content.get("test", "step"))
    return Request(
        port=_required(content, "port"),
        test=test,
        settings=settings_from(test, content.get("settings", {})),
        machine=_path(content, "machine"),
        machine_profile=_path(content, "profile"),
        limit_temperature_C=_number(content, "limit_C", None),
        fault_deviation_K=_number(content, "fault_K", None),
        material=str(content.get("material") or "PLA"),
        weighing=content.get("weighing", "by itself"),
        speed=_number(content, "speed", 1.0) or 0.0,
    )


def _required(content: Mapping[str, Any], key: str) -> str:
    text = str(content.get(key, "")).strip()
    if not text:
        raise BadInput("is empty", where=key, remedy="name a device, socket:// or sim:NAME")
    return text


def _path(content: Mapping[str, Any], key: str) -> Path | None:
    text = str(content.get(key, "")).strip()
    return Path(text).expanduser() if text else None


def _number(content: Mapping[str, Any], key: str, default: float | None) -> float | None:
    text = str(content.get(key) or "").strip()
    if not text:
        return default
    try:
        return float(text)
    except ValueError as error:
        raise BadInput("is not a number", where=key, value=text) from error


def _run_row(entry: RunEntry, root: Path) -> dict[str, Any]:
    info = entry.info
    return {
        "run": str(entry.folder.relative_to(root)),
        "test": info.procedure if info else "",
        "created": info.created if info else "",
        "port": info.port if info else "",
        "samples": entry.sample_count,
        "outcome": entry.outcome,
        "problem": entry.problem,
    }
