"""How long a test takes, move by move: what its plan adds up."""

from dataclasses import dataclass

from hotbench.procedures.moves import BASELINE_s, DIP_REST_s
from hotbench.procedures.plan import ROOM_C, Pace
from hotbench.procedures.waiting import Settling


@dataclass
class Course:
    """Where a test is and how long it has taken; its methods go with the moves of `moves`."""

    pace: Pace
    at_C: float = ROOM_C
    total_s: float = BASELINE_s

    def go(self, to_C: float, fan: float = 0.0) -> "Course":
        """To another temperature, up at full power or down by itself; the reading trails."""
        self.total_s += self.pace.move_s(self.at_C, to_C, fan) + self.pace.lag_s
        self.at_C = to_C
        return self

    def wait(self, duration_s: float) -> "Course":
        """Where it is, for a time."""
        self.total_s += duration_s
        return self

    def settle(self, settling: Settling | None = None) -> "Course":
        """Until settled."""
        return self.wait(self.pace.settle_s(settling or Settling()))

    def dip(self, from_C: float, to_C: float, fan: float = 0.0) -> "Course":
        """Down, a rest, back up, settled."""
        return self.go(to_C, fan).wait(DIP_REST_s).go(from_C).settle()
