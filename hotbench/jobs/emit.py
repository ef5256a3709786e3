"""Schedules handed out: rows as CSV and YAML."""

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.jobs.least_time import ramp_to
from hotbench.jobs.schedule import Expected, Schedule
from hotbench.jobs.surfaces import Surfaces
from hotbench.jobs.words import IntArray

QUANTUM_K = 0.5
LEAD_K = 1.5
EXPECTED_COLUMNS = ("expected_C", "low_C", "high_C")
_SETTLED_K = 0.05
_REST_K = 1e-6


@dataclass(frozen=True, slots=True)
class Row:
    """One command of a schedule, to be given before `line` of the job.

    time_s: from the first print move; step: the timeline's step that `line` makes.
    """

    time_s: float
    line: int
    layer: int
    step: int
    command: str


@dataclass(frozen=True)
class _Ticks:
    """Moments at which something may be commanded: every step, and every slice of a pause."""

    step: IntArray
    time_s: FloatArray
    duration_s: FloatArray
    pausing: NDArray[np.bool_]


def schedule_rows(schedule: Schedule, quantum_K: float = QUANTUM_K) -> tuple[Row, ...]:
    """The commands in order: a wait for the first temperature, then setpoints and pauses.

    A setpoint is given where it differs by quantum_K from the last one, or where it settles.
    """
    ticks = _ticks(schedule)
    wanted = schedule.wanted.at(ticks.time_s + 0.5 * ticks.duration_s + schedule.lead_s)
    start_C = float(np.round(schedule.wanted.node_C[0], 1))
    clocks = (schedule.wanted.knots_C, schedule.wanted.up_s, schedule.wanted.down_s)
    given = command(wanted, ticks.time_s, start_C, quantum_K, *clocks)
    chosen = ~np.isnan(given)
    rows = [_row(schedule, schedule.span[0], 0.0, f"M109 S{start_C:g}")]
    for k in np.flatnonzero(chosen | ticks.pausing):
        step, time_s = int(ticks.step[k]), float(ticks.time_s[k])
        if chosen[k]:
            rows.append(_row(schedule, step, time_s, f"M104 S{given[k]:g}"))
        if ticks.pausing[k]:
            milliseconds = math.ceil(ticks.duration_s[k] * 1000.0)
            rows.append(_row(schedule, step, time_s, f"G4 P{milliseconds}"))
    return tuple(rows)


def _row(schedule: Schedule, step: int, time_s: float, command: str) -> Row:
    job = schedule.job
    return Row(round(time_s, 3), int(job.line[step]), int(job.layer[step]), step, command)


def _ticks(schedule: Schedule) -> _Ticks:
    steps = np.arange(*schedule.span)
    pause_s = schedule.pause_s[steps]
    slices = np.ceil(pause_s / schedule.slice_s).astype(np.int64)
    count = slices + 1
    owner = np.repeat(np.arange(steps.size), count)
    number = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    pausing = number < slices[owner]
    slice_s = pause_s[owner] / np.maximum(slices[owner], 1)
    left_s = np.where(pausing, slice_s * (slices[owner] - number), 0.0)
    own_s = np.where(pausing, slice_s, schedule.motion.duration_s[steps][owner])
    return _Ticks(steps[owner], schedule.start_s[steps][owner] - left_s, own_s, pausing)


@njit(cache=True)
def _follow(
    from_C: float, to_C: float, for_s: float, knots: FloatArray, up: FloatArray, down: FloatArray
) -> float:
    if to_C >= from_C:
        return min(to_C, ramp_to(up, knots, from_C, for_s))
    return max(to_C, ramp_to(down, knots, from_C, -for_s))


@njit(cache=True)
def command(
    wanted_C: FloatArray,
    time_s: FloatArray,
    start_C: float,
    quantum_K: float,
    knots: FloatArray,
    up: FloatArray,
    down: FloatArray,
) -> FloatArray:
    """Setpoints to give, rounded to 0.1 °C, NaN where the last one stays; shape (n,).

    One is due a quantum away from the last, at rest, or where the next change would pile up. None
    is further than LEAD_K from a temperature that follows the setpoints at the safe slew, so that
    however long the moves are, the setpoint never outruns the slew by more.
    """
    given = np.full(wanted_C.size, np.nan)
    last, follower = start_C, start_C
    for i in range(wanted_C.size):
        if i > 0:
            span_s = max(0.0, time_s[i] - time_s[i - 1])
            follower = _follow(follower, last, span_s, knots, up, down)
        reach = min(max(wanted_C[i], follower - LEAD_K), follower + LEAD_K)
        rise = abs(wanted_C[min(i + 1, wanted_C.size - 1)] - wanted_C[i])
        away = abs(reach - last)
        due = away >= quantum_K or rise < _REST_K or away + rise >= 2.0 * quantum_K
        if due and away > _SETTLED_K:
            last = np.round(reach * 10.0) / 10.0
            given[i] = last
    return given


def as_csv(rows: Sequence[Row], expected: Expected | None = None) -> str:
    """Rows as CSV with a header, RFC 4180; temperatures expected are empty where unknown."""
    out = io.StringIO()
    names = [item.name for item in fields(Row) if item.name != "step"]
    writer = csv.DictWriter(out, [*names, *EXPECTED_COLUMNS])
    writer.writeheader()
    writer.writerows(_columns(rows, expected))
    return out.getvalue()


def as_yaml(rows: Sequence[Row], lead_s: float, expected: Expected | None = None) -> str:
    """Rows, then surfaces, as YAML 1.2 in flow style, which is JSON: one a line."""
    return "".join(_yaml_lines(rows, lead_s, expected))


def _columns(rows: Sequence[Row], expected: Expected | None) -> Iterator[dict[str, object]]:
    """Rows with the temperature expected when each is given, and its interval."""
    for row in rows:
        own = {key: value for key, value in asdict(row).items() if key != "step"}
        yield own | dict(zip(EXPECTED_COLUMNS, _expected_C(row, expected), strict=True))


def _expected_C(row: Row, expected: Expected | None) -> tuple[float | None, ...]:
    if expected is None:
        return (None,) * len(EXPECTED_COLUMNS)
    told = expected.prediction
    k = min(int(row.time_s / expected.trace.bin_s), told.temperature_C.size - 1)
    return tuple(round(float(C[k]), 2) for C in (told.temperature_C, told.low_C, told.high_C))


def _yaml_lines(rows: Sequence[Row], lead_s: float, expected: Expected | None) -> Iterator[str]:
    yield "hotbench_schedule: 1\n"
    yield f"lead_s: {lead_s:g}\n"
    yield "rows:\n"
    for row in _columns(rows, expected):
        yield f"- {json.dumps(row)}\n"
    if expected is not None:
        yield "surfaces:\n"
        for surface in _surface_rows(expected.surfaces):
            yield f"- {json.dumps(surface)}\n"


def _surface_rows(found: Surfaces) -> Iterator[dict[str, object]]:
    for k in range(len(found)):
        yield {
            "role": found.role_names[found.role[k]],
            "layer": int(found.layer[k]),
            "line": int(found.line[k]),
            "begin_s": round(float(found.begin_s[k]), 3),
            "end_s": round(float(found.end_s[k]), 3),
            "expected_C": round(float(found.expected_C[k]), 2),
            "low_C": round(float(found.low_C[k]), 2),
            "high_C": round(float(found.high_C[k]), 2),
        }
