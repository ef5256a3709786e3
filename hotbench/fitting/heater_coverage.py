"""What the recorded data can tell at all, before anything is fitted, and which test is missing."""

from dataclasses import dataclass

import numpy as np

from hotbench.fitting.heater_data import IDLE_DUTY, HeaterData
from hotbench.fitting.heater_starts import ASSUMED_AMBIENT_C
from hotbench.models.heater import PARAMETERS, HeaterModel
from hotbench.models.heater_steps import P

HOT_K = 20.0
LEAST_COUNT = 10
SHED_SHARE = 0.5
FULL_DUTY = 0.9
FAN_ON = 0.02
FLOW_ON_mm3_per_s = 0.05
SPAN_K = 10.0


@dataclass(frozen=True)
class Unidentified:
    """A quantity the data cannot pin down, why, and the command that would."""

    name: str
    reason: str
    remedy: str


@dataclass(frozen=True)
class Coverage:
    """Which conditions the fitted samples hold.

    heated_C, cooled_C[fan]: lowest and highest temperature seen at strong duty, and without power
    at a fan speed; sheds: losses show, because the heater idles or holds; fans, flows: seen.
    """

    seen_C: tuple[float, float]
    heated_C: tuple[float, float] | None
    cooled_C: dict[float, tuple[float, float]]
    sheds: bool
    fans: tuple[float, ...]
    flows: bool
    strongest: float


def coverage(data: HeaterData) -> Coverage:
    """Scan the fitted samples."""
    columns = [
        (s.temperature_C, s.duty, s.fan, s.flow_mm3_per_s, s.fitted >= 0) for s in data.stretches
    ]
    joined = [np.concatenate([c[i][c[4]] for c in columns]) for i in range(4)]
    temperature_C, duty, fan, flow = joined
    ambient_C = data.ambient_C if data.ambient_C is not None else ASSUMED_AMBIENT_C
    hot = temperature_C > ambient_C + HOT_K
    strongest = float(np.max(duty, initial=0.0))
    levels = [float(f) for f in np.unique(fan) if np.count_nonzero(hot & (fan == f)) >= LEAST_COUNT]
    cooled = {}
    for level in levels:
        span = _span(temperature_C[hot & (duty <= IDLE_DUTY) & (fan == level)])
        if span is not None:
            cooled[level] = span
    return Coverage(
        seen_C=(float(np.min(temperature_C)), float(np.max(temperature_C))),
        heated_C=_span(temperature_C[(duty >= FULL_DUTY * strongest) & (duty > IDLE_DUTY)]),
        cooled_C=cooled,
        sheds=int(np.count_nonzero(hot & (duty < SHED_SHARE * strongest))) >= LEAST_COUNT
        or (bool(cooled) and strongest <= IDLE_DUTY),
        fans=tuple(level for level in levels if level > FAN_ON),
        flows=int(np.count_nonzero(hot & (flow > FLOW_ON_mm3_per_s))) >= LEAST_COUNT,
        strongest=strongest,
    )


def _span(temperature_C: np.ndarray) -> tuple[float, float] | None:
    if temperature_C.size < LEAST_COUNT or np.ptp(temperature_C) < SPAN_K:
        return None
    return float(np.min(temperature_C)), float(np.max(temperature_C))


def held_places(model: HeaterModel, seen: Coverage) -> dict[P, float]:
    """Places the data say nothing about, and the value they are held at."""
    held: dict[P, float] = {}
    if not seen.fans:
        held |= {P.FAN: 0.0, P.FAR_FAN: 0.0}
    if len(seen.fans) < 2:
        held[P.EXPONENT] = PARAMETERS[P.EXPONENT].default
    if not seen.flows:
        held[P.LOAD] = 0.0
    if seen.strongest <= IDLE_DUTY:
        held |= {P.HEATING: PARAMETERS[P.HEATING].default, P.FALLOFF: 0.0}
    return {place: value for place, value in held.items() if place in model.places}


def missing(seen: Coverage) -> list[Unidentified]:
    """What these data cannot tell, each with the test that would."""
    found = []
    if seen.strongest <= IDLE_DUTY:
        found.append(Unidentified("heating", "the log holds no power", "record step --to 240"))
    if not seen.sheds:
        found.append(
            Unidentified(
                "loss",
                "the heater neither idles nor holds, and heating up alone cannot tell loss",
                "record step --fan 0",
            )
        )
    found += _fan_gaps(seen)
    if not seen.flows:
        found.append(Unidentified("load_per_flow", "nothing was extruded", "record extrude"))
    return found


def _fan_gaps(seen: Coverage) -> list[Unidentified]:
    if not seen.fans:
        return [Unidentified("fan_loss", "the fan never ran", "record step --fan 0,0.5,1")]
    if len(seen.fans) == 1:
        other = "0.5" if seen.fans[0] > 0.75 else "1"
        reason = f"only fan {seen.fans[0]:g} was recorded; other speeds follow an assumed power law"
        return [Unidentified("fan_exponent", reason, f"record step --fan {other}")]
    return []
