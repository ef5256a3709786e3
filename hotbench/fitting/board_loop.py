"""The board's controller from its logged duty: what it answers to readings and setpoints."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.optimize import nnls

from hotbench.core.arrays import FloatArray, IntArray
from hotbench.core.records import Run
from hotbench.models.board_loop import BoardLoop, filtered_slope, replayed_duty

EXPLAINED = 0.9
"""Least share of the duty's variance that a controller must explain where the setpoint moved;
common practice, no source."""
HELD_s = 5.0
"""The duty just before the setpoint moves is averaged over this."""
SMOOTHED_s = 5.0
"""What the heater model misses is averaged over this: a reading's noise goes, slow errors stay.
Of 1 to 20 s what found 16 sleeves and 8 blocks, simulated, best."""
FEWEST_SAMPLES = 30
SHORTEST = 8
"""Readings of a stretch between two ends of the duty; a shorter one tells nothing of its own."""
GAP = 3.0
"""A pause of so many sampling intervals parts a stretch."""
FILTERS_s = (0.03, 0.06, 0.1, 0.16, 0.25, 0.4, 0.7, 1.2, 2.0, 4.0)


@dataclass(frozen=True)
class Regulated:
    """A run as its controller saw it; arrays of one length.

    temperature_C: what the board read when it chose the duty, half a sample before the log's, less
    the reading's noise: noise in a regressor would shrink the gain. moved: the number of the
    stretch in which the setpoint moves, -1 elsewhere.
    """

    time_s: FloatArray
    setpoint_C: FloatArray
    temperature_C: FloatArray
    duty: FloatArray
    moved: IntArray

    @classmethod
    def of(
        cls, run: Run, predicted_C: FloatArray, stretches: Sequence[tuple[int, int]]
    ) -> "Regulated | None":
        """A run with what a heater model expects of its duty; stretches: first and past.

        None where the duty is not known.
        """
        moved = np.full(len(run), -1)
        for number, (first, past) in enumerate(stretches):
            moved[first:past] = number
        known = np.isfinite(run.duty) & np.isfinite(run.temperature_C) & np.isfinite(predicted_C)
        if np.count_nonzero(known & (moved >= 0)) < FEWEST_SAMPLES:
            return None
        time_s, predicted_C = run.time_s[known], predicted_C[known]
        interval_s = float(np.median(np.diff(time_s)))
        width = max(round(SMOOTHED_s / interval_s), 1)
        missed_K = uniform_filter1d(run.temperature_C[known] - predicted_C, width, mode="nearest")
        read_s = time_s - 0.5 * interval_s
        return cls(
            time_s,
            run.setpoint_C[known],
            np.interp(read_s, time_s, predicted_C + missed_K),
            run.duty[known],
            moved[known],
        )

    @property
    def error_K(self) -> FloatArray:
        """Setpoint minus reading."""
        error_K: FloatArray = self.setpoint_C - self.temperature_C
        return error_K

    def between_ends(self) -> Iterator[IntArray]:
        """Indices of the stretches in which the duty is at neither end and the setpoint stands."""
        free = np.flatnonzero((self.duty > 0.0) & (self.duty < 1.0) & (self.setpoint_C > 0.0))
        parted = (np.diff(free) > 1) | (np.diff(self.setpoint_C[free]) != 0.0)
        parted |= np.diff(self.time_s[free]) > GAP * float(np.median(np.diff(self.time_s)))
        for stretch in np.split(free, np.flatnonzero(parted) + 1):
            if stretch.size > SHORTEST:
                yield stretch[1:]

    def answers(self) -> Iterator[tuple[slice, float]]:
        """Where the setpoint moves, each with the duty held before."""
        for number in np.unique(self.moved[self.moved >= 0]):
            index = np.flatnonzero(self.moved == number)
            since_s = self.time_s[index[0]] - HELD_s
            held = self.duty[: index[0]][self.time_s[: index[0]] > since_s]
            if held.size:
                yield slice(int(index[0]), int(index[-1]) + 1), float(np.mean(held))


def fit_board_loop(runs: Sequence[Regulated]) -> BoardLoop | None:
    """The controller whose duty comes nearest to the logged one, in least squares.

    Between the ends of the duty the law is linear, its integral known but for where it began: one
    constant per stretch, so that it does not matter what the board did with its integral at an
    end. None where no controller of this kind explains the duty.
    """
    found = [_nearest(runs, filter_s) for filter_s in FILTERS_s]
    boards = [one for one in found if one is not None]
    if not boards:
        return None
    _, board = min(boards, key=lambda one: one[0])
    return board if _explained(board, runs) >= EXPLAINED else None


def _nearest(runs: Sequence[Regulated], filter_s: float) -> tuple[float, BoardLoop] | None:
    """Residual and best controller for one filter of the derivative; None if it has no gain."""
    parts = [part for run in runs for part in _linear(run, filter_s)]
    if not parts:
        return None
    table = np.vstack([part[:, 1:] for part in parts])
    duty = np.concatenate([part[:, 0] for part in parts])
    (gain, derivative, integral), residual = nnls(table, duty)
    if gain <= 0.0:
        return None
    board = BoardLoop(
        gain_per_K=float(gain),
        integral_time_s=float(gain / integral) if integral > 0.0 else math.inf,
        derivative_time_s=float(derivative / gain),
        filter_s=filter_s,
    )
    return float(residual), board


def _linear(run: Regulated, filter_s: float) -> Iterator[FloatArray]:
    """By stretch: duty, error, minus slope and integral of the error, less their means."""
    step_s = np.diff(run.time_s, prepend=run.time_s[0])
    slope = filtered_slope(run.time_s, run.temperature_C, filter_s)
    grown = np.cumsum(run.error_K * step_s) - run.error_K * step_s
    table = np.column_stack([run.duty, run.error_K, -slope, grown])
    for stretch in run.between_ends():
        part: FloatArray = table[stretch] - table[stretch].mean(axis=0)
        yield part


def _explained(board: BoardLoop, runs: Sequence[Regulated]) -> float:
    """Share of the duty's variance that the controller explains where the setpoint moves."""
    logged, missed = [], []
    for run in runs:
        for at, held_duty in run.answers():
            columns = (run.time_s[at], run.setpoint_C[at], run.temperature_C[at])
            logged.append(run.duty[at])
            missed.append(replayed_duty(board, *columns, held_duty) - run.duty[at])
    total = float(np.var(np.concatenate(logged))) if logged else 0.0
    return 1.0 - float(np.mean(np.concatenate(missed) ** 2)) / total if total > 0.0 else 0.0
