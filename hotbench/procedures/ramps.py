"""How fast and how far the setpoint may move: ramp ladder and step-size ladder."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Literal

from hotbench.core.errors import ControllerFault, FellShort
from hotbench.core.ports import PrinterPort
from hotbench.core.records import Sample
from hotbench.procedures import moves, phases
from hotbench.procedures.course import Course
from hotbench.procedures.faults import recover
from hotbench.procedures.options import (
    LEVEL_MEANING,
    SPREAD_MEANING,
    check_above,
    check_declared,
    check_fans,
    check_positive,
    check_range,
    check_some,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, listed, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import ARRIVED_K, Settling, STALL_s, pause, samples_for

Direction = Literal["heating", "cooling"]

TAIL_s, TAIL_EXTRA_s = 20.0, 3.0
MOST_FAULTS = 3
LEAD_K, LONGEST_STEP_s = 2.0, 0.5
SOAK_s = 60.0
"""A hot end just heated up still feeds its insulation: its first ramp would deviate less."""
ABANDONED = "ramp abandoned"
"""How the note about an abandoned ramp begins."""
CLIMB_FROM_K_per_s: Mapping[str, float] = {"heating": 0.5, "cooling": 0.2}
CLIMB_BY, CLIMB_TO = 1.6, 0.5
FEWEST_RAMPS = 9
"""A ladder chosen as it goes, for its plan: where it begins, how it grows, around which share of
the physical rate it then goes on, and how many ramps each way it takes at least."""
BETWEEN = Settling(within_K=0.25, drift_K=0.25, window_s=15.0, timeout_s=180.0)
"""Before each ramp. Where it starts off its setpoint it deviates by so much more: at 0.6 K the
ladders of a slow hot end scattered by a tenth and claimed 0.81 of their limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RampTrial:
    """One ramp as it was recorded; fault is the board's line, or None.

    samples begin with the last one before the ramp, and end once the temperature has caught up.
    abandoned: the setpoint was stopped on the way because the deviation grew too large, so that
    the whole ramp would have deviated by more than the samples show.
    """

    direction: Direction
    rate_K_per_s: float
    from_C: float
    to_C: float
    fan: float
    samples: tuple[Sample, ...]
    fault: str | None = None
    abandoned: bool = False

    @property
    def peak_K(self) -> float:
        """Largest |setpoint - temperature| of the raw readings; NaN when there is none."""
        gaps = [abs(s.setpoint_C - s.temperature_C) for s in self.samples[1:]]
        return max((gap for gap in gaps if math.isfinite(gap)), default=math.nan)


NextRate = Callable[[Sequence[RampTrial]], float | None]
"""All trials so far to the next rate in K/s, or None when that direction is done."""


def fixed_rates(direction: Direction, rates_K_per_s: Sequence[float]) -> NextRate:
    """A chooser that works through a list."""

    def choose(trials: Sequence[RampTrial]) -> float | None:
        done = sum(trial.direction == direction for trial in trials)
        return rates_K_per_s[done] if done < len(rates_K_per_s) else None

    return choose


