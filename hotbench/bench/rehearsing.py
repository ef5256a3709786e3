"""Rehearsing a print job against a profile."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from hotbench.bench.results import Result
from hotbench.bench.scheduling import (
    Outputs,
    Roles,
    hand_out,
    read_roles,
    schedule_tables,
    surface_table,
)
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput
from hotbench.jobs.limits import Limits, limits_of
from hotbench.jobs.motion import MotionFigure, limits_from, motion_figures
from hotbench.jobs.rehearsal import FlowPlace, Rehearsal, SlewPlace, rehearse
from hotbench.jobs.surfaces import RoleHeat, Surfaces, role_heats
from hotbench.jobs.timeline import read_timeline
from hotbench.profile.yaml_io import read_profile

CHUNK_BYTES = 1 << 22
FLOW_HEADS = ("layer", "line", "at", "role", "set", "flow", "over the limit", "for")
MOTION_UNITS = {"_mm_per_s": "mm/s", "_mm_per_s2": "mm/s²", "_mm": "mm"}
SLEW_HEADS = ("layer", "line", "at", "from", "to", "lags by", "for")


def rehearse_file(
    job: Path,
    profile_file: Path,
    *,
    roles_file: Path | None = None,
    outputs: Outputs | None = None,
    set_C: float | None = None,
    motion: Mapping[str, float] | None = None,
) -> Result:
    """The verdict on a job as it is; with `outputs`, also a schedule within the limits.

    motion: fields of MotionLimits, which override what the profile declares.
    """
    profile = read_profile(profile_file)
    limits = limits_of(profile)
    figures = motion_figures(profile.machine.motion, motion)
    motion_limits = limits_from(figures)
    roles = read_roles(roles_file) if roles_file else Roles()
    try:
        timeline = read_timeline(_chunks(job), roles.patterns)
        verdict = rehearse(timeline, limits, motion_limits, set_C=set_C)
        schedule, expected = (
            hand_out(timeline, lambda: _chunks(job), limits, motion_limits, roles, outputs, set_C)
            if outputs
            else (None, None)
        )
    except BadInput as error:
        raise _named(error, job) from error
    facts = {
        "total_s": verdict.total_s,
        "printing_s": verdict.printing_s,
        "share_above_flow_limit": verdict.share_above,
        "worst": verdict.worst,
        "steep": verdict.steep,
        "passes": verdict.passes,
        "motion": figures,
        "margins": {"slew_share": limits.margin, "guard": limits.guard},
        "unknown_words": timeline.unknown,
        "schedule_costs": schedule.costs if schedule else None,
        "too_short": schedule.too_short if schedule else None,
        "surfaces": _heats(verdict.surfaces, roles),
        "scheduled_surfaces": _heats(expected.surfaces if expected else None, roles),
    }
    planned = schedule_tables(schedule) if schedule else ()
    met = ((verdict.surfaces, "the job as it is"), (expected and expected.surfaces, "scheduled"))
    planned += tuple(
        surface_table(found, roles.wishes, f"temperatures at the surface, {name}")
        for found, name in met
        if found
    )
    shortfall = None if verdict.passes else f"{job}: the job asks for more than this hot end can do"
    shown = (*_tables(verdict), *planned, _margin_table(limits), _motion_table(figures))
    return Result(facts, shown, None if schedule else shortfall)


def _heats(found: Surfaces | None, roles: Roles) -> tuple[RoleHeat, ...] | None:
    return None if found is None else role_heats(found, roles.wishes)


def read_motion(options: Sequence[str]) -> dict[str, float]:
    """Motion limits from LIMIT=VALUE texts. Errors: BadInput for one that is no such text."""
    stated = {}
    for option in options:
        name, _, text = option.partition("=")
        try:
            stated[name.strip()] = float(text)
        except ValueError:
            example = "acceleration_mm_per_s2=3000"
            raise BadInput("not LIMIT=VALUE", where="--motion", value=option,
                           remedy=f"such as {example}") from None  # fmt: skip
    return stated


def _margin_table(limits: Limits) -> Table:
    guard, share = limits.guard, limits.margin
    rows = (
        ("share kept off the safe slew", f"{share.value:.0%}", share.basis),
        ("kept inside a wished band", f"{number(guard.value)} K", guard.basis),
    )
    return Table("margins kept", ("margin", "value", "basis"), rows, frozenset({1}))


def _motion_table(figures: Sequence[MotionFigure]) -> Table:
    rows = tuple((*_named_unit(f.name, f.value), f.basis) for f in figures)
    return Table("motion the times rest on", ("limit", "value", "basis"), rows, frozenset({1}))


def _named_unit(name: str, value: float) -> tuple[str, str]:
    for ending, unit in MOTION_UNITS.items():
        if name.endswith(ending):
            return name.removesuffix(ending).replace("_", " "), f"{number(value)} {unit}"
    return name, number(value)


def _named(error: BadInput, job: Path) -> BadInput:
    where = f"{job}: {error.where}" if error.where is not None else str(job)
    return BadInput(
        error.what, where=where, value=error.value, limit=error.limit, remedy=error.remedy
    )


def _chunks(job: Path) -> Iterator[bytes]:
    try:
        with job.open("rb") as file:
            while chunk := file.read(CHUNK_BYTES):
                yield chunk
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}") from error


def _tables(verdict: Rehearsal) -> tuple[Table, ...]:
    summary = (
        ("duration", f"{number(verdict.total_s / 60.0)} min"),
        ("printing", f"{number(verdict.printing_s / 60.0)} min"),
        ("share above the flow limit", verdict.share_above.text()),
        ("verdict", "within the limits" if verdict.passes else "asks for too much"),
    )
    shown = [Table("rehearsal", ("", "value"), summary, frozenset({1}))]
    if verdict.worst:
        rows = tuple(_flow_row(place) for place in verdict.worst)
        shown.append(Table("more flow than melts, worst first", FLOW_HEADS, rows))
    if verdict.steep:
        rows = tuple(_slew_row(place) for place in verdict.steep)
        shown.append(Table("setpoint faster than is safe", SLEW_HEADS, rows))
    return tuple(shown)


def _flow_row(place: FlowPlace) -> tuple[str, ...]:
    over = f"{place.over.value:+.0%}"
    if place.over.low is not None and place.over.high is not None:
        over += f" ({place.over.low:+.0%} to {place.over.high:+.0%})"
    return (
        str(place.layer),
        str(place.line),
        f"{place.time_s:.0f} s",
        place.role,
        f"{place.set_temperature_C:g} °C",
        f"{number(place.flow_mm3_per_s)} mm³/s",
        over,
        f"{number(place.above_s)} s",
    )


def _slew_row(place: SlewPlace) -> tuple[str, ...]:
    return (
        str(place.layer),
        str(place.line),
        f"{place.time_s:.0f} s",
        f"{place.from_C:g} °C",
        f"{place.to_C:g} °C",
        f"{number(place.behind_K)} K",
        f"{number(place.behind_s)} s",
    )
