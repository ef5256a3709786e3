"""Smoothing of required temperatures: least look-ahead for a step, and what less of it costs."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.errors import BadInput

FlowLimit = Callable[[float], float]
"""Largest flow in mm³/s by temperature in °C."""
_STEPS = 200


@dataclass(frozen=True, slots=True)
class SmoothingPoint:
    """One choice of look-ahead, s.

    slope_K_per_s: how fast the setpoint then moves. time_cost_s: print time added per transition.
    early_s: printing time spent at a temperature that is not yet asked for.
    """

    look_ahead_s: float
    slope_K_per_s: float
    time_cost_s: float
    early_s: float


def least_look_ahead_s(step_K: float, heating_K_per_s: float, cooling_K_per_s: float) -> float:
    """Seconds of look-ahead at which a step follows within the safe slew: |ΔT| over the rate.

    step_K is positive upwards. Errors: BadInput when the direction's rate is not positive.
    """
    rate = heating_K_per_s if step_K >= 0.0 else cooling_K_per_s
    if not rate > 0.0:
        raise BadInput("safe rate must be positive", value=rate)
    return abs(step_K) / rate


def transition_cost_s(
    from_C: float,
    to_C: float,
    look_ahead_s: float,
    safe_K_per_s: float,
    *,
    flow_mm3_per_s: float = 0.0,
    flow_limit: FlowLimit | None = None,
) -> float:
    """Print time that one transition adds when it is commanded `look_ahead_s` ahead.

    The part of the ramp that look-ahead does not cover is printed slower, at the flow that the
    temperature allows; without a flow limit the print waits for it.
    """
    missing_s = max(abs(to_C - from_C) / safe_K_per_s - max(look_ahead_s, 0.0), 0.0)
    if missing_s == 0.0 or flow_limit is None:
        return missing_s
    reached_C = to_C - np.sign(to_C - from_C) * safe_K_per_s * missing_s
    path_C = reached_C + (to_C - reached_C) * (np.arange(_STEPS) + 0.5) / _STEPS
    shares = [min(flow_limit(float(at)) / flow_mm3_per_s, 1.0) for at in path_C]
    return float(missing_s * (1.0 - np.mean(shares)))


def smoothing_curve(
    from_C: float,
    to_C: float,
    safe_K_per_s: float,
    look_aheads_s: Sequence[float],
    *,
    flow_mm3_per_s: float = 0.0,
    flow_limit: FlowLimit | None = None,
) -> tuple[SmoothingPoint, ...]:
    """Time cost per transition against look-ahead: falls to 0 at the least look-ahead.

    Beyond it the setpoint moves slower than it could, and more is printed off temperature.
    """
    if not safe_K_per_s > 0.0:
        raise BadInput("safe rate must be positive", value=safe_K_per_s)
    least_s = abs(to_C - from_C) / safe_K_per_s
    points = []
    for look_ahead_s in look_aheads_s:
        cost_s = transition_cost_s(
            from_C,
            to_C,
            look_ahead_s,
            safe_K_per_s,
            flow_mm3_per_s=flow_mm3_per_s,
            flow_limit=flow_limit,
        )
        slope = abs(to_C - from_C) / max(look_ahead_s, least_s) if least_s else 0.0
        points.append(SmoothingPoint(float(look_ahead_s), slope, cost_s, float(look_ahead_s)))
    return tuple(points)
