"""The least-time problem of a job: stages, bands, aims, slow-down and ramp clocks."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from hotbench.core.arrays import FloatArray
from hotbench.jobs.follower import ROOM_C
from hotbench.jobs.limits import SETTLE_LAGS, Limits, MeltFacts
from hotbench.jobs.motion import Motion
from hotbench.jobs.stages import FREE, Stages, build_stages, knots_C, slow_times_s
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import Wishes
from hotbench.models.melt import constant_exit_wall_C

TINY_S = 1e-6
STEP_K = 0.8
"""Ramps slow down where moves are so long that the setpoint would step by more than this."""
_LAGS_AVERAGED = 4.0
_LEAST_FLOW = 0.1


@dataclass(frozen=True)
class Options:
    """How finely to plan (s per stage), and whether aims move with flow."""

    stage_s: float
    even_melt: bool


@dataclass(frozen=True)
class Problem:
    """Stages with everything the least-time passes need; see least_time for the letters.

    slow: D, shape (K, G). rate: r, shape (K,). up, down: U and V at the knots, s. low, high,
    aim: per node, C. fastest_K_per_s: the fastest safe ramp anywhere. settle_s: rest
    between a ramp and the surface it is for.
    """

    stages: Stages
    knots: FloatArray
    slow: FloatArray
    rate: FloatArray
    up: FloatArray
    down: FloatArray
    low: FloatArray
    high: FloatArray
    aim: FloatArray
    fastest_K_per_s: float
    settle_s: float

    @property
    def span(self) -> slice:
        """The steps planned: from the first print move to the last."""
        return slice(int(self.stages.first[0]), int(self.stages.first[-1]))

    def ramps_s(self, T: FloatArray) -> FloatArray:
        """Time of a safe ramp between neighbouring nodes, shape (K,)."""
        up, down = (np.interp(T, self.knots, clock) for clock in (self.up, self.down))
        return np.asarray(self.rate * np.maximum(np.diff(up), -np.diff(down)), dtype=np.float64)


def build_problem(
    job: Timeline,
    motion: Motion,
    flow: FloatArray,
    base_C: FloatArray,
    wishes: Wishes,
    limits: Limits,
    options: Options,
    stages: Stages | None = None,
) -> Problem:
    """The problem of a job whose steps take `motion` at `flow`; base_C: its own temperatures.

    stages: as this made them, with other bands at their nodes; None makes them.
    """
    low_C, high_C, aim_C = wishes.bands(job, limits)
    settle_s = SETTLE_LAGS * max(limits.lag_s, limits.trail_s)
    spans = (options.stage_s, settle_s)
    if stages is None:
        stages = build_stages(job, motion.duration_s, low_C, high_C, limits, *spans)
    knots = knots_C(stages, limits)
    tables = (limits.slew_up, limits.slew_down)
    fastest = max(float(np.max(table.at(knots))) for table in tables)
    wished = np.asarray(aim_C)[job.role]
    aims = _stage_means(stages, np.where(np.isnan(wished), base_C, wished), motion.duration_s)
    if options.even_melt and limits.melt is not None:
        aims = _even_melt_C(stages, aims, job, motion, limits, limits.melt)
    return Problem(
        stages=stages,
        knots=knots,
        rate=np.maximum(1.0, fastest * stages.longest(motion.duration_s) / STEP_K),
        slow=slow_times_s(stages, motion.duration_s, flow, knots, limits),
        up=limits.slew_up.clock_s(knots),
        down=limits.slew_down.clock_s(knots),
        low=stages.low_C,
        high=stages.high_C,
        aim=_node_aims(stages, aims),
        fastest_K_per_s=fastest,
        settle_s=settle_s,
    )


def _stage_means(stages: Stages, values: FloatArray, duration_s: FloatArray) -> FloatArray:
    """Time-weighted mean of a step column over each stage; an empty one takes the next's."""
    weight = duration_s + TINY_S
    sums = stages.sums(weight)
    mean = stages.sums(np.nan_to_num(values) * weight) / np.where(sums > 0.0, sums, 1.0)
    filled = np.flatnonzero(sums > 0.0)
    following = np.minimum(np.searchsorted(filled, np.arange(len(stages))), filled.size - 1)
    return np.asarray(mean[filled[following]], dtype=np.float64)


def _even_melt_C(
    stages: Stages,
    aim_C: FloatArray,
    job: Timeline,
    motion: Motion,
    limits: Limits,
    melt: MeltFacts,
) -> FloatArray:
    """Aims raised or lowered with flow so that the mean exit temperature of the melt stays even.

    The reference is the aim at the job's mean flow; flow is averaged over the heater's own lag,
    since a hot end cannot follow faster.
    """
    time_s = stages.sums(motion.duration_s)
    volume_mm3 = stages.sums(job.net_mm * limits.filament_area_mm2)
    window = max(1, math.ceil(_LAGS_AVERAGED * limits.lag_s / max(float(np.mean(time_s)), TINY_S)))
    smooth = [uniform_filter1d(part, window, mode="nearest") for part in (volume_mm3, time_s)]
    flow = np.maximum(smooth[0], 0.0) / np.maximum(smooth[1], TINY_S)
    mean_flow = float(volume_mm3.sum() / max(time_s.sum(), TINY_S))
    feed_C = limits.heater.ambient_C if limits.heater else ROOM_C
    # The mean exit temperature is proportional to the wall's rise over the feed.
    rise = constant_exit_wall_C(
        np.maximum(flow, _LEAST_FLOW * mean_flow),
        melt.alpha_L_mm3_per_s,
        feed_C=feed_C,
        reference_wall_C=feed_C + 1.0,
        reference_flow_mm3_per_s=mean_flow,
    )
    return np.asarray(feed_C + (aim_C - feed_C) * (rise - feed_C), dtype=np.float64)


def _node_aims(stages: Stages, aim_C: FloatArray) -> FloatArray:
    """Aim of every node: of the bound stage at it, else the mean of both; within its band."""
    weight = np.where(stages.role == FREE, 1e-3, 1.0)
    left, right = np.insert(weight, 0, 0.0), np.append(weight, 0.0)
    total = left * np.insert(aim_C, 0, 0.0) + right * np.append(aim_C, 0.0)
    aim: FloatArray = np.clip(total / (left + right), stages.low_C, stages.high_C)
    return aim
