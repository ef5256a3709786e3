"""The watch trips on what is wrong and on nothing else."""

import math
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hotbench.core.errors import BadInput, HotbenchError, WatchTripped
from hotbench.core.ports import Observer
from hotbench.core.records import Event, Extrusion, Sample
from hotbench.link.client import Printer
from hotbench.link.watch import Watch, WatchLimits
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import HeaterState, SensorState
from hotbench.sim.printers import randomised

STEP_s = 0.1


def trip(samples: Iterable[Sample], watch: Watch | None = None) -> str:
    """The evidence, empty when nothing tripped."""
    watch = watch or Watch()
    with suppress(WatchTripped):
        for sample in samples:
            watch.on_sample(sample)
    return watch.evidence or ""


def trace(
    course: Callable[[float], float], duration_s: float = 60.0, **columns: float
) -> list[Sample]:
    """Samples along a temperature course, with noise 0.2 K and steps of 0.1 K."""
    noise = np.random.default_rng(5).normal(0.0, 0.2, int(duration_s / STEP_s))
    return [
        Sample(i * STEP_s, round(course(i * STEP_s) + extra, 1), **columns)
        for i, extra in enumerate(noise)
    ]


HEATING = {"setpoint_C": 240.0, "duty": 1.0, "fan": 0.0}
OFF = {"setpoint_C": 0.0, "duty": 0.0, "fan": 0.0}
HOLDING = {"setpoint_C": 200.0, "duty": 0.3, "fan": 0.0}


@pytest.mark.parametrize(
    ("course", "columns"),
    [
        (lambda t: 25.0 + 25.0 * min(t, 8.5), HEATING),
        (lambda t: 25.0 + 1.5 * max(t - 3.0, 0.0), HEATING),
        (lambda t: 200.0, HOLDING),
        (lambda t: 24.0, OFF),
        (lambda t: 24.0 + 176.0 * math.exp(-t / 200.0), OFF),
        (lambda t: 200.0 + 8.0 * (1.0 - math.exp(-t / 2.0)), OFF),
        (lambda t: 190.0 - 0.1 * t, HEATING | {"fan": 1.0}),
        (lambda t: 215.0 - 0.2 * t, HEATING | {"flow_mm3_per_s": 20.0}),
        (lambda t: 200.0 + 60.0 * (int(t * 10) % 50 == 3), HOLDING),
    ],
)
def test_sound_courses_pass(course: Callable[[float], float], columns: dict[str, float]) -> None:
    assert trip(trace(course, **columns)) == ""


def test_a_smoothed_reading_may_stand_still_at_its_setpoint() -> None:
    samples = [Sample(i * STEP_s, 200.0, 200.0, 0.3 + 0.1 * (i % 2), 0.0) for i in range(900)]
    assert trip(samples) == ""


@pytest.mark.parametrize(
    ("course", "columns", "words"),
    [
        (lambda t: 240.0 + t, HOLDING, "above the limit of 275 C"),
        (lambda t: 200.0 if t < 5.0 else -14.9, HOLDING, "as when open or short"),
        (lambda t: 200.0 if t < 5.0 else math.nan, HOLDING, "reads nan C"),
        (lambda t: 200.0 if t < 5.0 else 160.0, HOLDING, "sensor implausible: jumped from"),
        (lambda t: 25.0, HEATING, "no rise at full duty"),
        (lambda t: 180.0 - 0.5 * t, HEATING, "no rise at full duty"),
        (lambda t: 25.0, HEATING | {"fan": 1.0}, "no rise at full duty"),
        (lambda t: 220.0 - t, HEATING | {"fan": 1.0}, "at full duty"),
        (lambda t: 60.0 + 1.5 * t, OFF, "rise with no duty"),
        (lambda t: 230.0 + t, HOLDING | {"duty": math.nan}, "rise with no duty"),
        (lambda t: 25.0, HEATING | {"duty": math.nan}, "no rise at full duty"),
    ],
)
def test_what_is_wrong_is_named(
    course: Callable[[float], float], columns: dict[str, float], words: str
) -> None:
    evidence = trip(trace(course, **columns))
    assert words in evidence
    assert " s)" in evidence


