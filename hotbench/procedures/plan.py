"""What a procedure is going to do, in words and figures, before anything gets hot."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hotbench.core.errors import BadInput

ROOM_C = 25.0


@dataclass(frozen=True, kw_only=True)
class Pace:
    """Rates that a plan's duration rests on; the defaults are common practice, no source."""

    heating_K_per_s: float = 3.0
    cooling_K_per_s: float = 0.6
    cooling_fan_K_per_s: float = 1.5
    settling_s: float = 15.0

    def move_s(self, from_C: float, to_C: float, fan: float = 0.0) -> float:
        """Expected seconds from one temperature to another."""
        fall = self.cooling_K_per_s + fan * (self.cooling_fan_K_per_s - self.cooling_K_per_s)
        return abs(to_C - from_C) / (self.heating_K_per_s if to_C > from_C else fall)


ASSUMED_PACE = Pace()
ASSUMED = (
    f"the time assumes {ASSUMED_PACE.heating_K_per_s:g} K/s up and "
    f"{ASSUMED_PACE.cooling_K_per_s:g} to {ASSUMED_PACE.cooling_fan_K_per_s:g} K/s down: a quick "
    "hotend needs half of it, a heavy one more"
)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Lines for a person; the highest setpoint, the expected duration and the filament used."""

    lines: tuple[str, ...]
    max_temperature_C: float
    duration_s: float
    filament_mm: float = 0.0

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


def plan_of(
    steps: Iterable[str],
    *,
    max_temperature_C: float,
    duration_s: float,
    filament_mm: float = 0.0,
    pace: Pace | None = None,
) -> Plan:
    """A plan whose last lines state how hot, how long and how much filament.

    pace: what the duration rests on; where it is the assumed one the plan says so.
    """
    filament = f", {filament_mm / 1000.0:.2f} m of filament" if filament_mm else ""
    minutes = max(math.ceil(duration_s / 60.0), 1)
    total = f"up to {max_temperature_C:g} °C, about {minutes} min{filament}; heater off at the end"
    doubt = (ASSUMED,) if pace == ASSUMED_PACE else ()
    return Plan(
        lines=(*steps, *doubt, total),
        max_temperature_C=max_temperature_C,
        duration_s=duration_s,
        filament_mm=filament_mm,
    )


def listed(values: Iterable[float]) -> str:
    """Numbers for a plan's line."""
    return ", ".join(f"{value:g}" for value in values)
