import re

import numpy as np
import pytest

from hotbench.core.errors import BadInput, ControllerFault, FellShort
from hotbench.procedures.ramps import (
    MOST_FAULTS,
    RampTest,
    StepSizeTest,
    lead_setpoint,
    move_setpoint,
)
from hotbench.procedures.runner import run

FAULT = "Error:setpoint moved too abruptly"


def locking(above_K_per_s: float, phases_of_fault: list[str] | None = None):
    """A board that locks in any ramp faster than `above_K_per_s`."""

    def trip(printer, call: str) -> None:
        found = re.search(r"ramp (up|down) (\S+)", printer.phase)
        if call == "next_sample" and found and float(found[2]) > above_K_per_s:
            if phases_of_fault is not None:
                phases_of_fault.append(printer.phase)
            printer.phase, printer.locked, printer.setpoint_C = "locked", True, 0.0
            raise ControllerFault(FAULT)

    return trip


def test_the_setpoint_moves_in_small_steps_at_the_stated_rate(fake_printer) -> None:
    printer = fake_printer(interval_s=0.05)
    assert move_setpoint(printer, 200.0, 210.0, 4.0, 0.2, []) == 210.0
    steps = printer.called("set_temperature")
    assert steps == pytest.approx([*np.arange(200.8, 210.0, 0.8), 210.0])
    assert printer.time_s == pytest.approx(10.0 / 4.0, abs=0.2)


def test_slow_samples_make_larger_steps_at_the_same_rate(fake_printer) -> None:
    printer = fake_printer(interval_s=1.0)
    move_setpoint(printer, 210.0, 200.0, 2.0, 0.2, [])
    steps = printer.called("set_temperature")
    assert steps[0] == pytest.approx(209.6)
    assert np.diff(steps)[:4] == pytest.approx([-2.0] * 4)
    assert steps[-1] == 200.0


def test_pairs_of_ramps_under_phases_that_name_direction_and_rate(fake_printer) -> None:
    printer = fake_printer()
    run(RampTest(low_C=200.0, high_C=210.0, rates_K_per_s=(2.0, 4.0)), printer)
    ramps = [phase for phase in printer.phases() if phase.startswith("ramp")]
    assert ramps == ["ramp up 2.0", "ramp down 2.0", "ramp up 4.0", "ramp down 4.0"]
    up = [s for s in printer.samples if s.phase == "ramp up 4.0"]
    assert up[-1].setpoint_C == 210.0
    assert up[-1].temperature_C == pytest.approx(210.0, abs=2.5)


def test_choosers_see_the_trials_and_may_end_one_direction_early(fake_printer) -> None:
    seen: list[tuple[str, float, float]] = []

    def heating(trials) -> float | None:
        own = [trial for trial in trials if trial.direction == "heating"]
        seen.extend((t.direction, t.rate_K_per_s, t.peak_K) for t in own[-1:])
        return (1.0, 2.0, 4.0, None)[len(own)]

    def cooling(trials) -> float | None:
        return None if any(trial.direction == "cooling" for trial in trials) else 1.0

    printer = fake_printer()
    run(
        RampTest(low_C=200.0, high_C=210.0, next_heating_rate=heating, next_cooling_rate=cooling),
        printer,
    )
    moves = [p for p in printer.phases() if p.startswith(("ramp", "return"))]
    assert moves == [
        "ramp up 1.0",
        "ramp down 1.0",
        "ramp up 2.0",
        "return 200",
        "ramp up 4.0",
        "return 200",
    ]
    assert [(d, r) for d, r, _ in seen] == [("heating", 1.0), ("heating", 2.0), ("heating", 4.0)]
    peaks = [peak for _, _, peak in seen]
    assert peaks == sorted(peaks)


def test_at_most_so_many_ramps(fake_printer) -> None:
    printer = fake_printer()
    endless = RampTest(
        low_C=200.0,
        high_C=205.0,
        max_ramps=3,
        next_heating_rate=lambda trials: 2.0,
        next_cooling_rate=lambda trials: 2.0,
    )
    run(endless, printer)
    assert sum(phase.startswith("ramp") for phase in printer.phases()) == 6