@pytest.mark.parametrize(
    ("setpoint_C", "duties"), [(240.0, [1.0]), (0.0, [0.0]), (200.0, [0.1, 0.6])]
)
def test_a_frozen_reading(setpoint_C: float, duties: list[float]) -> None:
    samples = [
        Sample(i * STEP_s, 180.0, setpoint_C, duties[(i // 20) % len(duties)], 0.0)
        for i in range(300)
    ]
    assert "exactly 180.0 C for 15 s" in trip(samples)


def test_slowing_the_fan_lets_the_hot_end_recover() -> None:
    course = [
        Sample(i * STEP_s, 60.0 + 0.5 * min(i * STEP_s, 25.0), 0.0, 0.0, 0.0) for i in range(500)
    ]
    before = [Sample(-1.0 - STEP_s, 60.0, 0.0, 0.0, 1.0)]
    assert trip([*before, *course]) == ""


def test_a_prediction_left_for_long_enough() -> None:
    watch = Watch(WatchLimits(prediction_K=5.0), lambda sample: 200.0)
    evidence = trip(trace(lambda t: 200.0 + 3.0 * (t > 5.0) + 4.0 * (t > 20.0), **HOLDING), watch)
    assert "the model expects 200.0 C, more than 5 K off" in evidence
    assert "at 22." in evidence


def test_a_prediction_that_says_nothing_trips_nothing() -> None:
    watch = Watch(predict=lambda sample: math.nan)
    assert trip(trace(lambda t: 200.0, **HOLDING), watch) == ""


def after_a_stall(rate_K_per_s: float, stall_s: float) -> list[tuple[Sample, float]]:
    """A heat-up whose thirtieth reply was read late: dated too late by as much; with that much."""
    late = [stall_s if i == 30 else 0.0 for i in range(60)]
    return [
        (Sample(i * STEP_s + late_s, 25.0 + rate_K_per_s * i * STEP_s, 260.0, 1.0, 0.0), late_s)
        for i, late_s in enumerate(late)
        if i <= 30 or i * STEP_s > 30 * STEP_s + stall_s
    ]


@pytest.mark.parametrize("stall_s", [0.5, 1.0, 1.9])
def test_a_reading_dated_late_by_a_stall_makes_no_jump_of_the_next(stall_s: float) -> None:
    heard = after_a_stall(26.0, stall_s)
    late = iter([late_s for _, late_s in heard])
    assert trip([sample for sample, _ in heard], Watch(stalled_s=lambda: next(late))) == ""


def test_half_of_a_stall_is_granted_and_only_to_the_reading_after_it() -> None:
    def evidence(jump_K: float, stall_s: float) -> str:
        samples = [
            Sample(0.0, 200.0, 200.0, 0.3),
            *(Sample(0.1 * i, 200.0 + jump_K) for i in (1, 2)),
        ]
        return trip(samples, Watch(stalled_s=lambda: stall_s))

    limits = WatchLimits()
    granted_K = limits.jump_K + limits.fastest_K_per_s * (0.1 + 1.0)
    assert evidence(granted_K - 1.0, 2.0) == ""
    assert "jumped" in evidence(granted_K + 61.0, 2.0)
    assert "jumped" in evidence(granted_K - 1.0, 0.0)


def test_it_trips_once_and_hears_everything_else() -> None:
    watch = Watch()
    observer: Observer = watch
    samples = trace(lambda t: 300.0, **HOLDING)
    with pytest.raises(WatchTripped, match=r"^watch: .* above the limit of 275 C \(at 0.1 s\)$"):
        [observer.on_sample(sample) for sample in samples]
    observer.on_sample(samples[-1])
    observer.on_event(Event(0.0, "note", "x"))
    observer.on_extrusion(Extrusion(200.0, 1.0, 1.0))


def test_senseless_limits_are_refused() -> None:
    with pytest.raises(BadInput, match="watch: rise_K"):
        WatchLimits(rise_K=0.0)


def course_of_a_test(printer: Printer) -> None:
    """Heat, cool with and without fan, dip, extrude beyond what melts."""

    def wait(duration_s: float) -> None:
        until_s = printer.now_s() + duration_s
        while printer.now_s() < until_s:
            printer.next_sample()

    def go(setpoint_C: float, fan: float, duration_s: float) -> None:
        printer.set_fan(fan)
        printer.set_temperature(setpoint_C)
        wait(duration_s)

    for leg in ((240, 0, 120), (0, 1, 40), (0, 0, 50), (240, 0, 100), (240, 1, 50), (190, 1, 40)):
        go(*leg)
    go(230, 0, 80)
    for speed_mm_per_s in (3.0, 9.0):
        printer.extrude(speed_mm_per_s * 20.0, speed_mm_per_s)
        wait(25.0)


@pytest.mark.parametrize("shape", ["one line", "no duty"])
@pytest.mark.parametrize("name", ["swift-sleeve", "plain-block", "long-melt"])
def test_no_false_alarm_on_simulated_printers(name: str, shape: Any) -> None:
    spec = replace(randomised(name, 71), reply_shape=shape)
    printer = Printer(SimulatedPrinter(spec, 71).transport(), [Watch()])
    course_of_a_test(printer)


@pytest.mark.parametrize(
    "defect",
    [
        lambda rig: rig.break_heater(HeaterState.STUCK_ON),
        lambda rig: rig.break_heater(HeaterState.DEAD),
        lambda rig: rig.break_sensor(SensorState.OPEN),
        lambda rig: rig.break_sensor(SensorState.SHORT),
        lambda rig: rig.break_sensor(SensorState.FROZEN),
        lambda rig: rig.break_sensor(SensorState.SHIFTED, -60.0),
    ],
)
def test_defects_end_the_test_before_it_gets_hot(defect: Callable[[Any], None]) -> None:
    board = SimulatedPrinter(randomised("plain-block", 72), 72)
    printer = Printer(board.transport(), [Watch()])
    printer.set_temperature(240.0)
    for _ in range(300):
        printer.next_sample()
    defect(board.rig)
    with pytest.raises(HotbenchError):
        course_of_a_test(printer)
    printer.make_safe()
    assert board.target_C == 0.0
    assert board.rig.sensor_C(board.now_s) < 290.0
