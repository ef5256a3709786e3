"""The same dip again and again: how soon one may follow another."""

import math
from dataclasses import dataclass
from typing import ClassVar

from hotbench.core.ports import PrinterPort
from hotbench.core.records import Sample
from hotbench.procedures import moves, phases
from hotbench.procedures.course import Course
from hotbench.procedures.options import (
    LEVEL_MEANING,
    SPREAD_MEANING,
    check_above,
    check_declared,
    check_fans,
    check_range,
    check_some,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, listed, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.ramps import ABANDONED, BETWEEN, lead_setpoint, move_setpoint
from hotbench.procedures.waiting import ARRIVED_K, cool_to, pause, warm_to


@dataclass(frozen=True, kw_only=True)
class RepetitionTest(Procedure):
    """The same dip many times in a row, since boards also fault from accumulated movement.

    The setpoint is led down and back at the stated rates, as a job would lead it; rates that a
    ramp ladder called safe belong here. Rests between the dips shrink from the longest on. A dip
    that deviates by more than abandon_deviation_K is stopped and ends the test before the board
    faults; a note that begins with ABANDONED falls into its phase.
    """

    name: ClassVar[str] = "repeat"
    summary: ClassVar[str] = "the same dip many times in a row, at shrinking rests"

    from_C: float = option(220.0, "°C", "where the dips start and end")
    to_C: float = option(200.0, "°C", "temperature to dip to")
    rests_s: tuple[float, ...] = option((20.0, 10.0, 5.0, 2.0), "s", "rests between dips")
    count: int = option(5, "", "how many dips at each rest")
    heating_rate_K_per_s: float = option(0.5, "K/s", "rate of the setpoint on the way back")
    cooling_rate_K_per_s: float = option(0.4, "K/s", "rate of the setpoint on the way down")
    fan: float = option(0.0, "fraction", "fan setting")
    interval_s: float = option(0.2, "s", "time between two steps of the setpoint")
    abandon_deviation_K: float | None = option(None, "K", "stop a dip that deviates by more")
    fault_deviation_K: float | None = option(None, "K", LEVEL_MEANING)
    fault_spread: float | None = option(None, "", SPREAD_MEANING)

    def __post_init__(self) -> None:
        check_temperatures("to_C", (self.to_C,))
        check_temperatures("from_C", (self.from_C,))
        check_above("from_C", self.from_C, "to_C", self.to_C)
        check_some("rests_s", self.rests_s)
        for rest_s in self.rests_s:
            check_range("rests_s", rest_s, 0.0, 600.0, "s")
        check_range("count", self.count, 1, 1000, "dips")
        check_range("heating_rate_K_per_s", self.heating_rate_K_per_s, 0.01, 1000.0, "K/s")
        check_range("cooling_rate_K_per_s", self.cooling_rate_K_per_s, 0.01, 1000.0, "K/s")
        check_fans("fan", (self.fan,))
        check_range("interval_s", self.interval_s, 0.02, 5.0, "s")
        if self.abandon_deviation_K is not None:
            check_range("abandon_deviation_K", self.abandon_deviation_K, 1.0, 100.0, "K")
        check_declared(self.fault_deviation_K, self.fault_spread)

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Dips, rests, and what ends the test."""
        rests = listed(sorted(self.rests_s, reverse=True))
        rates = (self.cooling_rate_K_per_s, self.heating_rate_K_per_s)
        lines = [
            f"dips from {self.from_C:g} to {self.to_C:g} °C, {listed(rates)} K/s down and back up",
            f"{self.count} in a row with each of {rests} s between them",
            "a large deviation or a controller fault ends the test",
        ]
        return plan_of(lines, pace, self._time_s, max_temperature_C=self.from_C)

    def execute(self, printer: PrinterPort) -> None:
        """Rests from the longest on, until a dip deviates too much."""
        moves.heat(printer, self.from_C, fan=self.fan)
        moves.rest(printer, self.from_C, BETWEEN)
        rests_s = [
            rest_s for rest_s in sorted(self.rests_s, reverse=True) for _ in range(self.count)
        ]
        for number, rest_s in enumerate(rests_s, start=1):
            printer.set_phase(phases.repeat(number, rest_s))
            if not self._dip(printer):
                return
            if rest_s:
                moves.hold(printer, self.from_C, rest_s)

    def _time_s(self, pace: Pace) -> float:
        """Each way takes what the setpoint takes, or the hot end where that is slower."""
        span_K = self.from_C - self.to_C
        down_s, up_s = span_K / self.cooling_rate_K_per_s, span_K / self.heating_rate_K_per_s
        down_s = max(down_s, pace.move_s(self.from_C, self.to_C, self.fan))
        up_s = max(up_s, pace.move_s(self.to_C, self.from_C))
        course = Course(pace).go(self.from_C).settle(BETWEEN)
        dips = len(self.rests_s) * self.count
        return course.wait(dips * (down_s + up_s) + self.count * sum(self.rests_s)).total_s

    def _dip(self, printer: PrinterPort) -> bool:
        """Down and back; False when it was abandoned."""
        if not self._lead(printer, self.from_C, self.to_C, self.cooling_rate_K_per_s):
            return False
        cool_to(printer, self.to_C + ARRIVED_K)
        if not self._lead(printer, self.to_C, self.from_C, self.heating_rate_K_per_s):
            return False
        warm_to(printer, self.from_C)
        return True

    def _lead(self, printer: PrinterPort, from_C: float, to_C: float, rate_K_per_s: float) -> bool:
        heard: list[Sample] = []
        abandon_K = self.abandon_deviation_K or math.inf
        reached_C = move_setpoint(
            printer, from_C, to_C, rate_K_per_s, self.interval_s, heard, abandon_K
        )
        if reached_C == to_C:
            return True
        printer.note(f"{ABANDONED}: the dip deviates by more than {abandon_K:.3g} K")
        printer.set_phase(f"return {self.from_C:g}")
        pause(printer, 1.0)
        lead_setpoint(printer, reached_C, self.from_C, min(rate_K_per_s, 0.5))
        return False