def test_a_fault_ends_the_ladder_and_travels_on(fake_printer) -> None:
    printer = fake_printer(locking(3.0))
    with pytest.raises(ControllerFault, match="moved too abruptly"):
        run(RampTest(low_C=200.0, high_C=210.0, rates_K_per_s=(2.0, 4.0, 6.0)), printer)
    assert printer.setpoint_C == 0.0
    assert not printer.called("reset_after_fault")
    assert "ramp up 6.0" not in printer.phases()


def test_where_allowed_a_fault_is_reset_and_confirmed_by_slow_ramps(fake_printer) -> None:
    printer = fake_printer(locking(3.0))
    test = RampTest(
        low_C=200.0,
        high_C=210.0,
        rates_K_per_s=(2.0, 4.0),
        cooling_rates_K_per_s=(2.0,),
        reset_allowed=True,
        reset_wait_s=10.0,
    )
    assert run(test, printer) == "complete"
    tail = printer.phases()[printer.phases().index("ramp up 4.0") :]
    assert tail[:8] == [
        "ramp up 4.0",
        "recover",
        "heat 200",
        "hold 200",
        "ramp up 0.5",
        "hold 210",
        "ramp down 0.5",
        "hold 200",
    ]
    waited = [s for s in printer.samples if s.phase == "recover"]
    assert len(waited) == pytest.approx(10.0 / printer.interval_s, abs=2)
    assert {(s.setpoint_C, s.duty) for s in waited} == {(0.0, 0.0)}


def test_not_more_than_a_few_faults_are_recovered_from(fake_printer) -> None:
    faults: list[str] = []
    printer = fake_printer(locking(1.0, faults))
    test = RampTest(
        low_C=200.0, high_C=205.0, rates_K_per_s=(2.0,) * 12, reset_allowed=True, reset_wait_s=2.0
    )
    with pytest.raises(ControllerFault):
        run(test, printer)
    assert len(faults) == MOST_FAULTS + 1


def test_a_board_that_keeps_faulting_while_waiting_is_given_up(fake_printer) -> None:
    base = locking(1.0)

    def trip(printer, call: str) -> None:
        base(printer, call)
        if printer.phase == "recover" and call == "next_sample":
            raise ControllerFault(FAULT)

    printer = fake_printer(trip)
    with pytest.raises(ControllerFault):
        run(RampTest(rates_K_per_s=(2.0,), reset_allowed=True), printer)
    assert not printer.called("reset_after_fault")


def test_the_fault_is_kept_with_its_trial(fake_printer) -> None:
    trials_seen = []

    def heating(trials) -> float | None:
        trials_seen[:] = trials
        return (2.0, 4.0, None)[sum(t.direction == "heating" for t in trials)]

    test = RampTest(
        low_C=200.0,
        high_C=210.0,
        next_heating_rate=heating,
        next_cooling_rate=lambda trials: None,
        reset_allowed=True,
        reset_wait_s=2.0,
    )
    run(test, fake_printer(locking(3.0)))
    assert [(t.rate_K_per_s, t.fault) for t in trials_seen] == [(2.0, None), (4.0, FAULT)]
    assert trials_seen[0].samples[1].phase == "ramp up 2.0"


def test_a_ramp_that_lags_too_far_is_stopped_and_finished_slowly(fake_printer) -> None:
    trials_seen = []

    def cooling(trials) -> float | None:
        trials_seen[:] = trials
        own = [trial for trial in trials if trial.direction == "cooling"]
        return (2.0, 30.0, None)[len(own)]

    printer = fake_printer()
    test = RampTest(
        low_C=150.0,
        high_C=210.0,
        next_heating_rate=lambda trials: None,
        next_cooling_rate=cooling,
        abandon_deviation_K=8.0,
    )
    run(test, printer)
    assert [(t.rate_K_per_s, t.abandoned) for t in trials_seen] == [(2.0, False), (30.0, True)]
    assert 8.0 < trials_seen[1].peak_K < 8.0 + 30.0 * 2 * printer.interval_s
    assert [note for note in printer.notes if note.startswith("ramp abandoned at 30 K/s")]
    returned = [s for s in printer.samples if s.phase == "return 150"]
    assert returned[-1].setpoint_C == pytest.approx(150.0, abs=0.3)
    assert 150.0 in printer.called("set_temperature")
    assert max(abs(s.temperature_C - s.setpoint_C) for s in returned[-20:]) < 4.0


