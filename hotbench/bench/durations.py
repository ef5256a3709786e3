"""How long a test takes on a machine whose profile is known."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.procedures.plan import ASSUMED_PACE, ROOM_C, Pace
from hotbench.profile.types import CoolingRate, HeatingRate, Melt
from hotbench.profile.yaml_io import read_profile

COLD = "cold"
SLOWEST_SHARE = 0.05
"""Towards the ambient temperature a cooling rate is not taken below this share of its lowest row:
a plan that ends there has an end."""
STEP_K = 1.0


@dataclass(frozen=True)
class Rates:
    """A rate over temperature, as a profile's table states it."""

    temperatures_C: tuple[float, ...]
    rates_K_per_s: tuple[float, ...]

    @classmethod
    def of(cls, rows: Iterable[HeatingRate | CoolingRate]) -> "Rates | None":
        """From rows at different temperatures; None where they state no rate above zero."""
        known = sorted((r.temperature_C, r.rate_K_per_s) for r in rows if r.rate_K_per_s > 0.0)
        return cls(*zip(*known, strict=True)) if known else None

    def at(self, temperature_C: FloatArray) -> FloatArray:
        """Rates in K/s; beyond the table those of its ends."""
        return np.interp(temperature_C, self.temperatures_C, self.rates_K_per_s)

    def falling(self, temperature_C: FloatArray, ambient_C: float) -> FloatArray:
        """Cooling rates in K/s: below the table in proportion to the rise above ambient."""
        lowest_C = self.temperatures_C[0]
        share = (temperature_C - ambient_C) / max(lowest_C - ambient_C, STEP_K)
        below = np.clip(share, SLOWEST_SHARE, 1.0)
        return self.at(temperature_C) * np.where(temperature_C < lowest_C, below, 1.0)


@dataclass(frozen=True, kw_only=True)
class MeasuredPace(Pace):
    """A pace by a profile's tables; what they do not state is as assumed.

    cooling: by fan setting; between two settings the rate is interpolated, beyond the highest it
    is that of the highest.
    """

    heating: Rates | None = None
    cooling: dict[float, Rates] = field(default_factory=dict)
    ambient_C: float = ROOM_C

    def move_s(self, from_C: float, to_C: float, fan: float = 0.0) -> float:
        """Expected seconds from one temperature to another: the integral of 1/rate."""
        count = max(round(abs(to_C - from_C) / STEP_K), 1)
        edges_C = np.linspace(from_C, to_C, count + 1)
        middles_C = (edges_C[1:] + edges_C[:-1]) / 2.0
        if to_C > from_C and self.heating:
            rates = self.heating.at(middles_C)
        elif to_C <= from_C and self.cooling:
            rates = self._falling(middles_C, fan)
        else:
            return ASSUMED_PACE.move_s(from_C, to_C, fan)
        return float(np.sum(abs(to_C - from_C) / count / rates))

    def _falling(self, temperature_C: FloatArray, fan: float) -> FloatArray:
        fans = sorted(self.cooling)
        tables = [self.cooling[known].falling(temperature_C, self.ambient_C) for known in fans]
        upper = min(int(np.searchsorted(fans, fan)), len(fans) - 1)
        lower = max(upper - 1, 0)
        share = np.interp(fan, (fans[lower], fans[upper]), (0.0, 1.0)) if upper else 0.0
        return (1.0 - share) * tables[lower] + share * tables[upper]


def pace_from(profile: Path | None) -> Pace:
    """What durations rest on: a profile's rates, or those assumed where there is none.

    Errors: BadInput when the file is no profile.
    """
    known = None if profile is None else read_profile(profile)
    if known is None or known.heater is None:
        return ASSUMED_PACE
    heater = known.heater
    cold = [row for row in heater.heating_rate if row.start == COLD]
    fans = {row.fan for row in heater.cooling_rate}
    found = {fan: Rates.of(r for r in heater.cooling_rate if r.fan == fan) for fan in fans}
    return MeasuredPace(
        heating=Rates.of(cold or heater.heating_rate),
        cooling={fan: rates for fan, rates in found.items() if rates},
        ambient_C=ROOM_C if heater.ambient is None else heater.ambient.value,
        lag_s=ASSUMED_PACE.lag_s if heater.combined_lag is None else heater.combined_lag.value,
        melt_mm3_per_s=_melted(known.melt),
    )


def _melted(melt: Melt | None) -> float:
    """The middle of all flow limits, mm³/s; the assumed one where none is stated."""
    limits = [row.flow_mm3_per_s for row in melt.flow_limit] if melt else []
    return median(limits) if limits else ASSUMED_PACE.melt_mm3_per_s
