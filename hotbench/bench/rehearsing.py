"""Rehearsing a print job against a profile."""

from collections.abc import Iterator
from pathlib import Path

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput
from hotbench.jobs.limits import limits_of
from hotbench.jobs.rehearsal import FlowPlace, Rehearsal, SlewPlace, rehearse
from hotbench.jobs.timeline import read_timeline
from hotbench.profile.yaml_io import read_profile

CHUNK_BYTES = 1 << 22
FLOW_HEADS = ("layer", "line", "at", "role", "set", "flow", "over the limit", "for")
SLEW_HEADS = ("layer", "line", "at", "from", "to", "lags by", "for")


def rehearse_file(job: Path, profile_file: Path) -> Result:
    """The verdict on a job as it is: where it asks for more than the hot end can do."""
    limits = limits_of(read_profile(profile_file))
    try:
        verdict = rehearse(read_timeline(_chunks(job)), limits)
    except BadInput as error:
        raise _named(error, job) from error
    facts = {
        "total_s": verdict.total_s,
        "printing_s": verdict.printing_s,
        "share_above_flow_limit": verdict.share_above,
        "worst": verdict.worst,
        "steep": verdict.steep,
        "passes": verdict.passes,
    }
    shortfall = None if verdict.passes else f"{job}: the job asks for more than this hot end can do"
    return Result(facts, _tables(verdict), shortfall)


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