@dataclass(frozen=True, kw_only=True)
class RampTest(Procedure):
    """A ladder of setpoint ramps up and down between two temperatures.

    The setpoint moves in small steps every interval_s, as a job would move it. Rates come from
    the list, or from the injected choosers, one per direction; a direction that is done is
    travelled at slow_rate_K_per_s, the setpoint waiting for the temperature. A ramp that deviates
    by more than abandon_deviation_K is stopped before the board faults; a note that begins with
    ABANDONED falls into its phase, for it must not count as a whole ramp. A controller fault ends
    the ladder, unless reset_allowed: then the hot end is off for reset_wait_s, the board is asked
    to resume, a slow ramp each way confirms that it follows, and the ladder goes on; at most
    MOST_FAULTS times. fault_deviation_K and fault_spread are kept with the run for its fit.
    """

    name: ClassVar[str] = "ramp"
    summary: ClassVar[str] = "setpoint ramps up and down at several rates"

    low_C: float = option(190.0, "°C", "lower end")
    high_C: float = option(230.0, "°C", "upper end")
    rates_K_per_s: tuple[float, ...] = option((), "K/s", "rates to try, up and down")
    cooling_rates_K_per_s: tuple[float, ...] = option((), "K/s", "other rates for the way down")
    fan: float = option(0.0, "fraction", "fan setting")
    interval_s: float = option(0.2, "s", "time between two steps of the setpoint")
    max_ramps: int = option(15, "", "most ramps in each direction")
    slow_rate_K_per_s: float = option(0.5, "K/s", "highest rate of moves that are no trial")
    abandon_deviation_K: float | None = option(None, "K", "stop a ramp that deviates by more")
    reset_allowed: bool = option(
        default=False, unit="", meaning="reset the board after a fault and go on"
    )
    reset_wait_s: float = option(30.0, "s", "time with the heater off before a reset")
    fault_deviation_K: float | None = option(None, "K", LEVEL_MEANING)
    fault_spread: float | None = option(None, "", SPREAD_MEANING)
    next_heating_rate: NextRate | None = field(default=None, compare=False)
    next_cooling_rate: NextRate | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        check_temperatures("low_C", (self.low_C,))
        check_temperatures("high_C", (self.high_C,))
        check_above("high_C", self.high_C, "low_C", self.low_C)
        check_fans("fan", (self.fan,))
        for rate in (*self.rates_K_per_s, *self.cooling_rates_K_per_s):
            check_range("rates_K_per_s", rate, 0.01, 1000.0, "K/s")
        if self.next_heating_rate is None and self.next_cooling_rate is None:
            check_some("rates_K_per_s", self.rates_K_per_s)
        check_range("interval_s", self.interval_s, 0.02, 5.0, "s")
        check_range("max_ramps", self.max_ramps, 1, 200, "ramps")
        check_positive("slow_rate_K_per_s", self.slow_rate_K_per_s)
        check_range("reset_wait_s", self.reset_wait_s, 1.0, 600.0, "s")
        check_declared(self.fault_deviation_K, self.fault_spread)
        if self.abandon_deviation_K is not None:
            check_range("abandon_deviation_K", self.abandon_deviation_K, 1.0, 100.0, "K")

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Ends, rates and what happens after a fault."""
        rates = (
            f"at {listed(self.rates_K_per_s)} K/s"
            if self.rates_K_per_s
            else f"at rates chosen as it goes, at most {self.max_ramps} each way"
        )
        after = (
            "after a controller fault: off, reset, a slow ramp, and on"
            if self.reset_allowed
            else "a controller fault ends the test"
        )
        lines = [
            f"ramps between {self.low_C:g} and {self.high_C:g} °C {rates}, fan {self.fan:g}",
            after,
        ]
        return plan_of(
            lines,
            pace,
            self._time_s,
            max_temperature_C=self.high_C,
            least_s=lambda quick: self._time_s(quick, FEWEST_RAMPS),
            most_s=lambda slow: self._time_s(slow, abandoned=self.abandon_deviation_K is not None),
        )

    def execute(self, printer: PrinterPort) -> None:
        """The ladder."""
        Ladder(self, printer).climb()

    def chooser(self, direction: Direction) -> NextRate:
        """Where a direction's rates come from."""
        chosen = self.next_heating_rate if direction == "heating" else self.next_cooling_rate
        rates = self.rates_K_per_s
        if direction == "cooling" and self.cooling_rates_K_per_s:
            rates = self.cooling_rates_K_per_s
        return chosen or fixed_rates(direction, rates)

    def _time_s(self, pace: Pace, fewest: int = 0, *, abandoned: bool = False) -> float:
        """fewest: how many ramps each way may do. abandoned: all ramps that may be, are."""
        ends = {"heating": (self.low_C, self.high_C), "cooling": (self.high_C, self.low_C)}
        course = Course(pace).go(self.low_C).settle(BETWEEN).wait(SOAK_s)
        for way, (from_C, to_C) in ends.items():
            own_s = pace.move_s(from_C, to_C, self.fan)
            for rate in self._rates(way, abs(to_C - from_C) / own_s, fewest):
                ramp_s = max(abs(to_C - from_C) / rate, own_s)
                if abandoned and rate > self.slow_rate_K_per_s:
                    ramp_s = max(ramp_s, abs(to_C - from_C) / self.slow_rate_K_per_s)
                course.wait(ramp_s + TAIL_EXTRA_s).settle(BETWEEN)
        return course.total_s

    def _rates(self, way: str, physical_K_per_s: float, fewest: int) -> list[float]:
        """Those listed, or typical ones of a ladder that is chosen as it goes."""
        first, second = self.rates_K_per_s, self.cooling_rates_K_per_s
        listed_K_per_s = (second or first) if way == "cooling" else first
        if listed_K_per_s:
            return list(listed_K_per_s[: self.max_ramps])
        count, begin = min(fewest or self.max_ramps, self.max_ramps), CLIMB_FROM_K_per_s[way]
        end = max(CLIMB_TO * physical_K_per_s, begin)
        return [min(begin * CLIMB_BY**step, end) for step in range(count)]


