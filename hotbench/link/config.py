"""How a printer is spoken to: rates, patience and limits."""

import math
from dataclasses import dataclass

from hotbench.core.errors import BadInput
from hotbench.wire.faults import DEFAULT_FAULTS, FaultPattern

WALL_PATIENCE_s = 2.0
"""No wait is shorter than this on the wall clock, however fast a simulated board runs."""
SLICE_s = 0.1
"""Longest time, wall clock, between two looks at the stop signal."""


@dataclass(frozen=True, kw_only=True)
class LinkConfig:
    """Settings of a `Printer`; all times are board seconds.

    duty_full_scale: what the board calls full duty. sample_interval_s: time between polls, or
    between reports where auto_report asks the board to report by itself. reply_timeout_s: silence
    that ends a run; keep-alives extend it, but never beyond longest_blind_s without a
    temperature. retry_after_s: silence after which the same line is sent again.
    limit_temperature_C: highest setpoint that is sent. tool: hot end number, None for the active
    one. setpoint_grace_s and setpoint_tolerance_K: how long and how far the board's reported
    setpoint may differ from the commanded one. safe_patience_s: how long to wait for the board to
    confirm that it is off. reconnect_s: how long, on the wall clock, to look for a port that
    vanished. quick_stop: the board takes M410, though it may not announce it.
    """

    duty_full_scale: float = 127.0
    sample_interval_s: float = 0.1
    auto_report: bool = False
    reply_timeout_s: float = 5.0
    retry_after_s: float = 1.0
    longest_blind_s: float = 30.0
    connect_timeout_s: float = 15.0
    limit_temperature_C: float = 260.0
    fan_safe: float = 0.0
    numbered: bool = True
    quick_stop: bool = False
    filament_diameter_mm: float = 1.75
    tool: int | None = None
    setpoint_grace_s: float = 3.0
    setpoint_tolerance_K: float = 1.0
    safe_patience_s: float = 2.0
    reconnect_s: float = 10.0
    faults: tuple[FaultPattern, ...] = DEFAULT_FAULTS

    def __post_init__(self) -> None:
        positive = (
            "duty_full_scale",
            "sample_interval_s",
            "reply_timeout_s",
            "retry_after_s",
            "longest_blind_s",
            "connect_timeout_s",
            "limit_temperature_C",
            "filament_diameter_mm",
            "setpoint_grace_s",
            "setpoint_tolerance_K",
            "safe_patience_s",
        )
        for name in positive:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise BadInput("must be a positive number", where=f"link: {name}", value=value)
        check_fraction("link: fan_safe", self.fan_safe)

    @property
    def filament_area_mm2(self) -> float:
        """Cross-section of the filament."""
        return math.pi / 4.0 * self.filament_diameter_mm**2


def check_fraction(where: str, value: float) -> None:
    """BadInput unless `value` lies in 0..1."""
    if not 0.0 <= value <= 1.0:
        raise BadInput("must lie between 0 and 1", where=where, value=value)
