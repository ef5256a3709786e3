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
from hotbench.jobs.schedule import Schedule
from hotbench.jobs.words import IntArray

QUANTUM_K = 0.5
LEAD_K = 1.5
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


def as_csv(rows: Sequence[Row]) -> str:
    """Rows as CSV with a header, RFC 4180."""
    out = io.StringIO()
    names = [item.name for item in fields(Row) if item.name != "step"]
    writer = csv.DictWriter(out, names, extrasaction="ignore")
    writer.writeheader()
    writer.writerows(asdict(row) for row in rows)
    return out.getvalue()


def as_yaml(rows: Sequence[Row], lead_s: float) -> str:
    """Rows as YAML 1.2 in flow style, which is JSON: one row a line."""
    return "".join(_yaml_lines(rows, lead_s))


def _yaml_lines(rows: Sequence[Row], lead_s: float) -> Iterator[str]:
    yield "hotbench_schedule: 1\n"
    yield f"lead_s: {lead_s:g}\n"
    yield "rows:\n"
    for row in rows:
        shown = {key: value for key, value in asdict(row).items() if key != "step"}
        yield f"- {json.dumps(shown)}\n"
