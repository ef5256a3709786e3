"""Schedules of a print job: wishes read from a file, rows and a rewritten job handed out."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput, unknown_key
from hotbench.jobs.emit import Row, as_csv, as_yaml, schedule_rows
from hotbench.jobs.limits import Limits
from hotbench.jobs.motion import MotionLimits
from hotbench.jobs.patterns import NO_PATTERNS, CommentPatterns
from hotbench.jobs.prediction import Prediction
from hotbench.jobs.rehearsal import Trace
from hotbench.jobs.rewrite import rewrite, verify
from hotbench.jobs.schedule import (
    Expected,
    Schedule,
    expect,
    plan_schedule,
    schedule_trace,
)
from hotbench.jobs.surfaces import Surfaces, role_heats
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import NO_WISHES, Wish, Wishes
from hotbench.plots.jobs import exit_melt, flow, temperatures
from hotbench.plots.style import new_figure, styled
from hotbench.profile.safe_yaml import Document, load

ROLE_KEYS = ("pattern", "at_C", "tolerance_K", "low_C", "high_C", "aim_C")
PICTURES = (".svg", ".png", ".pdf")
Chunks = Callable[[], Iterator[bytes]]


@dataclass(frozen=True)
class Roles:
    """How a job's comments read, and what temperatures are wished for its roles."""

    patterns: CommentPatterns = NO_PATTERNS
    wishes: Wishes = NO_WISHES


def read_roles(file: Path) -> Roles:
    """Roles from YAML: `layer: REGEX` and `roles: {NAME: {pattern: REGEX, at_C: 200}}`.

    A role may state at_C (with tolerance_K), or low_C, high_C and aim_C, or no wish at all.
    Errors: BadInput with the line for anything else.
    """
    try:
        document = load(file.read_bytes(), str(file))
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=file) from error
    data = _mapping(document, document.data, ())
    _known(document, data, ("layer", "roles"), ())
    roles = _mapping(document, data.get("roles", {}), ("roles",))
    stated = {name: _mapping(document, role, ("roles", name)) for name, role in roles.items()}
    for name, role in stated.items():
        _known(document, role, ROLE_KEYS, ("roles", name))
        if not isinstance(role.get("pattern"), str):
            raise BadInput("a role needs a pattern", where=document.where(("roles", name)))
    wishes = {name: _wish(document, name, role) for name, role in stated.items() if len(role) > 1}
    patterns = {name: role["pattern"] for name, role in stated.items()}
    return Roles(CommentPatterns(patterns, data.get("layer")), Wishes(wishes))


def _mapping(document: Document, value: Any, at: tuple[str, ...]) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise BadInput("must be a mapping", where=document.where(at))
    return value


def _known(
    document: Document, data: dict[str, Any], known: tuple[str, ...], at: tuple[str, ...]
) -> None:
    for key in data:
        if key not in known:
            raise unknown_key(key, known, where=document.where((*at, key)))


def _wish(document: Document, name: str, role: dict[str, Any]) -> Wish:
    numbers = {key: role[key] for key in ROLE_KEYS[1:] if key in role}
    for key, value in numbers.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            where = document.where(("roles", name, key))
            raise BadInput("must be a number", where=where, value=value)
    if "at_C" in numbers:
        at_C = float(numbers.pop("at_C"))
        tolerance = {"tolerance_K": float(numbers.pop("tolerance_K", 3.0))}
        if numbers:
            where = document.where(("roles", name))
            raise BadInput("at_C excludes low_C, high_C and aim_C", where=where)
        return Wish.near(at_C, **tolerance)
    return Wish(**{key: float(value) for key, value in numbers.items()})


@dataclass(frozen=True)
class Outputs:
    """Which files to hand out; None for those not asked for."""

    schedule: Path | None = None
    job: Path | None = None
    picture: Path | None = None

    def __post_init__(self) -> None:
        if self.picture is not None and self.picture.suffix not in PICTURES:
            raise BadInput(
                "unknown picture format", where=self.picture, remedy=f"end in {', '.join(PICTURES)}"
            )
        if self.schedule is not None and self.schedule.suffix not in (".csv", ".yaml", ".yml"):
            raise BadInput("unknown format", where=self.schedule, remedy="end in .csv or .yaml")
        if self.job is not None and self.job.exists():
            raise BadInput("exists already", where=self.job, remedy="name a new file")


