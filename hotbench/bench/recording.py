"""Recording: a procedure, a line and a run folder brought together, safely."""

import math
import platform
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hotbench import __version__
from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import Line, LinkOptions, connected, filled, known_to
from hotbench.bench.durations import pace_from
from hotbench.bench.progress import Step, progress, silent, unhindered
from hotbench.bench.results import Result
from hotbench.bench.resuming import continued
from hotbench.bench.tables import Table
from hotbench.bench.weighing import AskingScale, LineScale, attend
from hotbench.core.ambient import check_ambient
from hotbench.core.errors import BadInput, HotbenchError
from hotbench.core.ports import Observer, Scale, StopSignal
from hotbench.core.records import Event, Extrusion, Outcome, RunInfo, Sample
from hotbench.link.client import SAFE_WORDS, Printer, SafeOutcome
from hotbench.link.serial_port import SerialTransport
from hotbench.link.stopping import StopOnSignals
from hotbench.models.units import mass_of_length_g
from hotbench.procedures import registry
from hotbench.procedures.extrusions import ExtrudeTest, LaterScale
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.runner import outcome_of, run
from hotbench.store.errors import RecordingFailed
from hotbench.store.writer import RunWriter, check_free

Confirm = Callable[[Sequence[str]], None]
Ask = Callable[[str], str]


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """What is kept with a run besides its samples."""

    ambient_C: float | None = None
    note: str = ""
    hot_end: str = ""
    nozzle: str = ""
    material: str = ""
    filament_diameter_mm: float = 1.75
    filament_density_g_per_cm3: float = 1.24


@dataclass(frozen=True, kw_only=True)
class ScaleLines:
    """How a scale on a port of its own is listened to."""

    scale_pattern: str | None = None
    scale_shape: str = "number"
    scale_baud: int = 9600


SCALE_OPTIONS = frozenset(ScaleLines.__dataclass_fields__)
_FIELDS = (*LinkOptions.__dataclass_fields__, *RunOptions.__dataclass_fields__)


@dataclass
class Counter:
    """Implements `core.ports.Observer`: counts what passes and reports progress."""

    duration_s: float
    step: Step = silent
    samples: int = 0
    time_s: float = 0.0
    peak_C: float = -math.inf
    extrusions: int = 0
    faults: list[str] = field(default_factory=list)

    def on_sample(self, sample: Sample) -> None:
        """Count, and show how far the test is."""
        self.samples += 1
        self.time_s, self.peak_C = sample.time_s, max(self.peak_C, sample.temperature_C)
        self._show(f"{sample.phase}  {sample.temperature_C:.1f} °C")

    def on_event(self, event: Event) -> None:
        """Keep faults; show remarks until the next reading."""
        if event.kind == "fault":
            self.faults.append(event.text)
        if event.kind == "note":
            self._show(event.text)

    def _show(self, text: str) -> None:
        self.step(min(self.time_s / self.duration_s, 0.99), text)

    def on_extrusion(self, extrusion: Extrusion) -> None:
        """Count."""
        del extrusion
        self.extrusions += 1


class RecordingEnded(HotbenchError):
    """A recording ended before its end; its run is kept. The exit code is that of the cause."""

    def __init__(self, cause: HotbenchError, folder: Path, safe: SafeOutcome | None) -> None:
        self.exit_code = cause.exit_code
        super().__init__(f"{cause}; {SAFE_WORDS[safe or 'unconfirmed']}; run kept in {folder}")


def record_from_options(
    name: str, given: Mapping[str, Any], *, confirm: Confirm, prompt: Ask
) -> Result:
    """`hotbench record NAME`: options as the command line gives them, None for those not given."""
    left = filled(given)
    out, scale = Path(left.pop("out")), left.pop("scale", None)
    check_free(out)
    earlier = tuple(left.pop("earlier", ()))
    lines = ScaleLines(**{key: left.pop(key) for key in SCALE_OPTIONS & left.keys()})
    link = LinkOptions(**known_to(LinkOptions, left))
    about = RunOptions(**known_to(RunOptions, left))
    settings = {key: left[key] for key in left.keys() - set(_FIELDS)}
    with ExitStack() as stack:
        step = stack.enter_context(progress(f"record {name}"))
        weigh = _scale(name, scale, lines, link, unhindered(prompt, step), stack)
        made = _procedure(name, settings, about, weigh)
        if earlier:
            made = continued(made, about, earlier)
        plan = made.plan(pace_from(link.profile))
        plan.check_limit(link.limit_temperature_C)
        line = stack.enter_context(connected(link))
        if not link.simulated:
            confirm(plan.lines)
        stop = stack.enter_context(StopOnSignals())
        return record(made, line, link, out, about, stop=stop, step=step)


def _scale(
    name: str,
    choice: str | None,
    lines: ScaleLines,
    link: LinkOptions,
    prompt: Ask,
    stack: ExitStack,
) -> Scale | None:
    """The scale of an extrusion test; None where the simulated pan is to be used."""
    if name != "extrude" or (link.simulated and choice in (None, "prompt")):
        return None
    if choice in (None, "prompt"):
        return AskingScale(prompt)
    if choice == "later":
        return LaterScale()
    transport = SerialTransport(str(choice), lines.scale_baud)
    stack.callback(transport.close)
    return LineScale(transport, lines.scale_pattern, lines.scale_shape)


