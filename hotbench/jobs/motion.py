"""Acceleration-limited motion: how long every step of a job takes."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, unknown_key
from hotbench.jobs.scan import EXTRUDE, FILAMENT
from hotbench.jobs.timeline import Timeline
from hotbench.profile.types import MachineMotion


@dataclass(frozen=True, kw_only=True)
class MotionLimits:
    """What the machine's motion can do, as its owner declares it.

    corner_deviation_mm: how far a corner may be cut in theory; with the acceleration it sets the
    speed through it. filament_*: of moves that only feed or draw back filament.
    Defaults are common practice, no source. Errors: BadInput unless all are positive and finite.
    """

    speed_mm_per_s: float = 300.0
    vertical_speed_mm_per_s: float = 15.0
    filament_speed_mm_per_s: float = 60.0
    acceleration_mm_per_s2: float = 3000.0
    travel_acceleration_mm_per_s2: float = 5000.0
    filament_acceleration_mm_per_s2: float = 2000.0
    corner_deviation_mm: float = 0.02

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not (math.isfinite(value) and value > 0.0):
                raise BadInput("must be positive", where=item.name, value=value)


DEFAULT_LIMITS = MotionLimits()


@dataclass(frozen=True, slots=True)
class MotionFigure:
    """One limit in use: its field in MotionLimits, its value and where that comes from."""

    name: str
    value: float
    basis: Literal["stated", "declared", "assumed"]


def motion_figures(
    declared: MachineMotion | None = None, stated: Mapping[str, float] | None = None
) -> tuple[MotionFigure, ...]:
    """Every motion limit: as stated for this job, else as the profile declares, else assumed.

    Errors: BadInput for a stated name that is none, with the nearest.
    """
    names = [item.name for item in fields(MotionLimits)]
    for name in stated or {}:
        if name not in names:
            raise unknown_key(name, names, where="motion limit")
    return tuple(_figure(name, declared, stated or {}) for name in names)


def _figure(name: str, declared: MachineMotion | None, stated: Mapping[str, float]) -> MotionFigure:
    if name in stated:
        return MotionFigure(name, stated[name], "stated")
    value = getattr(declared, name, None)
    if value is not None:
        return MotionFigure(name, value, "declared")
    return MotionFigure(name, getattr(DEFAULT_LIMITS, name), "assumed")


def limits_from(figures: Iterable[MotionFigure]) -> MotionLimits:
    """The limits that the figures make. Errors: BadInput as MotionLimits."""
    return MotionLimits(**{figure.name: figure.value for figure in figures})


@dataclass(frozen=True)
class Motion:
    """Times and speeds of the steps; arrays of shape (n,).

    duration_s: of each step, heater waits count 0. cruise_mm_per_s: the highest speed reached.
    end_s: time at the step's end, from the job's start.
    """

    duration_s: FloatArray
    cruise_mm_per_s: FloatArray
    end_s: FloatArray

    @property
    def total_s(self) -> float:
        """Duration of the whole job."""
        return float(self.end_s[-1]) if self.end_s.size else 0.0


def plan_motion(
    job: Timeline,
    limits: MotionLimits = DEFAULT_LIMITS,
    feed_mm_per_s: FloatArray | None = None,
) -> Motion:
    """Durations of all steps; `feed_mm_per_s` replaces the job's own feeds.

    Speeds between steps are the highest that keep every step within its feed and acceleration
    (a backward, then a forward pass over v² <= v0² + 2 a s; both are needed and together exact).
    The look-ahead is unlimited, so a board that looks ahead less is slower on short steps.
    """
    feed = job.feed_mm_per_s if feed_mm_per_s is None else feed_mm_per_s
    columns = (job.kind, job.length_mm, job.climb_mm, job.fed_mm, job.radius_mm, job.corner_cos)
    figures = np.array([getattr(limits, item.name) for item in fields(MotionLimits)])
    duration_s, cruise = trapezoids(*step_limits(*columns, feed, figures))
    duration_s += job.dwell_s
    return Motion(duration_s, cruise, np.cumsum(duration_s))


@njit(cache=True, error_model="numpy")
def corner_speed(corner_cos: float, acceleration: float, deviation_mm: float) -> float:
    """Largest speed through a corner: on a circle that passes it at `deviation_mm`.

    The circle touching both legs whose arc is d away from the corner has the radius
    r = d s / (1 - s), s = sin(half the angle between the legs); then v² = a r. Elementary geometry.
    """
    half = math.sqrt(max(0.0, 0.5 * (1.0 + corner_cos)))
    if half > 1.0 - 1e-9:
        return math.inf
    return math.sqrt(acceleration * deviation_mm * half / (1.0 - half))


@njit(cache=True, error_model="numpy")
def step_limits(
    kind: NDArray[np.int8],
    length_mm: FloatArray,
    climb_mm: FloatArray,
    fed_mm: FloatArray,
    radius_mm: FloatArray,
    corner_cos: FloatArray,
    feed_mm_per_s: FloatArray,
    figures: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Path, top speed, acceleration and speed into every step, shapes (n,).

    Top speed is the feed, held to the axes' limits and to v² <= a r on arcs (centripetal).
    figures: MotionLimits in the order of its fields.
    """
    speed, vertical, filament, plain, travelling, feeding, deviation_mm = figures
    n = kind.size
    path, top, acceleration, entry = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):
        path[i] = abs(fed_mm[i]) if kind[i] == FILAMENT else length_mm[i]
        a = travelling
        if kind[i] == EXTRUDE:
            a = plain
        elif kind[i] == FILAMENT:
            a = feeding
        most = min(feed_mm_per_s[i], speed)
        if climb_mm[i] != 0.0:
            most = min(most, vertical * path[i] / abs(climb_mm[i]))
        if fed_mm[i] != 0.0:
            most = min(most, filament * path[i] / abs(fed_mm[i]))
        top[i] = min(most, math.sqrt(a * radius_mm[i]))
        acceleration[i] = a
        entry[i] = corner_speed(corner_cos[i], a, deviation_mm)
    return path, top, acceleration, entry


