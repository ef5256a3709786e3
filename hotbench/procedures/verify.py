"""Verifying the gains in force: a setpoint step, then a flow step, as the board takes them."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from hotbench.core.errors import BadInput, FellShort
from hotbench.core.ports import PrinterPort
from hotbench.procedures import moves, phases
from hotbench.procedures.course import Course
from hotbench.procedures.options import (
    check_above,
    check_fans,
    check_positive,
    check_range,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import Settling, pause, samples_for

COLDEST_EXTRUSION_C = 170.0
READY_K = 3.0
STEADY = Settling(within_K=1.0, window_s=6.0, timeout_s=120.0)
STEP, FLOW = "setpoint step", "flow step"
"""How the two stretches' phases begin, after the mark of what is held out."""


@dataclass(frozen=True, kw_only=True)
class VerifyTest(Procedure):
    """A setpoint step up, watched for a fixed time; then filament fed at one flow, and its end.

    Phases are held out of every fit: the record is to judge a prediction, not to make it. A flow
    of zero leaves the filament out.
    """

    name: ClassVar[str] = "verify"
    summary: ClassVar[str] = "a setpoint step and a flow step, to judge the gains in force"

    temperature_C: float = option(220.0, "°C", "where the setpoint step ends")
    step_K: float = option(20.0, "K", "size of the setpoint step")
    watch_s: float = option(60.0, "s", "time after the setpoint step")
    flow_mm3_per_s: float = option(0.0, "mm³/s", "flow of the flow step, 0 for none")
    flow_s: float = option(30.0, "s", "how long the filament flows")
    fan: float = option(0.0, "fraction", "fan setting")
    filament_diameter_mm: float = option(1.75, "mm", "filament diameter")

    def __post_init__(self) -> None:
        check_temperatures("temperature_C", (self.temperature_C,))
        check_range("step_K", self.step_K, 5.0, 60.0, "K")
        check_above("temperature_C", self.temperature_C - self.step_K, "room temperature", 40.0)
        check_range("watch_s", self.watch_s, 10.0, 1800.0, "s")
        check_range("flow_mm3_per_s", self.flow_mm3_per_s, 0.0, 200.0, "mm³/s")
        check_range("flow_s", self.flow_s, 5.0, 600.0, "s")
        check_fans("fan", (self.fan,))
        check_positive("filament_diameter_mm", self.filament_diameter_mm)
        if self.flow_mm3_per_s and self.temperature_C < COLDEST_EXTRUSION_C + READY_K:
            raise BadInput(
                "too cold to extrude",
                where="temperature_C",
                value=f"{self.temperature_C:g} °C",
                limit=f"{COLDEST_EXTRUSION_C + READY_K:g} °C",
                remedy="verify hotter, or with a flow of 0",
            )

    @property
    def length_mm(self) -> float:
        """Filament that the flow step takes."""
        return self._speed_mm_per_s * self.flow_s

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Step, flow, and the way there."""
        return plan_of(
            self._lines(),
            pace,
            self._time_s,
            max_temperature_C=self.temperature_C,
            filament_mm=self.length_mm if self.flow_mm3_per_s else 0.0,
        )

    def execute(self, printer: PrinterPort) -> None:
        """Warm through below, step, watch; feed and watch."""
        start_C = self.temperature_C - self.step_K
        moves.heat(printer, start_C, fan=self.fan, naming=phases.held_out)
        moves.rest(printer, start_C, STEADY, naming=phases.held_out)
        printer.set_phase(phases.held_out(f"{STEP} {start_C:g}-{self.temperature_C:g}"))
        printer.set_temperature(self.temperature_C)
        pause(printer, self.watch_s)
        if self.flow_mm3_per_s:
            moves.rest(printer, self.temperature_C, STEADY, naming=phases.held_out)
            self._feed(printer)

    def _time_s(self, pace: Pace) -> float:
        course = Course(pace).go(self.temperature_C - self.step_K).settle(STEADY).wait(self.watch_s)
        if self.flow_mm3_per_s:
            course.wait(STEADY.shortest_s + 2.0 * self.flow_s)
        return course.total_s

    def _feed(self, printer: PrinterPort) -> None:
        """The flow step; FellShort before any filament moves, or as soon as it gets too cold."""
        reading_C = printer.next_sample().temperature_C
        if abs(reading_C - self.temperature_C) > READY_K:
            at, wanted = f"{reading_C:.1f} °C", f"{self.temperature_C:g} °C"
            raise FellShort(f"hot end is at {at} instead of {wanted}: not extruding")
        printer.set_phase(phases.held_out(f"{FLOW} {self.temperature_C:g} {self.flow_mm3_per_s:g}"))
        printer.extrude(self.length_mm, self._speed_mm_per_s)
        for sample in samples_for(printer, self.flow_s):
            if sample.temperature_C < COLDEST_EXTRUSION_C:
                raise FellShort(f"hot end fell to {sample.temperature_C:.1f} °C: feeding no more")
        printer.set_phase(phases.held_out(phases.hold(self.temperature_C)))
        pause(printer, self.flow_s)

    @property
    def _speed_mm_per_s(self) -> float:
        return self.flow_mm3_per_s / (math.pi / 4.0 * self.filament_diameter_mm**2)

    def _lines(self) -> Iterator[str]:
        start_C = self.temperature_C - self.step_K
        yield f"settle at {start_C:g} °C with fan {self.fan:g}"
        yield f"step to {self.temperature_C:g} °C and watch for {self.watch_s:g} s"
        if self.flow_mm3_per_s:
            yield f"feed {self.flow_mm3_per_s:g} mm³/s for {self.flow_s:g} s, then rest as long"
