"""The board's queue of moves: which flow is commanded when."""

import math
from collections import deque
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Move:
    """One straight move; the flow is that of the commanded filament, mm3/s."""

    start_s: float
    end_s: float
    flow_mm3_per_s: float


class Planner:
    """Moves back to back, without acceleration."""

    def __init__(self, capacity: int) -> None:
        self._capacity = capacity
        self._moves: deque[Move] = deque()
        self.flow_mm3_per_s = 0.0

    @property
    def empty(self) -> bool:
        """Nothing is moving and nothing waits."""
        return not self._moves

    @property
    def full(self) -> bool:
        """No room for another move."""
        return len(self._moves) >= self._capacity

    def add(self, now_s: float, duration_s: float, flow_mm3_per_s: float) -> None:
        """Append a move that starts once the queue before it is done."""
        start_s = self._moves[-1].end_s if self._moves else now_s
        self._moves.append(Move(start_s, start_s + duration_s, flow_mm3_per_s))
        self.catch_up(now_s)

    def next_change_s(self) -> float:
        """When the flow changes next; inf when the queue is empty."""
        return self._moves[0].end_s if self._moves else math.inf

    def catch_up(self, now_s: float) -> None:
        """Drop the moves that have ended by `now_s`."""
        while self._moves and self._moves[0].end_s <= now_s:
            self._moves.popleft()
        self.flow_mm3_per_s = self._moves[0].flow_mm3_per_s if self._moves else 0.0

    def clear(self) -> None:
        """Forget all moves."""
        self._moves.clear()
        self.flow_mm3_per_s = 0.0