@njit(cache=True, error_model="numpy")
def _squared_entries(
    path_mm: FloatArray, top: FloatArray, acceleration: FloatArray, entry: FloatArray
) -> FloatArray:
    """Squared speed at the start of every step and, last, at the end; shape (n + 1,)."""
    n = path_mm.size
    squared = np.zeros(n + 1)
    for i in range(n - 1, 0, -1):
        if path_mm[i] > 0.0 and path_mm[i - 1] > 0.0:
            corner = min(entry[i], top[i], top[i - 1])
            squared[i] = min(corner * corner, squared[i + 1] + 2.0 * acceleration[i] * path_mm[i])
    for i in range(n):
        reach = squared[i] + 2.0 * acceleration[i] * path_mm[i]
        squared[i + 1] = min(squared[i + 1], reach)
    return squared


@njit(cache=True, error_model="numpy")
def trapezoids(
    path_mm: FloatArray, top: FloatArray, acceleration: FloatArray, entry: FloatArray
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Duration and highest speed of every step, shapes (n,); zero paths take no time."""
    n = path_mm.size
    duration_s, cruise = np.zeros(n), np.zeros(n)
    squared = _squared_entries(path_mm, top, acceleration, entry)
    v1 = 0.0
    for i in range(n):
        v0, v1 = v1, math.sqrt(squared[i + 1])
        if path_mm[i] <= 0.0:
            continue
        a = acceleration[i]
        peak = min(top[i], math.sqrt(0.5 * (squared[i] + squared[i + 1]) + a * path_mm[i]))
        peak = max(peak, v0, v1)
        ramps_mm = (2.0 * peak * peak - squared[i] - squared[i + 1]) / (2.0 * a)
        cruising_mm = max(0.0, path_mm[i] - ramps_mm)
        duration_s[i] = (2.0 * peak - v0 - v1) / a + cruising_mm / peak
        cruise[i] = peak
    return duration_s, cruise
