"""What the extruder was told to do, as flow against time."""

from collections import deque
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Feed:
    """A commanded extrusion: constant flow between two times."""

    start_s: float
    end_s: float
    flow_mm3_per_s: float


class FeedLog:
    """Feeds follow one another, as a board queues its moves."""

    def __init__(self) -> None:
        self._feeds: deque[Feed] = deque(maxlen=64)

    def add(self, accepted_s: float, duration_s: float, flow_mm3_per_s: float) -> None:
        """A feed was accepted; it starts at once, or when the one before has ended."""
        start_s = max(accepted_s, self._feeds[-1].end_s) if self._feeds else accepted_s
        self._feeds.append(Feed(start_s, start_s + duration_s, flow_mm3_per_s))

    def flow_mm3_per_s(self, time_s: float) -> float:
        """Commanded flow at `time_s`, 0 between feeds."""
        now = (feed for feed in self._feeds if feed.start_s <= time_s < feed.end_s)
        return next((feed.flow_mm3_per_s for feed in now), 0.0)

    def clear(self) -> None:
        """The board has forgotten its moves."""
        self._feeds.clear()
