"""The board's controller from its logged duty: what it answers when the setpoint moves."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import least_squares

from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run
from hotbench.fitting.ramps import smoothed
from hotbench.models.board_loop import BoardLoop, replayed_duty

EXPLAINED = 0.9
"""Least share of the duty's variance that a controller must explain; common practice, no source."""
HELD_s = 5.0
"""The duty just before the setpoint moves is averaged over this."""
FEWEST_SAMPLES = 30
_LOWEST = np.log([1e-4, 0.3, 1e-3, 0.03])
_HIGHEST = np.log([10.0, 1e4, 60.0, 10.0])
_STARTS = tuple(
    np.log([gain_per_K, integral_s, derivative_s, 0.3])
    for gain_per_K, integral_s, derivative_s in product((0.02, 0.1), (4.0, 30.0), (0.3, 3.0))
)


@dataclass(frozen=True)
class Answer:
    """A stretch of a run in which the setpoint moved, from a hold on; arrays of one length.

    temperature_C: as the board read it when it chose the duty, half a sample before the log's.
    """

    time_s: FloatArray
    setpoint_C: FloatArray
    temperature_C: FloatArray
    duty: FloatArray
    held_duty: float

    @classmethod
    def of(cls, run: Run, first: int, past: int) -> "Answer | None":
        """Samples first to past of a run; None where the duty is not known."""
        before = (run.time_s > run.time_s[first] - HELD_s) & (np.arange(len(run)) < first)
        held = run.duty[before & np.isfinite(run.duty)]
        known = np.isfinite(run.duty) & np.isfinite(run.temperature_C)
        index = first + np.flatnonzero(known[first:past])
        if not held.size or index.size < FEWEST_SAMPLES:
            return None
        time_s = run.time_s[index]
        read_s = time_s - 0.5 * float(np.median(np.diff(time_s)))
        return cls(
            time_s,
            run.setpoint_C[index],
            np.interp(read_s, time_s, smoothed(run.temperature_C[index])[0]),
            run.duty[index],
            float(np.mean(held)),
        )


def fit_board_loop(answers: Sequence[Answer]) -> BoardLoop | None:
    """The controller whose duty comes nearest to the logged one, in least squares.

    None without answers, and where no controller of this kind explains the duty.
    """
    if not answers:
        return None
    logged = np.concatenate([one.duty for one in answers])
    total = float(np.sum((logged - logged.mean()) ** 2))

    def residuals(logs: FloatArray) -> FloatArray:
        found = np.concatenate([_replayed(_board(logs), one) for one in answers])
        difference: FloatArray = found - logged
        return difference

    fits = [least_squares(residuals, start, bounds=(_LOWEST, _HIGHEST)) for start in _STARTS]
    best = min(fits, key=lambda fit: fit.cost)
    explained = 2.0 * best.cost <= (1.0 - EXPLAINED) * total
    return _board(best.x) if explained and total > 0.0 else None


def _board(logs: FloatArray) -> BoardLoop:
    gain_per_K, integral_s, derivative_s, filter_s = (float(value) for value in np.exp(logs))
    return BoardLoop(
        gain_per_K=gain_per_K,
        integral_time_s=integral_s,
        derivative_time_s=derivative_s,
        filter_s=filter_s,
    )


def _replayed(board: BoardLoop, answer: Answer) -> FloatArray:
    return replayed_duty(
        board, answer.time_s, answer.setpoint_C, answer.temperature_C, answer.held_duty
    )
