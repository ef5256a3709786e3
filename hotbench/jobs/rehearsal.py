"""Verdict on a job as it is: where it asks for more than the hot end can melt or follow."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.jobs import scan as s
from hotbench.jobs.follower import Ramps, SetpointWords, follow_words
from hotbench.jobs.limits import Limits
from hotbench.jobs.motion import DEFAULT_LIMITS, Motion, MotionLimits, plan_motion
from hotbench.jobs.prediction import Prediction, predict
from hotbench.jobs.surfaces import Surfaces, surfaces
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.words import IntArray

WORST_PLACES = 20
MAX_BINS = 100_000
MIN_BIN_S = 0.25
STEP_K = 2.0
"""A setpoint step up to this size is no ramp (common practice, no source)."""
INTERVAL_CONFIDENCE = 0.95


@dataclass(frozen=True)
class FlowPlace:
    """A stretch of one role in one layer that asks for more flow than melts.

    line and time_s: where it is worst. over: flow over limit minus 1 there, with the interval that
    follows from the limit's. above_s: how long the stretch is above the limit in all.
    """

    layer: int
    line: int
    time_s: float
    role: str
    set_temperature_C: float
    flow_mm3_per_s: float
    limit_mm3_per_s: float
    over: Quantity
    above_s: float


@dataclass(frozen=True)
class SlewPlace:
    """A setpoint change while printing that outruns the safe ramp; catching up takes behind_s."""

    layer: int
    line: int
    time_s: float
    from_C: float
    to_C: float
    behind_K: float
    behind_s: float


@dataclass(frozen=True)
class Trace:
    """The job over time, in equal bins of bin_s seconds; arrays of shape (m,).

    flow is the bin's mean; set temperature, layer and fan are those at its middle.
    """

    bin_s: float
    time_s: FloatArray
    flow_mm3_per_s: FloatArray
    limit_mm3_per_s: FloatArray
    set_C: FloatArray
    fan: FloatArray
    layer: IntArray
    line: IntArray


@dataclass(frozen=True, kw_only=True)
class Rehearsal:
    """What a job asks of the hot end.

    total_s: with waits for the heater at the safe slew; share_above: of the printing time above
    the flow limit. start_s, end_s, flow_mm3_per_s, limit_mm3_per_s: of every step, shape (n,);
    flow is that at the step's highest speed. prediction: at the trace's times, from a cold start;
    it and surfaces are None where the profile states no heater.
    """

    job: Timeline
    motion: Motion
    start_s: FloatArray
    end_s: FloatArray
    set_C: FloatArray
    flow_mm3_per_s: FloatArray
    limit_mm3_per_s: FloatArray
    printing_s: float
    share_above: Quantity
    worst: tuple[FlowPlace, ...]
    steep: tuple[SlewPlace, ...]
    trace: Trace
    prediction: Prediction | None
    surfaces: Surfaces | None

    @property
    def total_s(self) -> float:
        """Duration of the job with heater waits."""
        return float(self.end_s[-1])

    @property
    def passes(self) -> bool:
        """Whether nothing is above a limit."""
        return not self.worst and not self.steep


def set_temperatures_C(job: Timeline, given_C: float | None = None) -> FloatArray:
    """Set temperature of every step, shape (n,); `given_C` before the job's first own.

    Errors: BadInput when plastic is melted before any temperature is known.
    """
    set_C = job.set_temperature_C
    if given_C is not None:
        set_C = np.where(np.isnan(set_C), given_C, set_C)
    cold = np.isnan(set_C) & (job.kind == s.EXTRUDE)
    if cold.any():
        line = int(job.line[np.argmax(cold)])
        remedy = "state the temperature it is printed at"
        raise BadInput("prints before any set temperature", where=f"line {line}", remedy=remedy)
    return set_C


def step_flows(job: Timeline, motion: Motion, limits: Limits) -> FloatArray:
    """Flow of every step at its highest speed, mm³/s, shape (n,); 0 where nothing is melted."""
    volume_mm3 = job.net_mm * limits.filament_area_mm2
    moving = (job.kind == s.EXTRUDE) & (job.length_mm > 0.0)
    per_mm = np.divide(volume_mm3, job.length_mm, out=np.zeros_like(volume_mm3), where=moving)
    return per_mm * motion.cruise_mm_per_s


def rehearse(
    job: Timeline,
    limits: Limits,
    motion_limits: MotionLimits = DEFAULT_LIMITS,
    *,
    set_C: float | None = None,
) -> Rehearsal:
    """The verdict on a job as it is; `set_C` stands in where the job sets no temperature.

    Errors: BadInput as set_temperatures_C.
    """
    motion = plan_motion(job, motion_limits)
    steps_C = set_temperatures_C(job, set_C)
    words = follow_words(job, motion.duration_s, limits)
    end_s = np.cumsum(motion.duration_s + words.wait_s)
    start_s = np.concatenate([[0.0], end_s[:-1]])
    flow = step_flows(job, motion, limits)
    limit, low, high = _step_limits(steps_C, limits)
    printing = job.kind == s.EXTRUDE
    duration_s = np.where(printing, motion.duration_s, 0.0)
    every = slice(0, len(job))
    shown = trace(job, limits, every, start_s, end_s - start_s, lambda _, step: steps_C[step])
    told = predict(limits, shown.bin_s, shown.set_C, shown.flow_mm3_per_s, shown.fan)
    return Rehearsal(
        job=job,
        motion=motion,
        start_s=start_s,
        end_s=end_s,
        set_C=steps_C,
        flow_mm3_per_s=flow,
        limit_mm3_per_s=limit,
        printing_s=float(duration_s.sum()),
        share_above=_share_above(flow, duration_s, limit, low, high),
        worst=_worst(job, flow, (limit, low, high), steps_C, start_s, duration_s),
        steep=_steep(job, words, limits, start_s),
        trace=shown,
        prediction=told,
        surfaces=surfaces(job, every, start_s, end_s, shown.bin_s, told) if told else None,
    )


def _step_limits(set_C: FloatArray, limits: Limits) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Flow limit of every step and its interval's ends, read once per run of equal setpoints."""
    first = np.flatnonzero(np.concatenate([[True], set_C[1:] != set_C[:-1]]))[: set_C.size]
    count = np.diff(first, append=set_C.size)
    tables = (limits.flow.at, limits.flow.low_at, limits.flow.high_at)
    limit, low, high = (np.repeat(table(set_C[first]), count) for table in tables)
    return limit, low, high


