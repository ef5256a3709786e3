"""Plans of extrusion sessions against what then happens, and cold ends whatever the list."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.runner import run

FLOWS = st.lists(st.floats(0.5, 30.0), min_size=1, max_size=5)
TEMPERATURES = st.lists(st.sampled_from([180.0, 200.0, 220.0, 240.0]), min_size=1, max_size=3)


@given(FLOWS, TEMPERATURES, st.floats(10.0, 200.0))
def test_a_plan_counts_every_weighing_and_its_filament(
    flows: list[float], temperatures_C: list[float], length_mm: float
) -> None:
    test = ExtrudeTest(
        temperatures_C=tuple(dict.fromkeys(temperatures_C)),
        flows_mm3_per_s=tuple(flows),
        length_mm=length_mm,
        max_weighings=1000,
    )
    plan, places = test.plan(), len(set(temperatures_C))
    weighings = places * (len(flows) + 2)
    assert plan.filament_mm == pytest.approx(weighings * length_mm + places * test.prime_mm)
    assert plan.max_temperature_C == max(temperatures_C)
    assert any(f"{weighings} weighings" in line for line in plan.lines)
    feeding_s = sum(length_mm * test.mm3_per_mm / flow for flow in flows) * places
    assert plan.duration_s > feeding_s


@given(st.integers(1, 40))
def test_an_adaptive_plan_states_the_most_it_may_ask(most: int) -> None:
    test = ExtrudeTest(next_flow=lambda history: None, max_weighings=most)
    plan = test.plan()
    assert any(f"at most {most} weighings" in line for line in plan.lines)
    assert plan.filament_mm >= most * test.length_mm


def test_what_is_done_is_not_planned_again() -> None:
    done = tuple(Extrusion(200.0, flow, 100.0, 0.29) for flow in (2.0, 6.0))
    whole = ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(6.0, 9.0))
    rest = ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(6.0, 9.0), done=done)
    saved_mm = whole.plan().filament_mm - rest.plan().filament_mm
    assert saved_mm == pytest.approx(2 * whole.length_mm)
    assert rest.plan().duration_s < whole.plan().duration_s


@pytest.mark.parametrize("diameter_mm", [1.75, 2.85])
def test_thicker_filament_is_fed_slower_for_the_same_flow(fake_printer, diameter_mm: float) -> None:
    printer = fake_printer()
    test = ExtrudeTest(
        temperatures_C=(200.0,),
        flows_mm3_per_s=(12.0,),
        length_mm=20.0,
        filament_diameter_mm=diameter_mm,
    )
    run(test, printer)
    speeds = [speed for _, speed in printer.called("extrude")]
    assert max(speeds) == pytest.approx(12.0 / (math.pi / 4.0 * diameter_mm**2))


@settings(max_examples=15)
@given(st.floats(20.0, 169.9), st.sampled_from([0, 1, 2]))
def test_no_cold_temperature_hides_in_a_list(cold_C: float, place: int) -> None:
    temperatures_C = [200.0, 220.0]
    temperatures_C.insert(place, cold_C)
    with pytest.raises(BadInput):
        ExtrudeTest(temperatures_C=tuple(temperatures_C), flows_mm3_per_s=(6.0,))


@pytest.mark.parametrize("flow", [0.0, 0.05, 201.0, float("nan"), -3.0])
def test_a_choice_out_of_range_extrudes_nothing(fake_printer, flow: float) -> None:
    printer = fake_printer()
    with pytest.raises(BadInput, match="chosen flow"):
        run(ExtrudeTest(next_flow=lambda history: (200.0, flow)), printer)
    assert printer.called("extrude") == []
    assert printer.setpoint_C == 0.0
