"""How fast and how far the setpoint may move: ramp ladder and step-size ladder."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Literal

from hotbench.core.errors import ControllerFault
from hotbench.core.ports import PrinterPort
from hotbench.core.records import Sample
from hotbench.procedures import moves, phases
from hotbench.procedures.faults import recover
from hotbench.procedures.options import (
    check_above,
    check_fans,
    check_positive,
    check_range,
    check_some,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, ROOM_C, Pace, Plan, listed, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import ARRIVED_K, Settling, pause, samples_for

Direction = Literal["heating", "cooling"]

TAIL_s, TAIL_EXTRA_s = 20.0, 3.0
MOST_FAULTS = 3
BETWEEN = Settling(within_K=1.0, window_s=4.0, timeout_s=180.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RampTrial:
    """One ramp as it was recorded; fault is the board's line, or None.

    samples begin with the last one before the ramp, and end once the temperature has caught up.
    """

    direction: Direction
    rate_K_per_s: float
    from_C: float
    to_C: float
    fan: float
    samples: tuple[Sample, ...]
    fault: str | None = None

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
    travelled at slow_rate_K_per_s. A controller fault ends the ladder, unless reset_allowed: then
    the hot end is off for reset_wait_s, the board is asked to resume, a slow ramp each way
    confirms that it follows, and the ladder goes on; at most MOST_FAULTS times.
    """

    name: ClassVar[str] = "ramp"
    summary: ClassVar[str] = "setpoint ramps up and down at several rates"

    low_C: float = option(190.0, "°C", "lower end")
    high_C: float = option(230.0, "°C", "upper end")
    rates_K_per_s: tuple[float, ...] = option((), "K/s", "rates to try, up and down")
    cooling_rates_K_per_s: tuple[float, ...] = option((), "K/s", "other rates for the way down")
    fan: float = option(0.0, "fraction", "fan setting")
    interval_s: float = option(0.2, "s", "time between two steps of the setpoint")
    max_ramps: int = option(14, "", "most ramps in each direction")
    slow_rate_K_per_s: float = option(0.5, "K/s", "rate of moves that are no trial")
    reset_allowed: bool = option(
        default=False, unit="", meaning="reset the board after a fault and go on"
    )
    reset_wait_s: float = option(30.0, "s", "time with the heater off before a reset")
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
        return plan_of(lines, max_temperature_C=self.high_C, duration_s=self._duration_s(pace))

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

    def _duration_s(self, pace: Pace) -> float:
        span_K = self.high_C - self.low_C
        up_s, down_s = span_K / pace.heating_K_per_s, pace.move_s(self.high_C, self.low_C, self.fan)
        count = min(len(self.rates_K_per_s) or self.max_ramps, self.max_ramps)
        pair_s = 1.5 * (up_s + down_s) + 2.0 * pace.settling_s
        return pace.move_s(ROOM_C, self.low_C) + count * pair_s


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
            move_setpoint(self._printer, from_C, to_C, test.slow_rate_K_per_s, test.interval_s)
        elif not self._trial(direction, rate_K_per_s, from_C, to_C):
            return False
        moves.rest(self._printer, to_C, BETWEEN)
        return True

    def _trial(self, direction: Direction, rate_K_per_s: float, from_C: float, to_C: float) -> bool:
        printer, samples, fault = self._printer, [self._printer.next_sample()], None
        printer.set_phase(phases.ramp(_way(from_C, to_C), rate_K_per_s))
        try:
            move_setpoint(printer, from_C, to_C, rate_K_per_s, self._test.interval_s, samples)
            samples += catch_up(printer, to_C)
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
            )
        )
        if fault:
            self._decide(fault)
        return fault is None

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
            move_setpoint(self._printer, from_C, to_C, slow, test.interval_s)
            moves.rest(self._printer, to_C, BETWEEN)


def _way(from_C: float, to_C: float) -> str:
    return "up" if to_C > from_C else "down"


def move_setpoint(
    printer: PrinterPort,
    from_C: float,
    to_C: float,
    rate_K_per_s: float,
    interval_s: float,
    heard: list[Sample] | None = None,
) -> None:
    """Move the setpoint steadily, in steps every interval_s; samples heard go to `heard`.

    Where samples come slower than interval_s, the setpoint follows the clock in larger steps.
    """
    span_K, begun_s, steps = to_C - from_C, printer.now_s(), 0
    last = max(math.ceil(abs(span_K) / (rate_K_per_s * interval_s) - 1e-9), 1)
    while steps < last:
        due = 1 + int((printer.now_s() - begun_s) / interval_s + 1e-6)
        if due > steps:
            steps = min(due, last)
            moved_K = min(steps * interval_s * rate_K_per_s, abs(span_K))
            printer.set_temperature(round(from_C + math.copysign(moved_K, span_K), 3))
        sample = printer.next_sample()
        if heard is not None:
            heard.append(sample)


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
    sizes_K: tuple[float, ...] = option((5.0, 10.0, 20.0, 40.0), "K", "sizes to try, ascending")
    fan: float = option(0.0, "fraction", "fan setting")
    reset_allowed: bool = option(
        default=False, unit="", meaning="reset the board after a fault, confirm, and end"
    )
    reset_wait_s: float = option(30.0, "s", "time with the heater off before a reset")

    def __post_init__(self) -> None:
        check_temperatures("low_C", (self.low_C,))
        check_some("sizes_K", self.sizes_K)
        for size_K in self.sizes_K:
            check_range("sizes_K", size_K, 1.0, 300.0, "K")
        check_temperatures("low_C + sizes_K", (self.low_C + max(self.sizes_K),))
        check_fans("fan", (self.fan,))
        check_range("reset_wait_s", self.reset_wait_s, 1.0, 600.0, "s")

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Sizes, and what happens after a fault."""
        highest_C = self.low_C + max(self.sizes_K)
        lines = [
            f"single setpoint changes of {listed(sorted(self.sizes_K))} K from {self.low_C:g} °C",
            "a controller fault ends the test",
        ]
        each_s = [
            pace.move_s(self.low_C, self.low_C + size_K)
            + pace.move_s(self.low_C + size_K, self.low_C, self.fan)
            + 2.0 * pace.settling_s
            for size_K in self.sizes_K
        ]
        duration_s = pace.move_s(ROOM_C, self.low_C) + sum(each_s)
        return plan_of(lines, max_temperature_C=highest_C, duration_s=duration_s)

    def execute(self, printer: PrinterPort) -> None:
        """Sizes in ascending order until one faults."""
        self._go_to_low(printer)
        tolerated_K: float | None = None
        for size_K in sorted(self.sizes_K):
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