def _share_above(
    flow: FloatArray, duration_s: FloatArray, limit: FloatArray, low: FloatArray, high: FloatArray
) -> Quantity:
    total_s = float(duration_s.sum()) or 1.0
    share = [float(duration_s[flow > most].sum()) / total_s for most in (limit, high, low)]
    return _interval(share[0], share[1], share[2])


def _interval(value: float, low: float, high: float) -> Quantity:
    low, high = min(low, value), max(high, value)
    confidence = INTERVAL_CONFIDENCE
    return Quantity(value=value, unit="", low=low, high=high, confidence=confidence, basis="fitted")


def _worst(
    job: Timeline,
    flow: FloatArray,
    limits: tuple[FloatArray, FloatArray, FloatArray],
    set_C: FloatArray,
    start_s: FloatArray,
    duration_s: FloatArray,
) -> tuple[FlowPlace, ...]:
    """The worst step of each stretch of one layer and role that exceeds its limit, worst first."""
    above = np.flatnonzero((duration_s > 0.0) & (flow > limits[0]))
    if above.size == 0:
        return ()
    over = flow[above] / limits[0][above]
    label = job.layer[above].astype(np.int64) * 1000 + job.role[above]
    group = np.cumsum(np.diff(label, prepend=label[0]) != 0)
    above_s = np.bincount(group, weights=duration_s[above])
    order = np.lexsort((-over, group))
    leaders = order[np.concatenate([[True], np.diff(group[order]) != 0])]
    chosen = leaders[np.argsort(-over[leaders], kind="stable")][:WORST_PLACES]
    return tuple(
        _flow_place(job, flow, limits, set_C, start_s, int(above[k]), float(above_s[group[k]]))
        for k in chosen
    )