def test_a_setpoint_that_leads_waits_for_the_temperature(fake_printer) -> None:
    printer = fake_printer()
    printer.temperature_C = printer.setpoint_C = 210.0
    lead_setpoint(printer, 210.0, 150.0, 50.0)
    lags_K = [s.temperature_C - s.setpoint_C for s in printer.samples]
    assert max(lags_K) < 50.0 * 0.5 + 3.0
    assert printer.setpoint_C == 150.0
    with pytest.raises(FellShort, match="stays at 2"):
        lead_setpoint(fake_printer(heater=0.0), 210.0, 150.0, 1.0)


def jump_lock(size_K: float):
    def trip(printer, call: str) -> None:
        found = re.search(r"jump up (\S+)", printer.phase)
        if call == "next_sample" and found and float(found[1]) >= size_K:
            printer.phase, printer.locked, printer.setpoint_C = "locked", True, 0.0
            raise ControllerFault(FAULT)

    return trip


def test_jumps_grow_until_one_faults(fake_printer) -> None:
    printer = fake_printer(jump_lock(20.0))
    with pytest.raises(ControllerFault):
        run(StepSizeTest(sizes_K=(5.0, 10.0, 20.0, 40.0)), printer)
    assert "a change of 20 K made the board fault" in printer.notes
    assert "jump up 40" not in printer.phases()


def test_after_an_allowed_reset_the_tolerated_jump_is_confirmed(fake_printer) -> None:
    printer = fake_printer(jump_lock(20.0))
    test = StepSizeTest(sizes_K=(10.0, 20.0), times=1, reset_allowed=True, reset_wait_s=2.0)
    assert run(test, printer) == "complete"
    assert [p for p in printer.phases() if p.startswith("jump")] == [
        "jump up 10",
        "jump down 10",
        "jump up 20",
        "jump up 10",
        "jump down 10",
    ]
    with pytest.raises(ControllerFault):
        run(
            StepSizeTest(sizes_K=(20.0,), times=1, reset_allowed=True),
            fake_printer(jump_lock(20.0)),
        )


@pytest.mark.parametrize(
    ("options", "name"),
    [
        ({}, "rates_K_per_s"),
        ({"rates_K_per_s": (0.0,)}, "rates_K_per_s"),
        ({"rates_K_per_s": (1.0,), "low_C": 240.0}, "high_C"),
        ({"rates_K_per_s": (1.0,), "interval_s": 0.0}, "interval_s"),
        ({"rates_K_per_s": (1.0,), "max_ramps": 0}, "max_ramps"),
        ({"rates_K_per_s": (1.0,), "slow_rate_K_per_s": -1.0}, "slow_rate_K_per_s"),
        ({"rates_K_per_s": (1.0,), "fan": -0.1}, "fan"),
        ({"rates_K_per_s": (1.0,), "reset_wait_s": 0.0}, "reset_wait_s"),
    ],
)
def test_ladder_options_out_of_range_are_named(options, name: str) -> None:
    with pytest.raises(BadInput, match=f"^{name}: "):
        RampTest(**options)


@pytest.mark.parametrize("sizes_K", [(), (0.5,), (290.0, 299.0, 400.0)])
def test_jump_sizes_out_of_range_are_named(sizes_K) -> None:
    with pytest.raises(BadInput, match=r"^sizes_K: "):
        StepSizeTest(sizes_K=sizes_K)
