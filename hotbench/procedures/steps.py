"""Step tests: heat, hold, cool and dip; holding; dips alone."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import ClassVar

from hotbench.core.ports import PrinterPort
from hotbench.procedures import moves
from hotbench.procedures.options import (
    check_above,
    check_fans,
    check_range,
    check_temperatures,
    option,
)
from hotbench.procedures.phases import held_out
from hotbench.procedures.plan import ASSUMED_PACE, ROOM_C, Pace, Plan, listed, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import Settling, pause

VALIDATION_TOP, VALIDATION_MIDDLE, VALIDATION_END = 0.9, 0.4, 0.15
"""Temperatures of the held-out stretch, as shares of the way from cool_to_C to the highest."""
VALIDATION_DIP_SHIFT_K = (15.0, 10.0)
BEFORE_DIP = Settling(within_K=0.3, drift_K=0.3, window_s=10.0)
"""A dip that begins off its setpoint takes longer or shorter than one from a hold."""
LONGEST_HOLD_s = 6.0 * 3600.0
"""Nobody stays beside a hot machine for longer."""


@dataclass(frozen=True)
class HeldOut:
    """States that the fit never sees: other starts, temperatures, fan settings and another dip."""

    middle_C: float
    top_C: float
    end_C: float
    cool_fan: float
    dip: tuple[float, float] | None
    dip_fan: float


@dataclass(frozen=True, kw_only=True)
class StepTest(Procedure):
    """The training session for heater models, from cold, and a held-out stretch to judge them.

    Heat through to_C with a hold at each, cool to cool_to_C at the first fan setting; again from
    the highest temperature for every other fan setting; a dip. Then, in phases that start with
    'validate', a heat-up from a hold, a cool-down from another temperature, a heat-up from
    another start, and another dip with the fan on.
    """

    name: ClassVar[str] = "step"
    summary: ClassVar[str] = "heat, hold, cool at each fan setting, and a dip"

    to_C: tuple[float, ...] = option((240.0,), "°C", "temperatures to heat to")
    fans: tuple[float, ...] = option((0.0, 1.0), "fraction", "fan settings of the cool-downs")
    hold_s: float = option(60.0, "s", "time at each temperature")
    cool_to_C: float = option(100.0, "°C", "where a cool-down ends")
    dip: tuple[float, float] | None = option((220.0, 190.0), "°C", "a dip, from and to")
    validate: bool = option(default=True, unit="", meaning="record a stretch that no fit sees")

    def __post_init__(self) -> None:
        check_temperatures("to_C", self.to_C)
        check_fans("fans", self.fans)
        check_range("hold_s", self.hold_s, 1.0, LONGEST_HOLD_s, "s")
        check_range("cool_to_C", self.cool_to_C, 30.0, 200.0, "°C")
        check_above("to_C", min(self.to_C), "cool_to_C", self.cool_to_C + 20.0)
        if self.dip:
            check_temperatures("dip", self.dip)
            check_above("dip", self.dip[0], "its lower temperature", self.dip[1])

    @property
    def highest_C(self) -> float:
        """The highest step."""
        return max(self.to_C)

    def held_out(self) -> HeldOut:
        """The held-out stretch's states."""
        span_K = self.highest_C - self.cool_to_C

        def at(share: float) -> float:
            return float(round(self.cool_to_C + share * span_K))

        down_K = VALIDATION_DIP_SHIFT_K
        dip = (self.dip[0] - down_K[0], self.dip[1] - down_K[1]) if self.dip else None
        return HeldOut(
            middle_C=at(VALIDATION_MIDDLE),
            top_C=at(VALIDATION_TOP),
            end_C=at(VALIDATION_END),
            cool_fan=self.fans[-1],
            dip=dip if dip and dip[0] > dip[1] else None,
            dip_fan=self.fans[len(self.fans) // 2],
        )

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Steps, dip and held-out stretch."""
        highest_C = max(self.highest_C, self.dip[0] if self.dip else 0.0)
        return plan_of(
            self._lines(),
            max_temperature_C=highest_C,
            duration_s=self._duration_s(pace),
            pace=pace,
        )

    def execute(self, printer: PrinterPort) -> None:
        """Steps, dip, held-out stretch."""
        steps_C = sorted(self.to_C)
        for fan in self.fans:
            for to_C in steps_C:
                moves.heat(printer, to_C)
                moves.hold(printer, to_C, self.hold_s)
            moves.cool(printer, steps_C[-1], fan, self.cool_to_C)
            steps_C = steps_C[-1:]
        if self.dip:
            moves.heat(printer, self.dip[0])
            moves.rest(printer, self.dip[0])
            pause(printer, self.hold_s)
            moves.dip(printer, *self.dip)
        if self.validate:
            self._validate(printer)

    def _validate(self, printer: PrinterPort) -> None:
        plan = self.held_out()
        come_to = moves.descend if self.dip else moves.heat
        come_to(printer, plan.middle_C, naming=held_out)
        moves.rest(printer, plan.middle_C, naming=held_out)
        moves.heat(printer, plan.top_C, naming=held_out)
        moves.rest(printer, plan.top_C, naming=held_out)
        moves.cool(printer, plan.top_C, plan.cool_fan, plan.end_C, naming=held_out)
        if plan.dip:
            moves.heat(printer, plan.dip[0], fan=plan.dip_fan, naming=held_out)
            moves.rest(printer, plan.dip[0], naming=held_out)
            moves.dip(printer, *plan.dip, naming=held_out)

    def _lines(self) -> Iterator[str]:
        yield f"from cold, heat to {listed(sorted(self.to_C))} °C, {self.hold_s:g} s at each"
        yield f"cool to {self.cool_to_C:g} °C with fan {listed(self.fans)}, heating up between"
        if self.dip:
            yield f"dip from {self.dip[0]:g} to {self.dip[1]:g} °C and back"
        if self.validate:
            yield "the same kind of moves from other states, held out of every fit"

    def _duration_s(self, pace: Pace) -> float:
        rises = len(self.to_C) + len(self.fans) - 1
        total = pace.move_s(ROOM_C, self.highest_C) + rises * (self.hold_s + pace.settling_s)
        total += (len(self.fans) - 1) * pace.move_s(self.cool_to_C, self.highest_C)
        total += sum(pace.move_s(self.highest_C, self.cool_to_C, fan) for fan in self.fans)
        if self.dip:
            total += pace.move_s(self.cool_to_C, self.dip[0]) + self.hold_s
            total += _dip_s(*self.dip, pace, 0.0)
        return total + (self._validation_s(pace) if self.validate else 0.0)

    def _validation_s(self, pace: Pace) -> float:
        plan = self.held_out()
        path = (self.highest_C, plan.middle_C, plan.top_C)
        total = sum(pace.move_s(a, b) + pace.settling_s for a, b in pairwise(path))
        total += pace.move_s(plan.top_C, plan.end_C, plan.cool_fan)
        if plan.dip:
            total += pace.move_s(plan.end_C, plan.dip[0]) + _dip_s(*plan.dip, pace, plan.dip_fan)
        return total


@dataclass(frozen=True, kw_only=True)
class DipTest(Procedure):
    """Dips from one temperature to several lower ones, at several fan settings."""

    name: ClassVar[str] = "dip"
    summary: ClassVar[str] = "dips to lower temperatures and back"

    from_C: float = option(220.0, "°C", "where the dips start and end")
    to_C: tuple[float, ...] = option((190.0,), "°C", "temperatures to dip to")
    fans: tuple[float, ...] = option((0.0, 1.0), "fraction", "fan settings")

    def __post_init__(self) -> None:
        check_temperatures("to_C", self.to_C)
        check_temperatures("from_C", (self.from_C,))
        check_fans("fans", self.fans)
        check_above("from_C", self.from_C, "every to_C", max(self.to_C))

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """One line per fan setting."""
        dips = [_dip_s(self.from_C, to_C, pace, fan) for fan in self.fans for to_C in self.to_C]
        lines = [
            f"with fan {fan:g}: dip from {self.from_C:g} to {listed(self.to_C)} °C and back"
            for fan in self.fans
        ]
        duration_s = pace.move_s(ROOM_C, self.from_C) + sum(dips)
        return plan_of(lines, max_temperature_C=self.from_C, duration_s=duration_s)

    def execute(self, printer: PrinterPort) -> None:
        """All dips, settled before each."""
        moves.heat(printer, self.from_C)
        for fan in self.fans:
            printer.set_fan(fan)
            for to_C in self.to_C:
                moves.rest(printer, self.from_C, BEFORE_DIP)
                moves.dip(printer, self.from_C, to_C)


@dataclass(frozen=True, kw_only=True)
class HoldTest(Procedure):
    """One temperature for a time: noise, drift and duty of the loop at rest."""

    name: ClassVar[str] = "hold"
    summary: ClassVar[str] = "hold one temperature"

    temperature_C: float = option(220.0, "°C", "temperature to hold")
    duration_s: float = option(120.0, "s", "time at that temperature")
    fan: float = option(0.0, "fraction", "fan setting")

    def __post_init__(self) -> None:
        check_temperatures("temperature_C", (self.temperature_C,))
        check_range("duration_s", self.duration_s, 1.0, LONGEST_HOLD_s, "s")
        check_fans("fan", (self.fan,))

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """One line."""
        line = f"hold {self.temperature_C:g} °C for {self.duration_s:g} s with fan {self.fan:g}"
        duration_s = pace.move_s(ROOM_C, self.temperature_C) + self.duration_s
        return plan_of([line], max_temperature_C=self.temperature_C, duration_s=duration_s)

    def execute(self, printer: PrinterPort) -> None:
        """Heat and hold."""
        moves.heat(printer, self.temperature_C, fan=self.fan)
        moves.hold(printer, self.temperature_C, self.duration_s)


def _dip_s(from_C: float, to_C: float, pace: Pace, fan: float) -> float:
    down_s, back_s = pace.move_s(from_C, to_C, fan), pace.move_s(to_C, from_C)
    return down_s + back_s + 2.0 * pace.settling_s
