"""Whether the board still holds the setpoint it was given."""

import math
from collections import deque

MOST_STRIKES = 2


class SetpointLog:
    """Compares reported setpoints with commanded ones.

    A board that restarted unseen, refused a setpoint or switched off by itself shows another
    setpoint than it was given. Only a difference from all setpoints of the last `grace_s` counts,
    so that reports may lag behind a stream of setpoints, and only in two reports in a row, so that
    one damaged digit does not.
    """

    def __init__(self, grace_s: float, tolerance_K: float) -> None:
        self._grace_s, self._tolerance_K = grace_s, tolerance_K
        self._commands: deque[tuple[float, float]] = deque()
        self._strikes = 0

    @property
    def commanded_C(self) -> float:
        """The latest setpoint; NaN before the first."""
        return self._commands[-1][1] if self._commands else math.nan

    def command(self, time_s: float, setpoint_C: float) -> None:
        """A setpoint was accepted."""
        self._commands.append((time_s, setpoint_C))

    def clear(self) -> None:
        """Nothing is known about the board's setpoint any more."""
        self._commands.clear()

    def holds(self, time_s: float, reported_C: float) -> bool:
        """Whether `reported_C` agrees with what was commanded; True when either is unknown."""
        self._strikes = 0 if self._agrees(time_s, reported_C) else self._strikes + 1
        return self._strikes < MOST_STRIKES

    def _agrees(self, time_s: float, reported_C: float) -> bool:
        if not self._commands or math.isnan(reported_C):
            return True
        start_s = time_s - self._grace_s
        while len(self._commands) > 1 and self._commands[1][0] <= start_s:
            self._commands.popleft()
        if self._commands[0][0] > start_s:
            # What held before the first command is unknown.
            return True
        low = min(setpoint_C for _, setpoint_C in self._commands) - self._tolerance_K
        high = max(setpoint_C for _, setpoint_C in self._commands) + self._tolerance_K
        return low <= reported_C <= high
