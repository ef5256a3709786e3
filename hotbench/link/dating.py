"""When a reported temperature was measured, as well as the host can know."""

from collections import deque
from statistics import median_low

LEAST_STEP_s = 1e-6


class ReportDating:
    """Gives every report a time, strictly increasing.

    A board measures between the arrival of the request and the departure of the reply. The
    middle of the two moments that the host sees is off by at most half the round trip, and by
    nothing when both ways take equally long. A reply held up behind other work says nothing
    about the way there, so no more than half the usual round trip (median of the last nine) is
    taken off its arrival. Unasked reports are dated by their arrival less half the usual round
    trip; of several that arrived in one piece the earlier ones are put back by the interval.
    """

    def __init__(self) -> None:
        self._round_trips_s: deque[float] = deque(maxlen=9)
        self._last_s = float("-inf")
        self.late_s = 0.0
        """How much longer than usual the last report took; it may be as much older."""

    @property
    def usual_round_trip_s(self) -> float:
        """Median of the last round trips; 0 before the first."""
        return median_low(self._round_trips_s) if self._round_trips_s else 0.0

    def date(
        self, arrived_s: float, asked_s: float | None, behind: int = 0, interval_s: float = 0.0
    ) -> float:
        """Time of the report that arrived at `arrived_s`, with `behind` later ones in its piece."""
        off_s, self.late_s = self.usual_round_trip_s, 0.0
        if asked_s is not None:
            self._round_trips_s.append(arrived_s - asked_s)
            off_s = min(arrived_s - asked_s, self.usual_round_trip_s)
            self.late_s = arrived_s - asked_s - off_s
        time_s = arrived_s - off_s / 2.0 - behind * interval_s
        self._last_s = max(time_s, self._last_s + LEAST_STEP_s)
        return self._last_s

    def restart(self) -> None:
        """Forget everything: the clock that counts is another from now on."""
        self._round_trips_s.clear()
        self.late_s = 0.0
        self._last_s = float("-inf")
