"""Step tests: heat, hold, cool and dip; holding; dips alone."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from hotbench.core.ports import PrinterPort
from hotbench.procedures import moves
from hotbench.procedures.course import Course
from hotbench.procedures.options import (
    check_above,
    check_fans,
    check_range,
    check_temperatures,
    option,
)
from hotbench.procedures.phases import held_out
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, listed, plan_of
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
            pace,
            lambda by: self._course(by).total_s,
            max_temperature_C=highest_C,
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

    def _course(self, pace: Pace) -> Course:
        course, steps_C = Course(pace), sorted(self.to_C)
        for fan in self.fans:
            for to_C in steps_C:
                course.go(to_C).wait(self.hold_s)
            course.go(self.cool_to_C, fan)
            steps_C = steps_C[-1:]
        if self.dip:
            course.go(self.dip[0]).settle().wait(self.hold_s).dip(*self.dip)
        return self._held_out_course(course) if self.validate else course

    def _held_out_course(self, course: Course) -> Course:
        plan = self.held_out()
        course.go(plan.middle_C).settle().go(plan.top_C).settle().go(plan.end_C, plan.cool_fan)
        if plan.dip:
            course.go(plan.dip[0]).settle().dip(*plan.dip, plan.dip_fan)
        return course


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
        lines = [
            f"with fan {fan:g}: dip from {self.from_C:g} to {listed(self.to_C)} °C and back"
            for fan in self.fans
        ]
        return plan_of(lines, pace, self._time_s, max_temperature_C=self.from_C)

    def _time_s(self, pace: Pace) -> float:
        course = Course(pace).go(self.from_C)
        for fan in self.fans:
            for to_C in self.to_C:
                course.settle(BEFORE_DIP).dip(self.from_C, to_C, fan)
        return course.total_s

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
        return plan_of([line], pace, self._time_s, max_temperature_C=self.temperature_C)

    def _time_s(self, pace: Pace) -> float:
        return Course(pace).go(self.temperature_C).wait(self.duration_s).total_s

    def execute(self, printer: PrinterPort) -> None:
        """Heat and hold."""
        moves.heat(printer, self.temperature_C, fan=self.fan)
        moves.hold(printer, self.temperature_C, self.duration_s)
