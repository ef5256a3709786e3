"""When the logged duty really changed: between two readings, at a time the record helps to find.

A report shows the duty at its own time. A change seen first in row k happened anywhere in the
interval before it, and a fast heater moves kelvins in that time. Each large change gets a time of
its own, with the flat prior of its interval (standard deviation interval / sqrt 12) and found by
one joint Gauss-Newton step with all the model's parameters.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater_data import HeaterData, Stretch
from hotbench.fitting.heater_problem import Problem
from hotbench.models.heater_steps import P

NOTABLE_K = 0.1
"""Changes of duty are moved when their unknown time leaves at least this much temperature open."""
MOST_NUMBERS = 4_000_000
"""Size of the derivatives held at once, so that memory stays small beside a long log."""
NUDGE = 0.05
"""Share of the interval by which a switch is moved to see what it does."""
WITHIN = 0.49
"""Largest move off the middle of the interval, as its share: switches keep their order."""


@dataclass(frozen=True)
class _Moves:
    """Rows of a stretch whose switches move, the open time of each, s, and what they do, K/s."""

    rows: NDArray[np.intp]
    open_s: FloatArray
    now_s: FloatArray
    effect: FloatArray


def with_switches_found(problem: Problem, values: FloatArray, rms_K: float) -> HeaterData | None:
    """The data with switches moved to where this model sees them; None where none is notable.

    values: by unknown, outer coordinates; rms_K: of the model's residual, the noise that the
    prior is weighed against.
    """
    moves = [_moves(problem, values, i) for i in range(len(problem.data.stretches))]
    if not any(move.rows.size for move in moves):
        return None
    found = _joint_step(problem, values, moves, rms_K)
    stretches, begin = [], 0
    for stretch, move in zip(problem.data.stretches, moves, strict=True):
        stretches.append(_moved(stretch, move, found[begin : begin + move.rows.size]))
        begin += move.rows.size
    return replace(problem.data, stretches=tuple(stretches))


def _moves(problem: Problem, values: FloatArray, number: int) -> _Moves:
    stretch = problem.data.stretches[number]
    rows = notable(stretch, float(problem.vector(values, number)[P.HEATING]))
    before = problem.trace(values, number) if rows.size else np.zeros(0)
    open_s = stretch.time_s[rows] - stretch.time_s[rows - 1]
    effect = np.empty((rows.size, len(stretch) if rows.size else 0))
    for i, row in enumerate(rows):
        switch_s = stretch.switch_s.copy()
        switch_s[row] += _nudge(stretch, row)
        moved = replace(problem, data=_only(problem.data, number, switch_s))
        effect[i] = (moved.trace(values, number) - before) / _nudge(stretch, row)
    middle_s = 0.5 * (stretch.time_s[rows] + stretch.time_s[rows - 1])
    return _Moves(rows, open_s, stretch.switch_s[rows] - middle_s, effect)


def notable(stretch: Stretch, heating_K_per_s: float) -> NDArray[np.intp]:
    """Rows where the duty has changed so much that its unknown time shows in the temperature."""
    if not stretch.sampled:
        return np.empty(0, dtype=np.intp)
    open_s = np.diff(stretch.time_s) / math.sqrt(12.0)
    unknown_K = heating_K_per_s * np.abs(np.diff(stretch.duty)) * open_s
    rows = np.flatnonzero(unknown_K > NOTABLE_K) + 1
    most = max(MOST_NUMBERS // len(stretch), 0)
    strongest = np.argsort(-unknown_K[rows - 1], kind="stable")[:most]
    return np.sort(rows[strongest])


def _nudge(stretch: Stretch, row: np.intp) -> float:
    """A small move towards the middle, so that it stays between its neighbours."""
    open_s = float(stretch.time_s[row] - stretch.time_s[row - 1])
    middle_s = 0.5 * float(stretch.time_s[row] + stretch.time_s[row - 1])
    return math.copysign(NUDGE * open_s, middle_s - float(stretch.switch_s[row]))


def _only(data: HeaterData, number: int, switch_s: FloatArray) -> HeaterData:
    stretches = list(data.stretches)
    stretches[number] = replace(stretches[number], switch_s=switch_s)
    return replace(data, stretches=tuple(stretches))


def _joint_step(
    problem: Problem, values: FloatArray, moves: list[_Moves], rms_K: float
) -> FloatArray:
    """Where all moving switches belong, s off the middle, the parameters moving along."""
    normal = problem.evaluate(values).normal
    d, m = normal.grad.size, sum(move.rows.size for move in moves)
    gram, grad = np.zeros((d + m, d + m)), np.zeros(d + m)
    gram[:d, :d], grad[:d] = normal.gram + 1e-9 * np.diag(np.diag(normal.gram)), normal.grad
    begin = d
    for i, move in enumerate(moves):
        mine = slice(begin, begin + move.rows.size)
        begin += move.rows.size
        if not move.rows.size:
            continue
        stretch = problem.data.stretches[i]
        counted = stretch.fitted >= 0
        weight = np.where(counted, stretch.weight, 0.0)
        residual = np.where(counted, problem.trace(values, i) - stretch.temperature_C, 0.0)
        weighted = move.effect * weight
        gram[mine, :d] = weighted @ problem.slopes(values, i)
        gram[:d, mine] = gram[mine, :d].T
        precision = rms_K**2 * 12.0 / move.open_s**2
        gram[mine, mine] = weighted @ move.effect.T + np.diag(precision)
        grad[mine] = weighted @ residual + precision * move.now_s
    step = np.linalg.lstsq(gram, -grad, rcond=1e-12)[0][d:]
    moved: FloatArray = np.concatenate([move.now_s for move in moves]) + step
    return moved


def _moved(stretch: Stretch, move: _Moves, off_middle_s: FloatArray) -> Stretch:
    if not move.rows.size:
        return stretch
    limit_s = WITHIN * move.open_s
    middle_s = 0.5 * (stretch.time_s[move.rows] + stretch.time_s[move.rows - 1])
    switch_s = stretch.switch_s.copy()
    switch_s[move.rows] = middle_s + np.clip(off_middle_s, -limit_s, limit_s)
    return replace(stretch, switch_s=switch_s)
