import json
import math

import pytest

from hotbench.core.errors import BadInput
from hotbench.procedures.plan import Pace
from hotbench.procedures.registry import PROCEDURES, build, options


@pytest.mark.parametrize("name", list(PROCEDURES))
def test_settings_survive_json_and_build_the_same_procedure(small, name: str) -> None:
    procedure = build(name, small[name])
    again = build(name, json.loads(json.dumps(procedure.settings())))
    assert again.settings() == procedure.settings()
    assert type(again) is PROCEDURES[name]


@pytest.mark.parametrize("name", list(PROCEDURES))
def test_every_option_has_a_meaning_and_injected_callables_are_none(name: str) -> None:
    declared = options(name)
    assert declared
    assert all(option.meaning for option in declared)
    assert not {"next_flow", "scale", "next_heating_rate"} & {option.name for option in declared}


@pytest.mark.parametrize("name", list(PROCEDURES))
def test_a_plan_says_how_hot_how_long_and_how_much(small, name: str) -> None:
    plan = build(name, small[name]).plan()
    assert f"up to {plan.max_temperature_C:g} °C" in plan.lines[-1]
    assert 0.0 < plan.duration_s < math.inf
    assert (plan.filament_mm > 0.0) == (name in ("extrude", "verify"))
    slower = build(name, small[name]).plan(Pace(heating_K_per_s=0.5, cooling_K_per_s=0.1))
    assert slower.duration_s > plan.duration_s
    plan.check_limit(plan.max_temperature_C)
    with pytest.raises(BadInput, match="above the temperature limit"):
        plan.check_limit(plan.max_temperature_C - 1.0)


def test_a_plan_that_chooses_flows_counts_the_filament_of_all_weighings() -> None:
    plan = build("extrude", {"max_weighings": 12}, next_flow=lambda history: None).plan()
    # 12 extrusions of 100 mm and 15 mm of priming at each of three temperatures
    assert plan.filament_mm == pytest.approx(1245.0)
    assert any("at most 12 weighings" in line for line in plan.lines)


def test_the_step_plan_names_every_temperature_and_fan() -> None:
    lines = build("step", {"to_C": [180.0, 240.0], "fans": [0.0, 0.5, 1.0]}).plan().lines
    assert lines[0] == "from cold, heat to 180, 240 °C, 60 s at each"
    assert lines[1] == "cool to 100 °C with fan 0, 0.5, 1, heating up between"


def test_unknown_names_suggest_the_nearest() -> None:
    with pytest.raises(BadInput, match="did you mean 'step'"):
        build("stepp", {})
    with pytest.raises(BadInput, match="did you mean 'hold_s'"):
        build("step", {"holds": 3.0})
