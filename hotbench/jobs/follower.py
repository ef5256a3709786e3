"""A temperature that follows its setpoint no faster than the safe slew, and waits for it."""

import math
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.words import IntArray

_STEP_K = 0.25
_TOP_C = 1000.0
ROOM_C = 25.0


class Ramps:
    """Times of safe ramps between any two temperatures, read off tabulated integrals."""

    def __init__(self, limits: Limits) -> None:
        self._grid = np.linspace(0.0, _TOP_C, round(_TOP_C / _STEP_K) + 1)
        self._up = limits.slew_up.clock_s(self._grid)
        self._down = limits.slew_down.clock_s(self._grid)

    def duration_s(self, from_C: float, to_C: float) -> float:
        """Seconds a safe ramp takes."""
        clock = self._up if to_C >= from_C else self._down
        begin, end = np.interp([from_C, to_C], self._grid, clock)
        return abs(float(end - begin))

    def after(self, from_C: float, to_C: float, for_s: float) -> float:
        """Where a ramp towards `to_C` stands after `for_s` seconds."""
        if self.duration_s(from_C, to_C) <= for_s:
            return to_C
        clock = self._up if to_C > from_C else self._down
        begin = float(np.interp(from_C, self._grid, clock))
        reached = begin + math.copysign(for_s, to_C - from_C)
        return float(np.interp(reached, clock, self._grid))


@dataclass(frozen=True)
class SetpointWords:
    """The job's temperature words in order; arrays of shape (k,).

    event: index into the timeline's events. before_C: setpoint before the word, NaN at first.
    follower_C: where a safe follower stands when the word comes. wait_s: per step, shape (n,).
    """

    event: IntArray
    before_C: FloatArray
    follower_C: FloatArray
    wait_s: FloatArray


def follow_words(job: Timeline, duration_s: FloatArray, limits: Limits) -> SetpointWords:
    """Follow the setpoint through the job; waits take the rest of the ramp plus the lag."""
    ramps = Ramps(limits)
    clock_s = np.concatenate([[0.0], np.cumsum(duration_s)])
    chosen = np.flatnonzero(np.isin(job.event_kind, (s.SET_HEAT, s.SET_HEAT_WAIT)))
    before, follower, wait_s = np.empty(chosen.size), np.empty(chosen.size), np.zeros(len(job))
    at_C = limits.heater.ambient_C if limits.heater else ROOM_C
    set_C, last_s = math.nan, 0.0
    for k, event in enumerate(chosen):
        value, step = float(job.event_value[event]), int(job.event_step[event])
        if not math.isnan(set_C):
            at_C = ramps.after(at_C, set_C, float(clock_s[step]) - last_s)
        before[k], follower[k] = set_C, at_C
        if job.event_kind[event] == s.SET_HEAT_WAIT:
            wait_s[step] += ramps.duration_s(at_C, value) + limits.lag_s
            at_C = value
        set_C, last_s = value, float(clock_s[step])
    return SetpointWords(chosen.astype(np.int64), before, follower, wait_s)
