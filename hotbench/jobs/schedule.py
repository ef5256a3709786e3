"""Temperature against time within flow, slew and wishes, at the least print time."""

from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.jobs import least_time as lt
from hotbench.jobs import sag
from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits
from hotbench.jobs.motion import DEFAULT_LIMITS, Motion, MotionLimits, plan_motion
from hotbench.jobs.prediction import Prediction, predict
from hotbench.jobs.problem import STEP_K, TINY_S, Options, Problem, build_problem
from hotbench.jobs.rehearsal import Trace, set_temperatures_C, step_flows, trace
from hotbench.jobs.stages import FREE, Stages
from hotbench.jobs.surfaces import Surfaces, surfaces
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.too_short import TooShort, find_too_short
from hotbench.jobs.wishes import NO_WISHES, Wishes
from hotbench.jobs.words import IntArray

STAGE_S = 2.0
GENTLE = 0.5
"""Share of the safe slew at which ramps go where there is time (common practice, no source)."""
_SAME_K = 1e-6
_PASSES = 2
_MOVES = 2
"""Most times that bands are moved against a prediction; the second follows what the first did."""
_SLICES_S = (0.1, 1.0)


@dataclass(frozen=True, kw_only=True)
class Costs:
    """Print times, s, from the first to the last print move, heater waits left out.

    job_s: as it is, whatever its flow. schedule_s: this schedule. fixed_s: at the job's own
    temperatures, slowed to the flow limit; fixed_outside: share of the printing time of wished
    roles that this prints outside their bands. smoothing_s: wanted temperatures under a moving
    average of smoothing_window_s, the shortest fixed window that is safe everywhere, slowed to
    the flow limit and paused where it misses a band: as safe as the schedule.
    """

    job_s: float
    schedule_s: float
    fixed_s: float
    fixed_outside: float
    smoothing_s: float
    smoothing_window_s: float


