import numpy as np
import pytest

from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import Sample
from hotbench.procedures.plan import Pace
from hotbench.procedures.runner import run
from hotbench.procedures.steps import DipTest, HoldTest, StepTest
from hotbench.procedures.waiting import Settling, Window


def test_the_training_session_and_the_held_out_stretch(fake_printer) -> None:
    printer = fake_printer()
    run(StepTest(hold_s=5.0), printer)
    assert printer.phases() == [
        "idle",
        "heat 240",
        "hold 240",
        "cool 240 fan 0",
        "heat 240",
        "hold 240",
        "cool 240 fan 1",
        "heat 220",
        "hold 220",
        "dip 220-190",
        "validate descend 156",
        "validate hold 156",
        "validate heat 226",
        "validate hold 226",
        "validate cool 226 fan 1",
        "validate heat 205",
        "validate hold 205",
        "validate dip 205-180",
    ]


def test_several_temperatures_are_climbed_once_and_every_fan_cools_from_the_highest(
    fake_printer,
) -> None:
    printer = fake_printer()
    run(
        StepTest(to_C=(240.0, 180.0), fans=(0.0, 0.5, 1.0), hold_s=2.0, dip=None, validate=False),
        printer,
    )
    cools = [phase for phase in printer.phases() if phase.startswith("cool")]
    assert cools == ["cool 240 fan 0", "cool 240 fan 0.5", "cool 240 fan 1"]
    heats = [phase for phase in printer.phases() if phase.startswith("heat")]
    assert heats == ["heat 180", "heat 240", "heat 240", "heat 240"]


def test_phases_hold_what_they_promise(fake_printer) -> None:
    printer = fake_printer()
    run(StepTest(hold_s=10.0), printer)
    by_phase = {
        phase: [s for s in printer.samples if s.phase == phase] for phase in printer.phases()
    }
    cool = by_phase["cool 240 fan 1"]
    assert {(s.setpoint_C, s.fan, s.duty) for s in cool[1:]} == {(0.0, 1.0, 0.0)}
    assert cool[-1].temperature_C <= 100.0
    dip = by_phase["dip 220-190"]
    assert [s.setpoint_C for s in dip if s.setpoint_C == 190.0]
    assert min(s.temperature_C for s in dip) < 192.0
    assert dip[-1].temperature_C == pytest.approx(220.0, abs=1.5)
    held = by_phase["hold 240"]
    assert len(held) == pytest.approx(2 * 10.0 / printer.interval_s, abs=4)
    fans = {s.fan for s in by_phase["validate dip 205-180"]}
    assert fans == {1.0}


def test_held_out_states_are_other_states() -> None:
    test = StepTest()
    held_out = test.held_out()
    trained_C = {*test.to_C, *test.dip, test.cool_to_C}
    assert trained_C.isdisjoint({held_out.middle_C, held_out.top_C, held_out.end_C, *held_out.dip})


def test_a_hot_end_that_never_gets_warm_is_a_clear_error(fake_printer) -> None:
    printer = fake_printer(heater=0.0)
    with pytest.raises(FellShort, match=r"stays at 2\d\.\d °C and does not reach 240 °C"):
        run(StepTest(), printer)
    assert printer.setpoint_C == 0.0
    assert printer.time_s < 120.0


def test_a_weak_heater_that_stops_short_is_a_clear_error(fake_printer) -> None:
    with pytest.raises(FellShort, match="does not reach 240"):
        run(StepTest(), fake_printer(heater=0.2))


def test_a_cool_down_that_cannot_end_is_noted_and_passed(fake_printer) -> None:
    test = StepTest(cool_to_C=30.0, fans=(0.0,), hold_s=1.0, dip=None, validate=False)
    cold_room, hot_room = fake_printer(), fake_printer(ambient_C=34.0)
    assert (run(test, cold_room), run(test, hot_room)) == ("complete", "complete")
    assert not cold_room.notes
    assert "no longer cools" in hot_room.notes[0]


def test_a_warm_start_is_noted_because_it_tells_no_ambient(fake_printer) -> None:
    printer = fake_printer()
    printer.temperature_C = 90.0
    run(HoldTest(duration_s=1.0), printer)
    assert "warm start" in printer.notes[0]


def test_settling_is_found_in_noise_and_not_before() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.2, 4000)
    early = late = 0
    for draw in range(200):
        window, settled_s = Window(Settling()), None
        for i in range(200):
            time_s = i * 0.2
            away_K = 20.0 * np.exp(-time_s / 3.0)
            reading_C = 220.0 - away_K + noise[(draw * 20 + i) % noise.size]
            if window.settled(Sample(time_s, float(reading_C)), 220.0):
                settled_s = time_s
                break
        # the exponential is within 1 K from 9.0 s on
        early += settled_s is not None and settled_s < 9.0
        late += settled_s is None or settled_s > 20.0
    assert early == 0
    assert late == 0


def test_dips_at_every_fan_setting(fake_printer) -> None:
    printer = fake_printer()
    run(DipTest(to_C=(190.0, 200.0), fans=(0.0, 1.0)), printer)
    dips = [phase for phase in printer.phases() if phase.startswith("dip")]
    assert dips == ["dip 220-190", "dip 220-200"] * 2
    fans = [{s.fan for s in printer.samples if s.phase == "dip 220-190"}]
    assert fans == [{0.0, 1.0}]


@pytest.mark.parametrize(
    ("make", "option"),
    [
        (lambda: StepTest(to_C=()), "to_C"),
        (lambda: StepTest(to_C=(900.0,)), "to_C"),
        (lambda: StepTest(to_C=(float("nan"),)), "to_C"),
        (lambda: StepTest(to_C=(110.0,)), "to_C"),
        (lambda: StepTest(fans=(1.5,)), "fans"),
        (lambda: StepTest(hold_s=0.0), "hold_s"),
        (lambda: StepTest(hold_s=float("inf")), "hold_s"),
        (lambda: StepTest(dip=(190.0, 220.0)), "dip"),
        (lambda: StepTest(cool_to_C=10.0), "cool_to_C"),
        (lambda: DipTest(to_C=(230.0,)), "from_C"),
        (lambda: HoldTest(duration_s=-1.0), "duration_s"),
        (lambda: HoldTest(fan=2.0), "fan"),
    ],
)
def test_options_out_of_range_are_named(make, option: str) -> None:
    with pytest.raises(BadInput, match=f"^{option}: "):
        make()


def test_a_plan_says_when_its_time_rests_on_assumed_rates() -> None:
    assumed = StepTest().plan()
    assert any("assumes a hot end that heats at 1.5 to 20 K/s" in line for line in assumed.lines)
    known = StepTest().plan(Pace(heating_K_per_s=17.0, cooling_K_per_s=1.5))
    assert not any("assumes" in line for line in known.lines)
    assert known.duration_s < assumed.duration_s