def _procedure(
    name: str, left: Mapping[str, Any], about: RunOptions, scale: Scale | None
) -> Procedure:
    plain, injected = choosers(name, left, about.filament_density_g_per_cm3)
    if name != "extrude":
        return registry.build(name, plain, **injected)
    if isinstance(scale, LaterScale) and "next_flow" in injected:
        raise BadInput(
            "flows cannot be chosen without masses",
            where="--scale later",
            remedy="give --flows, or weigh as it goes",
        )
    plain["filament_diameter_mm"] = about.filament_diameter_mm
    return registry.build(name, plain, scale=scale or PanLater(), **injected)


class PanLater:
    """The simulated pan, known only once the line is open; implements `core.ports.Scale`."""

    def __init__(self) -> None:
        self.pan: Scale | None = None

    def mass_g(self) -> float | None:
        """The pan's mass, g."""
        return None if self.pan is None else self.pan.mass_g()


def record(
    procedure: Procedure,
    line: Line,
    link: LinkOptions,
    out: Path,
    about: RunOptions | None = None,
    *,
    stop: StopSignal | None = None,
    step: Step = silent,
    observers: Sequence[Observer] = (),
) -> Result:
    """Run `procedure` over `line` into the folder `out`; whatever ends it, the heater is off.

    Raises RecordingEnded, with the run kept, when it ends before its end.
    """
    about = about or RunOptions()
    printer = Printer(line.transport, (), link.config(), stop)
    watch = link.watch(about.ambient_C, lambda: printer.stalled_s)
    scale = getattr(procedure, "scale", None)
    if isinstance(scale, PanLater):
        scale.pan = line.pan
    attend(scale, printer, _fed_g(procedure, about))
    identity = printer.identify()
    if about.ambient_C is not None:
        check_ambient(about.ambient_C, printer.next_sample().temperature_C)
    info = _info(procedure, printer, link, out, about, identity.firmware)
    duration_s = procedure.plan(pace_from(link.profile)).duration_s
    writer, counter = RunWriter(out, info), Counter(duration_s, step)
    audience: list[Observer] = [writer, watch, counter, *observers]
    for observer in audience:
        printer.add_observer(observer)
    for note in line.notes:
        printer.note(note)
    outcome = _run(procedure, printer, writer)
    return Result(_facts(out, outcome, counter), (_table(out, outcome, counter),))


def _fed_g(procedure: Procedure, about: RunOptions) -> float | None:
    """The mass of filament that each extrusion is fed, g; None where nothing is extruded."""
    if not isinstance(procedure, ExtrudeTest):
        return None
    density = about.filament_density_g_per_cm3
    return mass_of_length_g(procedure.length_mm, procedure.filament_diameter_mm, density)


def _run(procedure: Procedure, printer: Printer, writer: RunWriter) -> Outcome:
    try:
        printer.begin_run()
        outcome = run(procedure, printer)
    except BaseException as error:
        with suppress(RecordingFailed):
            # The run then reads as cut off; what ended it is the error to report.
            writer.close(outcome_of(error))
        if isinstance(error, HotbenchError):
            raise RecordingEnded(error, writer.folder, printer.safe_outcome) from error
        raise
    writer.close(outcome)
    return outcome


def _info(
    procedure: Procedure,
    printer: Printer,
    link: LinkOptions,
    out: Path,
    about: RunOptions,
    firmware: str,
) -> RunInfo:
    return RunInfo(
        run_id=out.name,
        procedure=procedure.name,
        created=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        settings=procedure.settings(),
        firmware=firmware,
        port=link.port,
        host=f"{platform.system()} {platform.machine()}",
        software_version=__version__,
        ambient_C=about.ambient_C,
        hot_end=about.hot_end,
        nozzle=about.nozzle,
        material=about.material,
        filament_diameter_mm=about.filament_diameter_mm,
        filament_density_g_per_cm3=about.filament_density_g_per_cm3,
        time_scale=printer.time_scale,
        simulated=link.simulated or printer.time_scale != 1.0,
        note=about.note,
        machine=link.provenance(),
    )


def _facts(out: Path, outcome: Outcome, counter: Counter) -> dict[str, Any]:
    return {
        "run": str(out),
        "outcome": outcome,
        "samples": counter.samples,
        "extrusions": counter.extrusions,
        "faults": counter.faults,
    }


def _table(out: Path, outcome: Outcome, counter: Counter) -> Table:
    rows = [
        ("outcome", str(outcome)),
        ("samples", str(counter.samples)),
        ("duration", f"{counter.time_s / 60.0:.1f} min"),
        ("highest temperature", f"{counter.peak_C:.1f} °C"),
    ]
    if counter.extrusions:
        rows.append(("extrusions", str(counter.extrusions)))
    rows += [("fault", text) for text in counter.faults]
    return Table(f"recorded in {out}", ("", "value"), tuple(rows))
