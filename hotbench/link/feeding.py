"""What the extruder is told to do: in small pieces, and as flow against time."""

import itertools
import math
from collections import deque
from dataclasses import dataclass

AHEAD_s = 1.5
"""Usual length of what the board holds unfed: a stop cannot take it back. Common practice."""
MOST_AHEAD_s = 5.0
"""More is never queued, however slow the line."""
WALL_AHEAD_s = 0.5
"""The same on the wall clock, for a simulated board that runs fast."""
SLOW_TRIPS = 3.0
"""Round trips of a slow line that the board must be able to bridge."""
PIECES_AHEAD = 3
GAP_s = 0.05
"""A longer pause between two pieces is told."""


@dataclass(frozen=True, slots=True)
class Feed:
    """A commanded extrusion: constant flow between two times."""

    start_s: float
    end_s: float
    flow_mm3_per_s: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of an extrusion, small enough to be queued; first: the extrusion begins with it."""

    length_mm: float
    speed_mm_per_s: float
    first: bool

    @property
    def duration_s(self) -> float:
        """How long it takes to feed."""
        return self.length_mm / self.speed_mm_per_s


def ahead_s(round_trip_s: float, time_scale: float) -> float:
    """How many board seconds of filament the board may hold, never more than MOST_AHEAD_s."""
    wall_s = WALL_AHEAD_s * time_scale
    return min(max(AHEAD_s, wall_s, SLOW_TRIPS * round_trip_s), max(MOST_AHEAD_s, wall_s))


def pieces(length_mm: float, speed_mm_per_s: float, longest_s: float) -> list[Piece]:
    """Equal pieces of at most `longest_s`; to a tenth of a micron they add up to the length."""
    count = max(math.ceil(length_mm / speed_mm_per_s / longest_s), 1)
    ends_mm = [round(length_mm * i / count, 4) for i in range(count + 1)]
    lengths_mm = [round(end - start, 4) for start, end in itertools.pairwise(ends_mm)]
    return [Piece(mm, speed_mm_per_s, i == 0) for i, mm in enumerate(lengths_mm) if mm > 0.0]


class Feeding:
    """Extrusions that wait to be sent, and those that were, one after another."""

    def __init__(self) -> None:
        self._waiting: deque[Piece] = deque()
        self._feeds: deque[Feed] = deque(maxlen=256)

    def ask(self, length_mm: float, speed_mm_per_s: float, ahead_s: float) -> None:
        """Have an extrusion wait, in pieces."""
        self._waiting.extend(pieces(length_mm, speed_mm_per_s, ahead_s / PIECES_AHEAD))

    @property
    def end_s(self) -> float:
        """When what the board holds will have been fed; -inf when it never held anything."""
        return self._feeds[-1].end_s if self._feeds else -math.inf

    def due_s(self, ahead_s: float) -> float:
        """When the next piece may be sent, so that the board never holds more than `ahead_s`."""
        return self.end_s + self._waiting[0].duration_s - ahead_s if self._waiting else math.inf

    def take(self) -> Piece:
        """The next piece; it no longer waits."""
        return self._waiting.popleft()

    def sent(self, piece: Piece, accepted_s: float, area_mm2: float) -> float:
        """The board took a piece; seconds that the flow stood still before it, 0 for the first."""
        start_s = max(accepted_s, self.end_s)
        gap_s = 0.0 if piece.first else start_s - self.end_s
        flow_mm3_per_s = piece.speed_mm_per_s * area_mm2
        self._feeds.append(Feed(start_s, start_s + piece.duration_s, flow_mm3_per_s))
        return gap_s if gap_s > GAP_s else 0.0

    def flow_mm3_per_s(self, time_s: float) -> float:
        """Commanded flow at `time_s`, 0 between feeds."""
        now = (feed for feed in self._feeds if feed.start_s <= time_s < feed.end_s)
        return next((feed.flow_mm3_per_s for feed in now), 0.0)

    def drop(self) -> None:
        """Nothing more is to be sent."""
        self._waiting.clear()

    def clear(self) -> None:
        """The board has forgotten its moves."""
        self._waiting.clear()
        self._feeds.clear()