@dataclass(frozen=True)
class Wanted:
    """The wanted temperature over time: node_C at node_time_s, shapes (K + 1,).

    Between nodes an even share of the safe slew is used, so that a ramp is safe throughout where
    its stage is long enough. knots_C, up_s, down_s: the safe ramps' clocks; see least_time.
    """

    knots_C: FloatArray
    up_s: FloatArray
    down_s: FloatArray
    node_time_s: FloatArray
    node_C: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Wanted temperature; the ends hold outside."""
        k = np.clip(np.searchsorted(self.node_time_s, time_s, "right") - 1, 0, self.node_C.size - 2)
        begin_s, end_s = self.node_time_s[k], self.node_time_s[k + 1]
        share = np.clip((time_s - begin_s) / np.maximum(end_s - begin_s, TINY_S), 0.0, 1.0)
        rising = self.node_C[k + 1] >= self.node_C[k]
        up, down = (self._ramp(clock, k, share) for clock in (self.up_s, self.down_s))
        return np.where(rising, up, down)

    def _ramp(self, clock_s: FloatArray, k: IntArray, share: FloatArray) -> FloatArray:
        at_node = np.interp(self.node_C, self.knots_C, clock_s)
        here = at_node[k] + share * (at_node[k + 1] - at_node[k])
        return np.asarray(np.interp(here, clock_s, self.knots_C), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Schedule:
    """A temperature schedule and the slow-down it needs.

    wanted: temperature at the surface over time, 0 at the first print move. feed_mm_per_s: per
    step, shape (n,), the job's own where nothing changes. pause_s: per step, before it. start_s:
    of every step, pauses counted. set_C: what to command before every step, shape (n,): what is
    wanted lead_s after the step's middle. flow_mm3_per_s: of every step after the slow-down.
    slice_s: pauses are cut into parts of at most this, so that the setpoint can ramp in them.
    span: first print move and one past the last.
    """

    job: Timeline
    stages: Stages
    motion: Motion
    wanted: Wanted
    feed_mm_per_s: FloatArray
    pause_s: FloatArray
    start_s: FloatArray
    set_C: FloatArray
    flow_mm3_per_s: FloatArray
    lead_s: float
    slice_s: float
    span: tuple[int, int]
    costs: Costs
    too_short: tuple[TooShort, ...]
    too_short_count: int


@dataclass(frozen=True)
class _Machine:
    """What slows a job down: the job, the hot end's limits and the motion's."""

    job: Timeline
    limits: Limits
    motion_limits: MotionLimits

    def move(self, feed: FloatArray) -> Motion:
        return plan_motion(self.job, self.motion_limits, feed)

    def caps(self, limit_mm3_per_s: FloatArray, span: slice) -> FloatArray:
        """Largest feed of each printing step in `span` under its flow limit; inf elsewhere."""
        volume_mm3 = self.job.net_mm[span] * self.limits.filament_area_mm2
        with np.errstate(divide="ignore", invalid="ignore"):
            cap = limit_mm3_per_s * self.job.length_mm[span] / volume_mm3
        return np.where(self.job.kind[span] == s.EXTRUDE, cap, np.inf)


@dataclass(frozen=True)
class _Asked:
    """The job as it is, the problem that it and the wishes make, and the cost of not planning.

    See Costs for the last two.
    """

    motion: Motion
    flow: FloatArray
    problem: Problem
    fixed_s: float
    fixed_outside: float


@dataclass(frozen=True)
class _Realised:
    """Node temperatures turned into feeds, their motion and what is left to pause, per stage."""

    T: FloatArray
    feed: FloatArray
    motion: Motion
    stage_s: FloatArray
    pause_s: FloatArray

    @property
    def total_s(self) -> float:
        return float(self.stage_s.sum() + self.pause_s.sum())


def plan_schedule(
    job: Timeline,
    limits: Limits,
    wishes: Wishes = NO_WISHES,
    motion_limits: MotionLimits = DEFAULT_LIMITS,
    *,
    set_C: float | None = None,
    stage_s: float = STAGE_S,
    even_melt: bool = True,
    guard_K: float | None = None,
) -> Schedule:
    """The schedule of least print time; of equally fast ones, one near the aimed temperatures.

    Temperatures stay guard_K (None: the limits' own guard) within the roles' bands at the surface,
    less in narrow bands; where the heater model predicts steps of flow and fan to take them out,
    what is planned moves against it (see sag). Ramps stay within the safe slew; flow at every
    step's highest speed within the lower flow limit. Aims are the wished temperatures, else the
    job's own (`set_C` where it sets none), moved with flow so that the mean melt temperature at
    the exit stays even. See least_time for the method and its proof.
    Errors: BadInput as set_temperatures_C and Wishes.bands.
    """
    machine = _Machine(job, limits, motion_limits)
    inner = wishes.shrunk(limits.guard.value if guard_K is None else guard_K)
    motion = machine.move(job.feed_mm_per_s)
    base_C = set_temperatures_C(job, set_C)
    flow = step_flows(job, motion, limits)
    given = (job, motion, flow, base_C, inner, limits, Options(stage_s, even_melt))
    problem = build_problem(*given)
    fixed_s = _fixed_s(machine, problem, base_C)
    fixed_outside = _outside(job, motion, base_C, wishes, limits)
    asked = _Asked(motion, flow, problem, fixed_s, fixed_outside)
    schedule = _planned(machine, asked, problem)
    for _ in range(_MOVES):
        stages = _moved(schedule, inner, limits)
        if stages is None:
            break
        schedule = _planned(machine, asked, build_problem(*given, stages))
    return schedule


def _moved(schedule: Schedule, inner: Wishes, limits: Limits) -> Stages | None:
    """The schedule's stages with bands moved against what is predicted; see sag.moved."""
    expected = expect(schedule, limits) if inner.roles else None
    if expected is None:
        return None
    job, steps = schedule.job, slice(*schedule.span)
    at_s = expected.trace.time_s + 0.5 * expected.trace.bin_s
    begin_s = schedule.start_s[steps]
    step = np.searchsorted(begin_s, at_s, side="right") - 1
    stage = schedule.stages.of_steps()[step]
    printing = (job.kind[steps][step] == s.EXTRUDE) & (schedule.stages.role[stage] != FREE)
    printing &= at_s < (begin_s + schedule.motion.duration_s[steps])[step]
    wanted_C, told_C = schedule.wanted.at(at_s), expected.prediction.temperature_C
    low_C, high_C, _ = inner.bands(job, limits)
    return sag.moved(
        schedule.stages,
        (low_C, high_C),
        stage[printing],
        wanted_C[printing],
        told_C[printing],
        limits,
    )


def _planned(machine: _Machine, asked: _Asked, problem: Problem) -> Schedule:
    """The schedule that solves a problem, and what it costs."""
    job_stage_s = problem.stages.sums(asked.motion.duration_s)
    smoothed, window_s = _smoothed(problem, job_stage_s, asked.flow, machine.limits)
    plain = _realise(machine, problem, smoothed)
    ours = min(_realise(machine, problem, _fastest(problem)), plain, key=lambda part: part.total_s)
    costs = Costs(
        job_s=float(job_stage_s.sum()),
        schedule_s=ours.total_s,
        fixed_s=asked.fixed_s,
        fixed_outside=asked.fixed_outside,
        smoothing_s=plain.total_s,
        smoothing_window_s=window_s,
    )
    return _schedule(machine, asked, problem, ours, costs)


def _fastest(problem: Problem) -> FloatArray:
    """Node temperatures of least time, shape (K + 1,)."""
    bands = (problem.low, problem.high)
    low, high = (np.searchsorted(problem.knots, band - TINY_S) for band in bands)
    arrays = (problem.slow, problem.rate, problem.up, problem.down, low, high)
    later = lt.time_to_go(problem.knots, *arrays)
    T, _ = lt.fastest_path(problem.knots, *arrays, problem.aim, later)
    return T


def _realise(machine: _Machine, problem: Problem, T: FloatArray) -> _Realised:
    """Feeds that keep flow within the limit and give ramps their time; the rest is paused.

    Stages whose moves are too long to ramp between are not slowed for a ramp but followed by a
    pause, in which the setpoint can move in small steps.
    """
    stages, span = problem.stages, problem.span
    needed_s = np.maximum(problem.ramps_s(T), stages.hold_s)
    stage = stages.of_steps()
    feed = machine.job.feed_mm_per_s.copy()
    limit = machine.limits.flow.low_at(np.minimum(T[:-1], T[1:]))[stage]
    feed[span] = np.minimum(feed[span], machine.caps(limit, span))
    motion = machine.move(feed)
    for _ in range(_PASSES):
        has_s = stages.sums(motion.duration_s)
        step_K = np.abs(np.diff(T)) * stages.longest(motion.duration_s)
        slowable = (needed_s > TINY_S) & (step_K <= STEP_K * has_s)
        share = np.where(slowable, has_s / np.maximum(needed_s, TINY_S), 1.0)
        slower = (machine.job.kind[span] == s.EXTRUDE) & (share[stage] < 1.0 - TINY_S)
        if not slower.any():
            break
        cruise = motion.cruise_mm_per_s[span]
        feed[span] = np.where(slower, np.minimum(feed[span], cruise) * share[stage], feed[span])
        motion = machine.move(feed)
    has_s = stages.sums(motion.duration_s)
    pause_s = np.maximum(0.0, needed_s - has_s)
    return _Realised(T, feed, motion, has_s, np.where(pause_s < TINY_S, 0.0, pause_s))


def _smoothed(
    problem: Problem, stage_s: FloatArray, flow: FloatArray, limits: Limits
) -> tuple[FloatArray, float]:
    """Node temperatures and window of plain smoothing: what each stage wants, averaged in time.

    The window is the shortest fixed one whose ramps are safe whatever it meets: the whole range
    wanted over the slowest safe rate.
    """
    need = np.minimum(_least_C(problem, flow, limits), limits.high_C)
    wanted = np.clip(np.maximum(problem.aim, need), problem.low, problem.high)
    clocks = np.maximum(np.diff(problem.up), np.diff(problem.down))
    window_s = float(np.ptp(wanted)) * float(np.max(clocks / np.diff(problem.knots)))
    at_s = np.concatenate([[0.0], np.cumsum(stage_s)])
    area = np.concatenate([[0.0], np.cumsum(0.5 * (wanted[1:] + wanted[:-1]) * stage_s)])
    begin, end = (np.clip(at_s + part * window_s, 0.0, at_s[-1]) for part in (-0.5, 0.5))
    width = np.maximum(end - begin, TINY_S)
    mean = (np.interp(end, at_s, area) - np.interp(begin, at_s, area)) / width
    return np.clip(np.where(width > TINY_S, mean, wanted), problem.low, problem.high), window_s


def _least_C(problem: Problem, flow: FloatArray, limits: Limits) -> FloatArray:
    """Lowest node temperatures that carry the highest flow of the stages on either side."""
    least = limits.flow.least_temperature_C(problem.stages.longest(flow))
    need: FloatArray = np.maximum(np.insert(least, 0, 0.0), np.append(least, 0.0))
    return need


def _fixed_s(machine: _Machine, problem: Problem, base_C: FloatArray) -> float:
    """Print time at the job's own temperatures, slowed to the flow limit."""
    span = problem.span
    feed = machine.job.feed_mm_per_s.copy()
    limit = machine.limits.flow.low_at(base_C[span])
    feed[span] = np.minimum(feed[span], machine.caps(limit, span))
    return float(machine.move(feed).duration_s[span].sum())


def _outside(
    job: Timeline, motion: Motion, base_C: FloatArray, wishes: Wishes, limits: Limits
) -> float:
    """Share of the printing time of wished roles that base_C prints outside their bands."""
    low_C, high_C, _ = (np.asarray(part)[job.role] for part in wishes.bands(job, limits))
    wished = np.isin(job.role, [job.role_names.index(name) for name in wishes.roles])
    time_s = np.where(wished & (job.kind == s.EXTRUDE), motion.duration_s, 0.0)
    missed = (base_C < low_C) | (base_C > high_C)
    return float(time_s[missed].sum() / max(time_s.sum(), TINY_S))


def _settle(problem: Problem, plan: _Realised, flow: FloatArray, limits: Limits) -> FloatArray:
    """With the times fixed, move from the planned path as near to the aims as allowed.

    Ramps go at GENTLE of the safe slew wherever that still reaches every band in time: a
    controller's deviation grows with the rate. Runs of stages where it does not are released to
    the full safe slew together with their neighbours, until every band is reached.
    """
    time_s = (plan.stage_s + plan.pause_s + TINY_S) / problem.rate
    low = np.minimum(np.maximum(problem.low, _least_C(problem, flow, limits)), plan.T)
    clocks = (problem.knots, problem.up, problem.down)
    run = np.concatenate([[0], np.cumsum(np.diff(problem.stages.role) != 0)])
    gentle = np.ones(int(run[-1]) + 1, dtype=np.bool_)
    while True:
        used_s = time_s * np.where(gentle[run], GENTLE, 1.0)
        lowest, highest = lt.envelopes(low, problem.high, used_s, *clocks)
        missed = run[np.minimum(np.flatnonzero(lowest > highest + _SAME_K), run.size - 1)]
        near = np.unique(np.clip([missed - 1, missed, missed + 1], 0, gentle.size - 1))
        if not gentle[near].any():
            return lt.nearest_path(problem.aim, lowest, highest, used_s, *clocks)
        gentle[near] = False


def _schedule(
    machine: _Machine, asked: _Asked, problem: Problem, plan: _Realised, costs: Costs
) -> Schedule:
    job, limits, stages = machine.job, machine.limits, problem.stages
    flow = step_flows(job, plan.motion, limits)
    pause_s = np.zeros(len(job) + 1)
    np.add.at(pause_s, stages.first[1:], plan.pause_s)
    start_s = np.cumsum(plan.motion.duration_s + pause_s[:-1]) - plan.motion.duration_s
    start_s -= start_s[problem.span.start]
    node_time_s = np.concatenate([[0.0], np.cumsum(plan.stage_s + plan.pause_s)])
    settled = _settle(problem, plan, flow, limits)
    wanted = Wanted(problem.knots, problem.up, problem.down, node_time_s, settled)
    job_stage_s = stages.sums(asked.motion.duration_s)
    short, count = find_too_short(job, asked.problem, job_stage_s, start_s)
    return Schedule(
        job=job,
        stages=stages,
        motion=plan.motion,
        wanted=wanted,
        feed_mm_per_s=plan.feed,
        pause_s=pause_s[:-1],
        start_s=start_s,
        set_C=wanted.at(start_s + 0.5 * plan.motion.duration_s + limits.lag_s),
        flow_mm3_per_s=flow,
        lead_s=limits.lag_s,
        slice_s=float(np.clip(0.5 * STEP_K / problem.fastest_K_per_s, *_SLICES_S)),
        span=(problem.span.start, problem.span.stop),
        costs=costs,
        too_short=short,
        too_short_count=count,
    )


@dataclass(frozen=True)
class Expected:
    """What a schedule is expected to do: its trace, predicted temperatures and surfaces."""

    trace: Trace
    prediction: Prediction
    surfaces: Surfaces


def expect(schedule: Schedule, limits: Limits) -> Expected | None:
    """The schedule played by the heater model; None where the profile states no heater."""
    shown = schedule_trace(schedule, limits)
    start_C = float(shown.set_C[0])
    flow = shown.flow_mm3_per_s
    told = predict(limits, shown.bin_s, shown.set_C, flow, shown.fan, start_C)
    if told is None:
        return None
    steps = slice(*schedule.span)
    start_s = schedule.start_s[steps]
    end_s = start_s + schedule.motion.duration_s[steps]
    found = surfaces(schedule.job, steps, start_s, end_s, shown.bin_s, told)
    return Expected(shown, told, found)


def schedule_trace(schedule: Schedule, limits: Limits) -> Trace:
    """The scheduled job in equal time bins from the first print move, as it is commanded."""
    steps = slice(*schedule.span)
    return trace(
        schedule.job,
        limits,
        steps,
        schedule.start_s[steps],
        schedule.motion.duration_s[steps],
        lambda time_s, _: schedule.wanted.at(time_s + schedule.lead_s),
    )
