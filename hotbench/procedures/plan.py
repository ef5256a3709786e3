"""What a procedure is going to do, in words and figures, before anything gets hot."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from hotbench.core.errors import BadInput
from hotbench.procedures.waiting import ARRIVED_K, Settling

ROOM_C = 25.0


SLOW_TAIL = 8.0
"""A well-tuned loop's integral time over its lag, 4 (tau_c + theta) at tau_c = theta (Skogestad
2003): the time constant with which the last kelvins go."""
LOOPS = (0.5, 2.5)
"""Quick loops, and slow ones or such that overshoot: their tails over that. Common practice, no
source."""
CLEAR = 0.15
"""A range within this share of the expected time is not worth stating."""


@dataclass(frozen=True, kw_only=True)
class Pace:
    """Rates that a plan's duration rests on; the defaults are common practice, no source.

    lag_s: sensor lag and dead time. tail: of the loop, over SLOW_TAIL. melt_mm3_per_s: the flow
    around which extrusions are chosen.
    """

    heating_K_per_s: float = 3.0
    cooling_K_per_s: float = 0.6
    cooling_fan_K_per_s: float = 1.5
    lag_s: float = 1.5
    tail: float = 1.0
    melt_mm3_per_s: float = 10.0

    def move_s(self, from_C: float, to_C: float, fan: float = 0.0) -> float:
        """Expected seconds from one temperature to another."""
        fall = self.cooling_K_per_s + fan * (self.cooling_fan_K_per_s - self.cooling_K_per_s)
        return abs(to_C - from_C) / (self.heating_K_per_s if to_C > from_C else fall)

    def settle_s(self, settling: Settling) -> float:
        """Expected seconds from arriving until settled."""
        shrunk = max(math.log(ARRIVED_K / settling.within_K), 0.0)
        tail_s = self.tail * SLOW_TAIL * self.lag_s * shrunk
        return min(settling.shortest_s + tail_s, settling.timeout_s)

    def bounds(self) -> tuple["Pace", "Pace"]:
        """The quickest and the slowest that are plausible."""
        if self == ASSUMED_PACE:
            return QUICK_PACE, HEAVY_PACE
        return replace(self, tail=LOOPS[0]), replace(self, tail=LOOPS[1])


ASSUMED_PACE = Pace()
QUICK_PACE = Pace(
    heating_K_per_s=20.0,
    cooling_K_per_s=1.5,
    cooling_fan_K_per_s=3.0,
    lag_s=0.3,
    tail=LOOPS[0],
    melt_mm3_per_s=30.0,
)
HEAVY_PACE = Pace(
    heating_K_per_s=1.5,
    cooling_K_per_s=0.25,
    cooling_fan_K_per_s=0.5,
    lag_s=2.0,
    tail=LOOPS[1],
    melt_mm3_per_s=8.0,
)
ASSUMED = (
    f"the time assumes a hot end that heats at {HEAVY_PACE.heating_K_per_s:g} to "
    f"{QUICK_PACE.heating_K_per_s:g} K/s and cools at {HEAVY_PACE.cooling_K_per_s:g} to "
    f"{QUICK_PACE.cooling_K_per_s:g} K/s by itself; a profile narrows it"
)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Lines for a person; the highest setpoint, the expected duration and the filament used.

    range_s: what the duration may come to with quick and slow loops, and with choices made as it
    goes; without a profile with light and heavy hot ends.
    """

    lines: tuple[str, ...]
    max_temperature_C: float
    duration_s: float
    range_s: tuple[float, float]
    filament_mm: float = 0.0

    @property
    def minutes(self) -> str:
        """The duration for a person: one number where it is clear, otherwise a range."""
        return minutes(self.duration_s, self.range_s)

    def check_limit(self, limit_temperature_C: float) -> None:
        """BadInput when the plan would go above a limit."""
        if self.max_temperature_C > limit_temperature_C:
            raise BadInput(
                "the plan goes above the temperature limit",
                value=f"{self.max_temperature_C:g} °C",
                limit=f"{limit_temperature_C:g} °C",
                remedy="stay below it, or give a higher --limit-temperature if hot end and "
                "filament are made for it",
            )


Estimate = Callable[[Pace], float]


def plan_of(
    steps: Iterable[str],
    pace: Pace,
    time_s: Estimate,
    *,
    max_temperature_C: float,
    least_s: Estimate | None = None,
    most_s: Estimate | None = None,
    filament_mm: float = 0.0,
) -> Plan:
    """A plan whose last lines state how hot, how long and how much filament.

    time_s: the duration by a pace. least_s, most_s: what it may come to by the quickest and the
    slowest pace, where the test itself may be shorter or longer too. Where the pace is the assumed
    one the plan says so.
    """
    filament = f", {filament_mm / 1000.0:.2f} m of filament" if filament_mm else ""
    expected_s, (quick, slow) = time_s(pace), pace.bounds()
    range_s = ((least_s or time_s)(quick), (most_s or time_s)(slow))
    about = minutes(expected_s, range_s)
    total = f"up to {max_temperature_C:g} °C, {about}{filament}; heater off at the end"
    doubt = (ASSUMED,) if pace == ASSUMED_PACE else ()
    return Plan(
        lines=(*steps, *doubt, total),
        max_temperature_C=max_temperature_C,
        duration_s=expected_s,
        range_s=range_s,
        filament_mm=filament_mm,
    )


def minutes(expected_s: float, range_s: tuple[float, float]) -> str:
    """'about 12 min', or '9 to 16 min' where the range is wider than CLEAR either way."""
    low_s, high_s = range_s
    if low_s >= (1.0 - CLEAR) * expected_s and high_s <= (1.0 + CLEAR) * expected_s:
        return f"about {_whole_min(expected_s)} min"
    low, high = max(math.floor(low_s / 60.0), 1), _whole_min(high_s)
    return f"{low} to {high} min" if low < high else f"about {high} min"


def _whole_min(duration_s: float) -> int:
    return max(math.ceil(duration_s / 60.0), 1)


def listed(values: Iterable[float]) -> str:
    """Numbers for a plan's line."""
    return ", ".join(f"{value:g}" for value in values)