def hand_out(
    job: Timeline,
    chunks: Chunks,
    limits: Limits,
    motion_limits: MotionLimits,
    roles: Roles,
    outputs: Outputs,
    set_C: float | None,
) -> tuple[Schedule, Expected | None]:
    """Plan and write what was asked for; a rewritten job is verified by reading it again."""
    schedule = plan_schedule(job, limits, roles.wishes, motion_limits, set_C=set_C)
    rows = schedule_rows(schedule)
    expected = expect(schedule, limits)
    if outputs.schedule is not None:
        as_table = outputs.schedule.suffix == ".csv"
        text = as_csv(rows, expected) if as_table else as_yaml(rows, schedule.lead_s, expected)
        outputs.schedule.write_text(text, encoding="utf-8")
    if outputs.job is not None:
        _write_job(outputs.job, chunks, schedule, rows)
    if outputs.picture is not None:
        shown = expected.trace if expected else schedule_trace(schedule, limits)
        draw(shown, expected.prediction if expected else None, outputs.picture)
    return schedule, expected


def _write_job(path: Path, chunks: Chunks, schedule: Schedule, rows: tuple[Row, ...]) -> None:
    rewritten = list(rewrite(chunks(), schedule, rows))
    verify(chunks(), rewritten, schedule)
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(b"".join(rewritten))
    partial.replace(path)


def draw(trace: Trace, prediction: Prediction | None, path: Path) -> None:
    """Flow and limit, set and predicted temperature, and leaving melt over the job."""
    with styled() as c:
        figure, (top, middle, bottom) = new_figure(3, height_in=6.4, ratios=(1.0, 1.3, 0.8))
        flow(top, trace, c)
        temperatures(middle, trace, prediction, c)
        exit_melt(bottom, trace, prediction, c)
        figure.savefig(path)


def surface_table(found: Surfaces, wishes: Wishes, caption: str) -> Table:
    """What every role's surfaces are expected to meet; `caption` says of which job."""
    heads = ("role", "stretches", "for", "expected", "interval", "surely in its band")
    rows = tuple(
        (heat.role, str(heat.stretches), f"{number(heat.time_s)} s",
         f"{heat.least_C:.1f} to {heat.most_C:.1f} °C", f"{heat.low_C:.1f} to {heat.high_C:.1f} °C",
         "-" if heat.surely_inside is None else f"{heat.surely_inside:.0%}")
        for heat in role_heats(found, wishes)
    )  # fmt: skip
    return Table(caption, heads, rows, frozenset({1, 2}))


def schedule_tables(schedule: Schedule) -> tuple[Table, ...]:
    """What the schedule costs against other ways, and dips that are too short."""
    costs = schedule.costs
    outside = f"{costs.fixed_outside:.0%} of wished printing outside its band"
    window = f"window {number(costs.smoothing_window_s)} s"
    rows = (
        ("the job as it is, whatever its flow", f"{costs.job_s:.0f} s", ""),
        (
            "this schedule",
            f"{costs.schedule_s:.0f} s",
            f"commanded {number(schedule.lead_s)} s ahead",
        ),
        ("fixed temperature, slowed to the flow limit", f"{costs.fixed_s:.0f} s", outside),
        ("plain smoothing, as safe", f"{costs.smoothing_s:.0f} s", window),
    )
    shown = [Table("print time", ("way", "time", "remark"), rows, frozenset({1}))]
    if schedule.too_short:
        heads = ("role", "layer", "line", "from", "to", "back to", "has", "shortest possible")
        short = tuple(
            (d.role, str(d.layer), str(d.line), f"{d.from_C:.4g} °C", f"{d.to_C:.4g} °C",
             f"{d.back_to_C:.4g} °C", f"{number(d.has_s)} s", f"{number(d.shortest_s)} s")
            for d in schedule.too_short
        )  # fmt: skip
        caption = f"dips too short for this hot end: {schedule.too_short_count}"
        shown.append(Table(caption, heads, short, frozenset({6, 7})))
    return tuple(shown)