class Ladder:
    """One climb: where the setpoint stands, what has been tried, how many faults there were."""

    def __init__(self, test: RampTest, printer: PrinterPort) -> None:
        self._test, self._printer = test, printer
        self.trials: list[RampTrial] = []
        self._faults = 0

    def climb(self) -> None:
        """Pairs of ramps until both directions are done."""
        self._go_to_low()
        while True:
            rates = [self._next("heating"), self._next("cooling")]
            if rates == [None, None]:
                return
            if not self._try_pair(*rates):
                self._resume()

    def _go_to_low(self) -> None:
        moves.heat(self._printer, self._test.low_C, fan=self._test.fan)
        moves.rest(self._printer, self._test.low_C, BETWEEN)
        pause(self._printer, SOAK_s)

    def _next(self, direction: Direction) -> float | None:
        done = sum(trial.direction == direction for trial in self.trials)
        if done >= self._test.max_ramps:
            return None
        return self._test.chooser(direction)(self.trials)

    def _try_pair(self, heating: float | None, cooling: float | None) -> bool:
        """One ramp up, one down; False after a fault that may be recovered from."""
        return self._leg("heating", heating) and self._leg("cooling", cooling)

    def _leg(self, direction: Direction, rate_K_per_s: float | None) -> bool:
        test = self._test
        ends_C = (test.low_C, test.high_C)
        from_C, to_C = ends_C if direction == "heating" else ends_C[::-1]
        if rate_K_per_s is None:
            self._printer.set_phase(f"return {to_C:g}")
            lead_setpoint(self._printer, from_C, to_C, test.slow_rate_K_per_s)
        elif not self._trial(direction, rate_K_per_s, from_C, to_C):
            return False
        moves.rest(self._printer, to_C, BETWEEN)
        return True

    def _trial(self, direction: Direction, rate_K_per_s: float, from_C: float, to_C: float) -> bool:
        printer, samples, fault = self._printer, [self._printer.next_sample()], None
        reached_C = to_C
        printer.set_phase(phases.ramp(_way(from_C, to_C), rate_K_per_s))
        try:
            reached_C = self._move(from_C, to_C, rate_K_per_s, samples)
            if reached_C != to_C:
                printer.note(f"{ABANDONED} at {rate_K_per_s:g} K/s, deviation {_lag_K(samples)} K")
            samples += catch_up(printer, reached_C)
        except ControllerFault as error:
            fault = error
        self.trials.append(
            RampTrial(
                direction=direction,
                rate_K_per_s=rate_K_per_s,
                from_C=from_C,
                to_C=to_C,
                fan=self._test.fan,
                samples=tuple(samples),
                fault=fault.text if fault else None,
                abandoned=reached_C != to_C,
            )
        )
        if fault:
            self._decide(fault)
        elif reached_C != to_C:
            self._finish_slowly(reached_C, to_C)
        return fault is None

    def _move(
        self, from_C: float, to_C: float, rate_K_per_s: float, samples: list[Sample]
    ) -> float:
        test = self._test
        abandon_K = test.abandon_deviation_K or math.inf
        return move_setpoint(
            self._printer, from_C, to_C, rate_K_per_s, test.interval_s, samples, abandon_K
        )

    def _finish_slowly(self, reached_C: float, to_C: float) -> None:
        """The rest of an abandoned ramp, the setpoint waiting for the temperature."""
        self._printer.set_phase(f"return {to_C:g}")
        lead_setpoint(self._printer, reached_C, to_C, self._test.slow_rate_K_per_s)

    def _decide(self, fault: ControllerFault) -> None:
        """Let the fault end the ladder unless the user allowed to go on."""
        self._faults += 1
        if not self._test.reset_allowed or self._faults > MOST_FAULTS:
            raise fault

    def _resume(self) -> None:
        """After a fault: reset, then a slow ramp each way; a fault there ends the ladder."""
        test = self._test
        recover(self._printer, test.reset_wait_s)
        self._go_to_low()
        slow = test.slow_rate_K_per_s
        for from_C, to_C in ((test.low_C, test.high_C), (test.high_C, test.low_C)):
            self._printer.set_phase(phases.ramp(_way(from_C, to_C), slow))
            lead_setpoint(self._printer, from_C, to_C, slow)
            moves.rest(self._printer, to_C, BETWEEN)


