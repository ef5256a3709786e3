"""Safe slew predicted from the heater model: power, passive cooling, tracking, controller fault."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Basis, Quantity
from hotbench.models.rates import combined_lag_s, rates_K_per_s
from hotbench.models.spread import spread

Direction = Literal["heating", "cooling"]
Cause = Literal["power", "passive cooling", "loop tracking", "controller fault"]

HEADROOM = 0.1
"""Share of duty, and of passive cooling, left to the loop; common practice, no source."""
TRAIL_LAGS = 2.0
"""A loop that was not measured is taken to trail a ramp by this many combined lags; common
practice, no source."""
FAULT_SHARE = 0.7
"""Share of the fault level that a predicted, unmeasured deviation may reach; common practice, no
source."""
RUN_UP_K = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopLimits:
    """What the loop and the board allow.

    trail_s: deviation per rate of the closed loop, K per K/s, as ramps show it; None takes twice
    the model's combined lag, an assumption. allowed_lag_K: how far the temperature may trail.
    fault_deviation_K: where the board faults, None when unknown.
    """

    allowed_lag_K: float = 10.0
    fault_deviation_K: float | None = None
    trail_s: float | None = None
    headroom: float = HEADROOM

    def __post_init__(self) -> None:
        if not 0.0 <= self.headroom < 1.0:
            raise BadInput("headroom out of range", value=self.headroom, limit="0 to 1")
        for name in ("allowed_lag_K", "fault_deviation_K", "trail_s"):
            value = getattr(self, name)
            if value is not None and not value > 0.0:
                raise BadInput(f"{name} must be positive", value=value)


@dataclass(frozen=True, slots=True)
class SlewLimit:
    """Safe rate at a temperature, what limits it, and the limit each cause would set alone."""

    direction: Direction
    temperature_C: float
    fan: float
    rate: Quantity
    cause: Cause
    by_cause: tuple[tuple[Cause, float], ...]


def physical_rate_K_per_s(
    vector: FloatArray,
    direction: Direction,
    temperature_C: float,
    *,
    fan: float = 0.0,
    headroom: float = HEADROOM,
) -> float:
    """Rate the hot end can follow while passing a temperature, headroom left; 0 if none.

    Heating at duty 1 − headroom, cooling with the heater off times 1 − headroom, 20 K after a
    steady hold: a ramp of a few tens of kelvin. Fan on from the start of the ramp.
    """
    if direction == "heating":
        start_C, duty, share = temperature_C - RUN_UP_K, 1.0 - headroom, 1.0
    else:
        start_C, duty, share = temperature_C + RUN_UP_K, 0.0, 1.0 - headroom
    rate = rates_K_per_s(vector, [temperature_C], start_C=start_C, fan=fan, duty=duty)[0]
    return share * rate if math.isfinite(rate) and rate > 0.0 else 0.0


def limits_by_cause(
    vector: FloatArray,
    direction: Direction,
    temperature_C: float,
    fan: float,
    loop: LoopLimits,
) -> dict[Cause, float]:
    """The rate each cause would allow by itself, K/s; unknown causes are absent."""
    physical: Cause = "power" if direction == "heating" else "passive cooling"
    rates: dict[Cause, float] = {
        physical: physical_rate_K_per_s(
            vector, direction, temperature_C, fan=fan, headroom=loop.headroom
        )
    }
    trail_s = loop.trail_s or TRAIL_LAGS * combined_lag_s(vector)
    if trail_s > 0.0:
        rates["loop tracking"] = loop.allowed_lag_K / trail_s
        if loop.fault_deviation_K is not None:
            rates["controller fault"] = FAULT_SHARE * loop.fault_deviation_K / trail_s
    return rates


def slew_limit(
    vector: FloatArray,
    direction: Direction,
    temperature_C: float,
    *,
    fan: float = 0.0,
    loop: LoopLimits | None = None,
    draws: Sequence[FloatArray] = (),
    basis: Basis = "fitted",
) -> SlewLimit:
    """Safe rate with its limiting cause; interval from `draws` of the parameter vector.

    The basis is 'assumed' where the loop's trail decides and was not measured.
    """
    loop = loop or LoopLimits()
    rates = limits_by_cause(vector, direction, temperature_C, fan, loop)
    cause = min(rates, key=rates.__getitem__)
    others = [
        min(limits_by_cause(draw, direction, temperature_C, fan, loop).values()) for draw in draws
    ]
    assumed = cause in ("loop tracking", "controller fault") and loop.trail_s is None
    rate = spread(rates[cause], others, "K/s", basis="assumed" if assumed else basis)
    return SlewLimit(direction, temperature_C, fan, rate, cause, tuple(rates.items()))


def slew_table(
    vector: FloatArray,
    temperatures_C: Sequence[float],
    fans: Sequence[float],
    *,
    loop: LoopLimits | None = None,
    draws: Sequence[FloatArray] = (),
    basis: Basis = "fitted",
) -> tuple[SlewLimit, ...]:
    """Heating (fan off) and cooling at each fan setting, at every temperature."""
    kinds: list[tuple[Direction, float]] = [("heating", 0.0), *(("cooling", f) for f in fans)]
    return tuple(
        slew_limit(vector, direction, float(at), fan=fan, loop=loop, draws=draws, basis=basis)
        for direction, fan in kinds
        for at in temperatures_C
    )