def _flow_place(
    job: Timeline,
    flow: FloatArray,
    limits: tuple[FloatArray, FloatArray, FloatArray],
    set_C: FloatArray,
    start_s: FloatArray,
    step: int,
    above_s: float,
) -> FlowPlace:
    value, high, low = (float(flow[step] / most[step]) - 1.0 for most in limits)
    return FlowPlace(
        layer=int(job.layer[step]),
        line=int(job.line[step]),
        time_s=float(start_s[step]),
        role=job.role_names[job.role[step]],
        set_temperature_C=float(set_C[step]),
        flow_mm3_per_s=float(flow[step]),
        limit_mm3_per_s=float(limits[0][step]),
        over=_interval(value, low, high),
        above_s=above_s,
    )


def _steep(
    job: Timeline, words: SetpointWords, limits: Limits, start_s: FloatArray
) -> tuple[SlewPlace, ...]:
    """Setpoint words between the first and last print move that a safe follower cannot keep up.

    A word is named where the gap to the follower right after it exceeds STEP_K. Words that wait
    for the heater stop the print and are left out.
    """
    printing = np.flatnonzero(job.kind == s.EXTRUDE)
    if printing.size == 0:
        return ()
    step, value = job.event_step[words.event], job.event_value[words.event]
    inside = (step > printing[0]) & (step <= printing[-1]) & (value > 0.0)
    moving = job.event_kind[words.event] == s.SET_HEAT
    named = inside & moving & (np.abs(value - words.follower_C) > STEP_K)
    ramps = Ramps(limits)
    return tuple(_slew_place(job, words, ramps, start_s, int(k)) for k in np.flatnonzero(named))


def _slew_place(
    job: Timeline, words: SetpointWords, ramps: Ramps, start_s: FloatArray, k: int
) -> SlewPlace:
    event, follower_C = words.event[k], float(words.follower_C[k])
    value, step = float(job.event_value[event]), int(job.event_step[event])
    return SlewPlace(
        layer=int(job.layer[step]),
        line=int(job.event_line[event]),
        time_s=float(start_s[step]),
        from_C=float(words.before_C[k]),
        to_C=value,
        behind_K=value - follower_C,
        behind_s=ramps.duration_s(follower_C, value),
    )


@njit(cache=True)
def spread(
    start_s: FloatArray, amount: FloatArray, span_s: FloatArray, bin_s: float, bins: int
) -> FloatArray:
    """Amounts spread evenly over their spans into time bins, shape (bins,)."""
    total = np.zeros(bins)
    for i in range(start_s.size):
        if amount[i] == 0.0:
            continue
        first = min(int(start_s[i] / bin_s), bins - 1)
        last = min(int((start_s[i] + span_s[i]) / bin_s), bins - 1)
        for b in range(first, last + 1):
            begin = max(start_s[i], b * bin_s)
            end = min(start_s[i] + span_s[i], (b + 1) * bin_s)
            share = (end - begin) / span_s[i] if last > first else 1.0
            total[b] += amount[i] * share
    return total


def trace(
    job: Timeline,
    limits: Limits,
    steps: slice,
    start_s: FloatArray,
    duration_s: FloatArray,
    set_C: Callable[[FloatArray, IntArray], FloatArray],
) -> Trace:
    """The steps of `steps` in equal time bins from 0.

    start_s, duration_s: of those steps only. set_C: setpoint by bin time and step in progress.
    """
    total_s = float(start_s[-1] + duration_s[-1])
    bin_s = max(MIN_BIN_S, total_s / MAX_BINS)
    bins = max(1, math.ceil(total_s / bin_s))
    time_s = np.asarray((np.arange(bins) + 0.5) * bin_s, dtype=np.float64)
    at = np.clip(np.searchsorted(start_s, time_s, side="right") - 1, 0, start_s.size - 1)
    step = at + steps.start
    given_C = set_C(time_s, step)
    volume_mm3 = job.net_mm[steps] * limits.filament_area_mm2
    return Trace(
        bin_s=bin_s,
        time_s=time_s,
        flow_mm3_per_s=spread(start_s, volume_mm3, duration_s, bin_s, bins) / bin_s,
        limit_mm3_per_s=limits.flow.at(given_C),
        set_C=given_C,
        fan=np.nan_to_num(job.fan)[step],
        layer=job.layer[step].astype(np.int64),
        line=job.line[step],
    )