def _lag_K(samples: Sequence[Sample]) -> str:
    return f"{abs(samples[-1].setpoint_C - samples[-1].temperature_C):.1f}"


def _way(from_C: float, to_C: float) -> str:
    return "up" if to_C > from_C else "down"


def move_setpoint(
    printer: PrinterPort,
    from_C: float,
    to_C: float,
    rate_K_per_s: float,
    interval_s: float,
    heard: list[Sample],
    abandon_K: float = math.inf,
) -> float:
    """Move the setpoint steadily, in steps every interval_s; samples heard go to `heard`.

    Returns the last setpoint: to_C, or where it stopped since the temperature was more than
    abandon_K away from it. Where samples come slower than interval_s, the setpoint follows the
    clock in larger steps.
    """
    span_K, begun_s, steps, at_C = to_C - from_C, printer.now_s(), 0, from_C
    last = max(math.ceil(abs(span_K) / (rate_K_per_s * interval_s) - 1e-9), 1)
    while steps < last:
        due = 1 + int((printer.now_s() - begun_s) / interval_s + 1e-6)
        if due > steps:
            steps = min(due, last)
            moved_K = min(steps * interval_s * rate_K_per_s, abs(span_K))
            at_C = round(from_C + math.copysign(moved_K, span_K), 3)
            printer.set_temperature(at_C)
        heard.append(printer.next_sample())
        if abs(heard[-1].temperature_C - at_C) > abandon_K:
            return at_C
    return to_C


def lead_setpoint(printer: PrinterPort, from_C: float, to_C: float, rate_K_per_s: float) -> None:
    """Move the setpoint with the temperature never far behind, at most at the rate.

    Raises FellShort when the temperature stays behind for STALL_s.
    """
    at_C, moved_s = from_C, printer.now_s()
    while at_C != to_C:
        temperature_C = printer.next_sample().temperature_C
        waited_s = printer.now_s() - moved_s
        if abs(temperature_C - at_C) < LEAD_K:
            step_K = min(rate_K_per_s * min(waited_s, LONGEST_STEP_s), abs(to_C - at_C))
            at_C = round(at_C + math.copysign(step_K, to_C - at_C), 3)
            printer.set_temperature(at_C)
            moved_s = printer.now_s()
        elif waited_s > STALL_s:
            raise FellShort(f"hot end stays at {temperature_C:.1f} °C, setpoint {at_C:g} °C")


