"""Adaptive ladders compared: error rate without a change, and coverage of the intervals."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from slew_boards import LEVEL_K, Board

from hotbench.fitting.ladders import LadderComparison, compare_ladders
from hotbench.fitting.ramps import RampTrial

PAIRS, FIRST_SEED = 400, 910_000
BOARDS = (
    {"seen": 0.05},
    {"seen": 0.1},
    {"seen": 0.05, "bent": True},
    {"seen": 0.05, "hidden": 0.15},
)


def both_ways(board: Board) -> list[RampTrial]:
    return board.ladder() + [replace(t, direction="cooling") for t in board.ladder()]


def compared(seed: int, kind: dict[str, float]) -> tuple[LadderComparison, ...]:
    """One board recorded twice, with other scatter."""
    board = Board(seed, **kind)
    return compare_ladders(both_ways(board), both_ways(board), (LEVEL_K, LEVEL_K))


@pytest.mark.parametrize("kind", BOARDS, ids=str)
def test_one_comparison_in_twenty_calls_a_change_where_there_is_none(
    kind: dict[str, float],
) -> None:
    """And nineteen intervals in twenty hold the true ratio, one."""
    found = [compared(FIRST_SEED + i, kind) for i in range(PAIRS)]
    called = sum(any(one.significant for one in pair) for pair in found)
    assert called <= binom.ppf(0.99, PAIRS, 0.05)
    ratios = [c.ratio for pair in found for one in pair for c in (one.deviation, one.rate) if c]
    assert np.mean([ratio.low < 1.0 < ratio.high for ratio in ratios]) >= 0.93
