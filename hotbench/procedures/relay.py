"""A relay on the setpoint: the loop in force swings a little, at its own critical frequency."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from hotbench.core.errors import FellShort
from hotbench.core.ports import PrinterPort
from hotbench.procedures import moves, phases
from hotbench.procedures.course import Course
from hotbench.procedures.options import (
    check_above,
    check_fans,
    check_range,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import Settling, pause

RELAY = "relay"
"""How the phase begins, after the mark of what is held out."""
STEADY = Settling(within_K=0.8, window_s=6.0, timeout_s=120.0)
LAGS_PER_SWING = 4.2
"""Period where the phase is half a turn behind, over the lag: lag and integrator under a PI by
Skogestad's rule (2003), tan(x) = 8 x, 2 pi / x."""
REST_s = 2.0


@dataclass(frozen=True, kw_only=True)
class RelayTest(Procedure):
    """The setpoint goes up when the reading is below the centre, and down when it is above.

    The board's own controller and protections stay in charge: no duty is commanded. A relay
    around the closed loop swings where the open loop's phase is half a turn behind (Schei, 1992),
    so the record tells the gain margin in force, and duty and reading tell the heater's response
    there. Bounded: the setpoint stays within amplitude_K of the centre, a reading further off than
    abandon_K ends the test, and so does longest_s.
    """

    name: ClassVar[str] = "relay"
    summary: ClassVar[str] = "a small relay on the setpoint, to check the loop's margin"

    temperature_C: float = option(220.0, "°C", "centre")
    amplitude_K: float = option(2.0, "K", "how far the setpoint goes from the centre")
    hysteresis_K: float = option(0.4, "K", "the reading must pass the centre by so much")
    cycles: int = option(12, "", "how many swings")
    longest_s: float = option(240.0, "s", "most time for them")
    abandon_K: float = option(8.0, "K", "a reading this far from the centre ends the test")
    fan: float = option(0.0, "fraction", "fan setting")

    def __post_init__(self) -> None:
        check_temperatures("temperature_C", (self.temperature_C,))
        check_range("amplitude_K", self.amplitude_K, 0.5, 10.0, "K")
        check_range("hysteresis_K", self.hysteresis_K, 0.0, 5.0, "K")
        check_above("amplitude_K", self.amplitude_K, "hysteresis_K", self.hysteresis_K)
        check_range("cycles", self.cycles, 4, 200, "swings")
        check_range("longest_s", self.longest_s, 10.0, 3600.0, "s")
        check_range("abandon_K", self.abandon_K, 2.0, 30.0, "K")
        check_above("abandon_K", self.abandon_K, "amplitude_K", self.amplitude_K)
        check_fans("fan", (self.fan,))

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """The swings, their bounds, and the way there."""
        highest_C = self.temperature_C + self.amplitude_K
        return plan_of(
            self._lines(),
            pace,
            self._time_s,
            max_temperature_C=highest_C,
            most_s=lambda slow: self._time_s(slow, self.longest_s),
        )

    def execute(self, printer: PrinterPort) -> None:
        """Settle, swing, settle again; FellShort when it strays or hardly swings."""
        moves.heat(printer, self.temperature_C, fan=self.fan, naming=phases.held_out)
        moves.rest(printer, self.temperature_C, STEADY, naming=phases.held_out)
        printer.set_phase(phases.held_out(f"{RELAY} {self.temperature_C:g} {self.amplitude_K:g}"))
        swings = self._swing(printer)
        printer.set_phase(phases.held_out(phases.hold(self.temperature_C)))
        printer.set_temperature(self.temperature_C)
        pause(printer, REST_s)
        if swings < self.cycles:
            printer.note(f"relay: {swings} of {self.cycles} swings within {self.longest_s:g} s")

    def _time_s(self, pace: Pace, swings_s: float = 0.0) -> float:
        swings_s = swings_s or min(self.longest_s, self.cycles * LAGS_PER_SWING * pace.lag_s)
        return Course(pace).go(self.temperature_C).settle(STEADY).wait(swings_s + REST_s).total_s

    def _swing(self, printer: PrinterPort) -> int:
        """Whole swings done: each begins with the setpoint going up."""
        up, turns, until_s = True, 0, printer.now_s() + self.longest_s
        printer.set_temperature(self.temperature_C + self.amplitude_K)
        while turns < 2 * self.cycles and printer.now_s() < until_s:
            off_K = printer.next_sample().temperature_C - self.temperature_C
            if abs(off_K) > self.abandon_K:
                printer.set_temperature(self.temperature_C)
                raise FellShort(f"relay abandoned: {off_K:+.1f} K off, more than allowed")
            if (off_K > self.hysteresis_K) if up else (off_K < -self.hysteresis_K):
                up, turns = not up, turns + 1
                side = 1.0 if up else -1.0
                printer.set_temperature(self.temperature_C + side * self.amplitude_K)
        return turns // 2

    def _lines(self) -> Iterator[str]:
        yield f"settle at {self.temperature_C:g} °C with fan {self.fan:g}"
        yield (
            f"move the setpoint by ±{self.amplitude_K:g} K against the reading, {self.cycles} "
            f"swings or {self.longest_s:g} s"
        )
        yield f"end at once when the reading is {self.abandon_K:g} K off"
