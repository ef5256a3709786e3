import re

import numpy as np
import pytest

from hotbench.core.errors import BadInput, ControllerFault
from hotbench.procedures.ramps import ABANDONED
from hotbench.procedures.repetition import RepetitionTest
from hotbench.procedures.runner import run

FAST = {"heating_rate_K_per_s": 5.0, "cooling_rate_K_per_s": 1.5, "to_C": 210.0}


def repeats(printer) -> list[str]:
    return [phase for phase in printer.phases() if phase.startswith("repeat")]


def test_rests_shrink_from_the_longest_whatever_the_order_given(fake_printer) -> None:
    printer = fake_printer()
    run(RepetitionTest(rests_s=(0.0, 8.0, 3.0), count=2, **FAST), printer)
    rests = ["8", "8", "3", "3", "0", "0"]
    assert repeats(printer) == [f"repeat {n} rest {rest}" for n, rest in enumerate(rests, start=1)]


def test_the_setpoint_is_led_down_and_back_at_the_stated_rates(fake_printer) -> None:
    printer = fake_printer(interval_s=0.1)
    run(RepetitionTest(rests_s=(5.0,), count=1, **FAST), printer)
    setpoints = np.array([s.setpoint_C for s in printer.samples if s.phase == "repeat 1 rest 5"])
    assert (setpoints.min(), setpoints.max()) == (210.0, 220.0)
    steps = np.array(printer.called("set_temperature"))
    steps = np.diff(steps[(steps >= 210.0) & (steps <= 220.0)])
    assert steps.min() == pytest.approx(-0.3)
    assert steps.max() == pytest.approx(1.0)


def test_hot_end_rests_between_dips_as_long_as_stated(fake_printer) -> None:
    printer = fake_printer()
    run(RepetitionTest(rests_s=(8.0,), count=2, **FAST), printer)
    between = [
        s.time_s
        for s in printer.samples
        if s.phase == "hold 220" and s.time_s > printer.samples[-1].time_s - 20.0
    ]
    assert np.ptp(between[-32:]) == pytest.approx(8.0, abs=0.5)


def test_a_dip_that_deviates_too_much_ends_the_test_without_a_fault(fake_printer) -> None:
    printer = fake_printer()
    test = RepetitionTest(
        rests_s=(8.0, 4.0), count=3, abandon_deviation_K=2.0, **FAST | {"heating_rate_K_per_s": 8.0}
    )
    assert run(test, printer) == "complete"
    assert repeats(printer) == ["repeat 1 rest 8"]
    assert any(note.startswith(ABANDONED) for note in printer.notes)
    assert "return 220" in printer.phases()
    assert printer.setpoint_C == 0.0


def test_a_fault_travels_on_with_the_heater_off(fake_printer) -> None:
    def trip(printer, call: str) -> None:
        if call == "next_sample" and re.match(r"repeat 3", printer.phase):
            raise ControllerFault("Error:setpoint moved too abruptly")

    printer = fake_printer(trip)
    with pytest.raises(ControllerFault, match="abruptly"):
        run(RepetitionTest(rests_s=(8.0, 4.0), count=2, **FAST), printer)
    assert len(repeats(printer)) == 3
    assert printer.setpoint_C == 0.0


def test_plan_counts_every_dip() -> None:
    one, four = (RepetitionTest(rests_s=(10.0,), count=count).plan() for count in (1, 4))
    assert four.duration_s > 3.0 * one.duration_s * 0.8
    assert "4 in a row with each of 10 s between them" in four.lines
    assert four.max_temperature_C == 220.0


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({"count": 0}, "count"),
        ({"rests_s": ()}, "rests_s"),
        ({"rests_s": (-1.0,)}, "rests_s"),
        ({"rests_s": (float("nan"),)}, "rests_s"),
        ({"to_C": 230.0}, "from_C"),
        ({"heating_rate_K_per_s": 0.0}, "heating_rate_K_per_s"),
        ({"cooling_rate_K_per_s": -1.0}, "cooling_rate_K_per_s"),
        ({"fan": 1.1}, "fan"),
        ({"interval_s": 0.0}, "interval_s"),
        ({"abandon_deviation_K": 0.0}, "abandon_deviation_K"),
    ],
)
def test_options_out_of_range_are_named(options: dict[str, object], named: str) -> None:
    with pytest.raises(BadInput, match=f"^{named}: "):
        RepetitionTest(**options)
