"""The adaptive choice of temperature and flow, on weighings without noise."""

from itertools import pairwise

import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.fitting.flow_choice import CLIMB, FlowPlan, next_extrusion
from hotbench.fitting.melt import fit_melt
from hotbench.models import melt, units

TEMPERATURES_C = (200.0, 220.0, 240.0)


def limit(temperature_C: float) -> float:
    return float(melt.flow_limit_mm3_per_s(temperature_C, 0.8, 128.0, feed_C=30.0))


def weigh(temperature_C: float, flow: float) -> Extrusion:
    ratio = float(melt.delivered_ratio(flow, limit(temperature_C), 6.0, 0.985))
    mass_g = ratio * units.mass_of_length_g(100.0, 1.75, 1.24)
    return Extrusion(temperature_C, flow, 100.0, delivered_mass_g=mass_g)


def run(plan: FlowPlan) -> list[Extrusion]:
    done: list[Extrusion] = []
    while (choice := next_extrusion(done, plan)) is not None:
        done.append(weigh(choice.temperature_C, choice.flow_mm3_per_s))
    return done


def test_first_weighing_is_the_reference() -> None:
    choice = next_extrusion([], FlowPlan(temperatures_C=TEMPERATURES_C, first_mm3_per_s=3.0))
    assert choice is not None
    assert (choice.temperature_C, choice.flow_mm3_per_s) == (200.0, 3.0)


def test_climbs_until_the_loss_then_moves_on() -> None:
    plan = FlowPlan(temperatures_C=TEMPERATURES_C)
    done = [weigh(200.0, 4.0)]
    while (choice := next_extrusion(done, plan)) and choice.temperature_C == 200.0:
        assert choice.flow_mm3_per_s == pytest.approx(CLIMB * done[-1].commanded_mm3_per_s)
        done.append(weigh(200.0, choice.flow_mm3_per_s))
    last = done[-1].commanded_mm3_per_s
    assert limit(200.0) < last < CLIMB * 1.2 * limit(200.0)
    assert choice is not None
    assert choice.temperature_C == 220.0
    assert 0.7 * limit(220.0) < choice.flow_mm3_per_s < 1.5 * limit(220.0)


def test_session_covers_every_temperature_and_stays_useful() -> None:
    done = run(FlowPlan(temperatures_C=TEMPERATURES_C, goal=0.0))
    assert len(done) == 36
    for at in TEMPERATURES_C:
        loads = [e.commanded_mm3_per_s / limit(at) for e in done if e.setpoint_C == at]
        assert min(loads) < 0.7
        assert sum(0.85 < load < 1.15 for load in loads) >= 3
    assert max(sum(e.setpoint_C == at for e in done) for at in TEMPERATURES_C) <= 18
    switches = sum(a.setpoint_C != b.setpoint_C for a, b in pairwise(done))
    assert switches <= 8


def test_session_ends_early_once_the_goal_is_met() -> None:
    done = run(FlowPlan(temperatures_C=TEMPERATURES_C, goal=0.05))
    assert len(done) < 36
    fit = fit_melt(done)
    assert all(found.limit.half_width <= 0.05 * found.limit.value for found in fit.limits)


def test_one_temperature_is_enough_to_choose_by() -> None:
    done = run(FlowPlan(temperatures_C=(220.0,), weighings=14, goal=0.0))
    assert len(done) == 14
    assert fit_melt(done).limits[0].limit.value == pytest.approx(limit(220.0), rel=0.01)


def test_flows_stay_within_the_plan() -> None:
    plan = FlowPlan(temperatures_C=TEMPERATURES_C, highest_mm3_per_s=9.0, weighings=20)
    flows = [extrusion.commanded_mm3_per_s for extrusion in run(plan)]
    assert max(flows) <= 9.0
    assert 9.0 in flows


def test_entries_without_an_amount_are_passed_over() -> None:
    plan = FlowPlan(temperatures_C=TEMPERATURES_C)
    empty = Extrusion(200.0, 4.0, 100.0)
    assert next_extrusion([empty], plan) == next_extrusion([], plan)


@pytest.mark.parametrize("mass_g", [0.0, -0.01])
def test_a_weighing_of_nothing_ends_no_session(mass_g: float) -> None:
    plan = FlowPlan(temperatures_C=(220.0,), weighings=10, goal=0.0)
    done = run(plan)[:8]
    slipped = Extrusion(220.0, 9.0, 100.0, delivered_mass_g=mass_g)
    assert next_extrusion([*done, slipped], plan) == next_extrusion(done, plan)
    assert next_extrusion([slipped], plan) == next_extrusion([], plan)


@pytest.mark.parametrize(
    "bad", [{"temperatures_C": ()}, {"temperatures_C": (200.0,), "lowest_mm3_per_s": 5.0}]
)
def test_impossible_plans_are_refused(bad: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        FlowPlan(**bad)