def catch_up(printer: PrinterPort, to_C: float) -> list[Sample]:
    """Samples until the temperature has come near the setpoint, and a little longer."""
    heard = []
    for sample in samples_for(printer, TAIL_s):
        heard.append(sample)
        if abs(sample.temperature_C - to_C) < ARRIVED_K:
            break
    return heard + pause(printer, TAIL_EXTRA_s)


@dataclass(frozen=True, kw_only=True)
class StepSizeTest(Procedure):
    """How large a single change of the setpoint is tolerated, up and down from one temperature."""

    name: ClassVar[str] = "jump"
    summary: ClassVar[str] = "single setpoint changes of growing size"

    low_C: float = option(190.0, "°C", "where the changes start and end")
    sizes_K: tuple[float, ...] = option((5.0, 10.0, 15.0, 20.0, 30.0), "K", "sizes, ascending")
    times: int = option(2, "", "how often each size is tried each way")
    fan: float = option(0.0, "fraction", "fan setting")
    reset_allowed: bool = option(
        default=False, unit="", meaning="reset the board after a fault, confirm, and end"
    )
    reset_wait_s: float = option(30.0, "s", "time with the heater off before a reset")
    fault_deviation_K: float | None = option(None, "K", LEVEL_MEANING)
    fault_spread: float | None = option(None, "", SPREAD_MEANING)

    def __post_init__(self) -> None:
        check_temperatures("low_C", (self.low_C,))
        check_some("sizes_K", self.sizes_K)
        for size_K in self.sizes_K:
            check_range("sizes_K", size_K, 1.0, 300.0, "K")
        check_temperatures("low_C + sizes_K", (self.low_C + max(self.sizes_K),))
        check_range("times", self.times, 1, 20, "times")
        check_fans("fan", (self.fan,))
        check_range("reset_wait_s", self.reset_wait_s, 1.0, 600.0, "s")
        check_declared(self.fault_deviation_K, self.fault_spread)

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Sizes, and what happens after a fault."""
        highest_C = self.low_C + max(self.sizes_K)
        sizes = listed(sorted(self.sizes_K))
        lines = [
            f"single setpoint changes of {sizes} K from {self.low_C:g} °C, each {self.times} times",
            "a controller fault ends the test",
        ]
        return plan_of(lines, pace, self._time_s, max_temperature_C=highest_C)

    def _time_s(self, pace: Pace) -> float:
        course = Course(pace).go(self.low_C).settle(BETWEEN)
        for size_K in self.sizes_K * self.times:
            for to_C in (self.low_C + size_K, self.low_C):
                course.go(to_C, self.fan).wait(TAIL_EXTRA_s).settle(BETWEEN)
        return course.total_s

    def execute(self, printer: PrinterPort) -> None:
        """Sizes in ascending order until one faults."""
        self._go_to_low(printer)
        tolerated_K: float | None = None
        for size_K in sorted(self.sizes_K * self.times):
            try:
                self._jump(printer, size_K)
            except ControllerFault as fault:
                printer.note(f"a change of {size_K:g} K made the board fault")
                if not self.reset_allowed:
                    raise
                self._confirm(printer, fault, tolerated_K)
                return
            tolerated_K = size_K

    def _go_to_low(self, printer: PrinterPort) -> None:
        moves.heat(printer, self.low_C, fan=self.fan)
        moves.rest(printer, self.low_C, BETWEEN)

    def _jump(self, printer: PrinterPort, size_K: float) -> None:
        high_C = self.low_C + size_K
        for way, to_C in (("up", high_C), ("down", self.low_C)):
            printer.set_phase(phases.jump(way, size_K))
            printer.set_temperature(to_C)
            catch_up(printer, to_C)
            moves.rest(printer, to_C, BETWEEN)

    def _confirm(
        self, printer: PrinterPort, fault: ControllerFault, tolerated_K: float | None
    ) -> None:
        """See whether the largest tolerated change is still tolerated after the reset."""
        if tolerated_K is None:
            raise fault
        recover(printer, self.reset_wait_s)
        self._go_to_low(printer)
        self._jump(printer, tolerated_K)
