"""The setpoint step, the flow step and the relay: order, bounds and refusals."""

from itertools import pairwise

import pytest

from hotbench.core.errors import BadInput, FellShort
from hotbench.procedures.registry import build
from hotbench.procedures.relay import RelayTest
from hotbench.procedures.runner import run
from hotbench.procedures.verify import VerifyTest


def test_verify_goes_through_its_phases_and_ends_cold(fake_printer) -> None:
    printer = fake_printer()
    run(VerifyTest(watch_s=12.0, flow_mm3_per_s=6.0, flow_s=10.0), printer)
    named = list(dict.fromkeys(printer.phases()))
    assert named == [
        "idle",
        "validate heat 200",
        "validate hold 200",
        "validate setpoint step 200-220",
        "validate hold 220",
        "validate flow step 220 6",
    ]
    assert printer.setpoint_C == 0.0
    length_mm, speed = printer.called("extrude")[0]
    assert length_mm / speed == pytest.approx(10.0)
    assert speed * 2.40528 == pytest.approx(6.0, rel=1e-4)


def test_verify_without_flow_moves_no_filament(fake_printer) -> None:
    printer = fake_printer()
    run(VerifyTest(watch_s=12.0), printer)
    assert not printer.called("extrude")
    assert VerifyTest().plan().filament_mm == 0.0


def test_verify_does_not_feed_a_hot_end_that_is_off(fake_printer) -> None:
    """Under a heater of a tenth the step is never reached: no filament moves, heater off."""

    def weaken(printer, name: str) -> None:
        if name == "next_sample" and "step" in printer.phase:
            printer.heater = 0.01

    printer = fake_printer(weaken)
    with pytest.raises(FellShort, match="not extruding"):
        run(VerifyTest(watch_s=30.0, flow_mm3_per_s=6.0), printer)
    assert not printer.called("extrude")
    assert printer.setpoint_C == 0.0


def test_verify_stops_feeding_when_it_gets_too_cold(fake_printer) -> None:
    def weaken(printer, name: str) -> None:
        if name == "extrude":
            printer.heater = 0.0

    printer = fake_printer(weaken)
    with pytest.raises(FellShort, match="feeding no more"):
        run(VerifyTest(watch_s=12.0, flow_mm3_per_s=6.0, flow_s=60.0), printer)
    assert printer.setpoint_C == 0.0


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"step_K": 2.0}, "step_K"),
        ({"step_K": 61.0}, "step_K"),
        ({"temperature_C": 50.0, "step_K": 20.0}, "room temperature"),
        ({"temperature_C": 160.0, "flow_mm3_per_s": 2.0}, "too cold to extrude"),
        ({"flow_mm3_per_s": -1.0}, "flow_mm3_per_s"),
        ({"watch_s": 1.0}, "watch_s"),
        ({"flow_s": 0.5}, "flow_s"),
        ({"fan": 1.5}, "fan"),
        ({"filament_diameter_mm": 0.0}, "filament_diameter_mm"),
    ],
)
def test_verify_refuses(options, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        build("verify", options)


def test_verify_plan_states_the_filament(fake_printer) -> None:
    plan = VerifyTest(flow_mm3_per_s=6.0, flow_s=30.0).plan()
    assert plan.filament_mm == pytest.approx(180.0 / 2.40528, rel=1e-4)
    assert any("feed 6 mm³/s for 30 s" in line for line in plan.lines)


def test_relay_keeps_within_its_amplitude_and_counts_its_swings(fake_printer) -> None:
    printer = fake_printer()
    run(RelayTest(cycles=5), printer)
    asked = [value for value in printer.called("set_temperature") if value > 0.0]
    assert set(asked) == {218.0, 220.0, 222.0}
    turns = [value for value in asked if value != 220.0]
    assert all(a != b for a, b in pairwise(turns))
    assert len(turns) == 11
    assert printer.setpoint_C == 0.0
    assert not printer.notes
    off_K = [abs(s.temperature_C - 220.0) for s in printer.samples if "relay" in s.phase]
    assert max(off_K) < RelayTest().abandon_K


def test_relay_is_abandoned_when_it_strays(fake_printer) -> None:
    def runaway(printer, name: str) -> None:
        if "relay" in printer.phase and name == "next_sample":
            printer.temperature_C += 2.0

    printer = fake_printer(runaway)
    with pytest.raises(FellShort, match="abandoned"):
        run(RelayTest(), printer)
    assert printer.setpoint_C == 0.0


def test_relay_ends_in_time_when_nothing_swings(fake_printer) -> None:
    def frozen(printer, name: str) -> None:
        if "relay" in printer.phase:
            printer.temperature_C = 220.0

    printer = fake_printer(frozen)
    run(RelayTest(longest_s=20.0, hysteresis_K=1.5), printer)
    assert any("swings within 20 s" in note for note in printer.notes)
    spent = [s.time_s for s in printer.samples if "relay" in s.phase]
    assert spent[-1] - spent[0] <= 20.5


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"amplitude_K": 0.1}, "amplitude_K"),
        ({"amplitude_K": 11.0}, "amplitude_K"),
        ({"hysteresis_K": 3.0}, "hysteresis_K"),
        ({"cycles": 1}, "cycles"),
        ({"longest_s": 1e5}, "longest_s"),
        ({"abandon_K": 40.0}, "abandon_K"),
        ({"abandon_K": 2.0, "amplitude_K": 5.0}, "abandon_K"),
        ({"fan": -0.1}, "fan"),
    ],
)
def test_relay_refuses(options, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        build("relay", options)


def test_relay_plan_states_its_bounds() -> None:
    plan = RelayTest(amplitude_K=3.0, abandon_K=9.0).plan()
    assert plan.max_temperature_C == 223.0
    assert "end at once when the reading is 9 K off" in plan.lines
