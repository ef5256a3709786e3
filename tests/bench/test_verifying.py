"""Prediction against record: a linear heater's own loop agrees with itself, another does not."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tuned_loops import AT_C, GAINS, example_with_control, relay_run, verify_run

from hotbench.bench import verifying
from hotbench.bench.tuning import tuning_point
from hotbench.control.forms import Pid
from hotbench.core.errors import BadInput, FellShort
from hotbench.profile.yaml_io import read_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


@pytest.fixture(scope="module")
def point() -> Any:
    return tuning_point(read_profile(EXAMPLE), EXAMPLE, AT_C)


def test_a_loop_that_is_the_model_is_as_predicted(point: Any) -> None:
    run = verify_run(point, GAINS, flow_mm3_per_s=0.0)
    result = verifying.judged_run(run, point, GAINS)
    assert [row.what for row in result.facts["figures"]] == [
        "overshoot",
        "settling",
        "whole step, RMS",
    ]
    assert result.shortfall is None
    overshoot = result.facts["figures"][0]
    assert overshoot.recorded == pytest.approx(overshoot.predicted.value, abs=0.3)


def test_a_loop_with_other_gains_is_beyond_the_prediction(point: Any) -> None:
    run = verify_run(point, GAINS.scaled(0.25), flow_mm3_per_s=0.0)
    result = verifying.judged_run(run, point, GAINS)
    assert result.shortfall is not None
    assert "beyond the prediction" in result.shortfall
    with pytest.raises(FellShort):
        result.raise_if_short()


FLOW_mm3_per_s = 8.0


@pytest.mark.parametrize(("share", "holds"), [(1.0, True), (2.5, False)])
def test_the_sag_under_a_flow_step_is_held_against_the_prediction(
    share: float, holds: bool, point: Any
) -> None:
    """Filament that draws what the profile says is as predicted; two and a half times is not."""
    load_duty = share * FLOW_mm3_per_s * point.flow_duty_per_mm3_per_s
    run = verify_run(point, GAINS, flow_mm3_per_s=FLOW_mm3_per_s, load_duty=load_duty)
    result = verifying.judged_run(run, point, GAINS)
    sag = result.facts["figures"][-1]
    assert sag.what == "sag under the flow"
    assert sag.holds == holds
    assert ("sag under the flow" in result.facts["beyond"]) == (not holds)


def test_a_flow_step_without_a_known_load_is_not_judged(point: Any) -> None:
    unknown = replace(point, operating=replace(point.operating, load_K_per_mm3=0.0))
    run = verify_run(point, GAINS, flow_mm3_per_s=FLOW_mm3_per_s, load_duty=0.05)
    result = verifying.judged_run(run, unknown, GAINS)
    assert len(result.facts["figures"]) == 3
    assert result.facts["remarks"] == ["flow step: the profile states no heat load of the filament"]
    assert result.tables()[-1].caption == "not judged"


def test_a_spoiled_reading_is_no_overshoot(point: Any) -> None:
    """One reading 15 K too high, another 15 K too low, move no figure of the step by 0.1 K."""
    run = verify_run(point, GAINS, flow_mm3_per_s=0.0)
    spoiled_C = run.temperature_C.copy()
    spoiled_C[[150, 400]] += (15.0, -15.0)
    figures = [
        verifying.judged_run(each, point, GAINS).facts["figures"][:2]
        for each in (run, replace(run, temperature_C=spoiled_C))
    ]
    for clean, dirty in zip(*figures, strict=True):
        assert dirty.recorded == pytest.approx(clean.recorded, abs=0.1)


def test_predictions_span_the_model_s_interval(point: Any) -> None:
    """Low and high are over all processes, so a heater that lags to their end is as predicted."""
    run = verify_run(point, GAINS, flow_mm3_per_s=0.0)
    first = verifying.judged_run(run, point, GAINS).facts["figures"][0].predicted
    alone = replace(point, processes=point.processes[:1])
    narrow = verifying.judged_run(run, alone, GAINS).facts["figures"][0].predicted
    assert first.low < narrow.low == narrow.value == narrow.high < first.high
    laggard = max(point.processes, key=lambda process: process.dead_s)
    late = verify_run(replace(point, processes=(laggard,)), GAINS, flow_mm3_per_s=0.0)
    assert verifying.judged_run(late, point, GAINS).shortfall is None
    assert verifying.judged_run(late, alone, GAINS).shortfall is not None


def test_relay_finds_the_heater_and_the_loop_of_the_model(point: Any) -> None:
    """On the model's own loop the record gives the model's response back, within its interval."""
    run = relay_run(point, GAINS, extra_dead_s=0.0)
    rows = {row.what: row for row in verifying.judged_run(run, point, GAINS).facts["figures"]}
    heater = rows["heater's response, K per duty"]
    assert heater.recorded == pytest.approx(heater.model, rel=0.15)
    assert abs(rows["later than the model, s"].recorded) < 0.06


def test_relay_sees_a_dead_time_that_the_model_lacks(point: Any) -> None:
    """A quarter of a second more between duty and reading: found within a tenth, and said."""
    run = relay_run(point, GAINS, extra_dead_s=0.25)
    result = verifying.judged_run(run, point, GAINS)
    late = next(r for r in result.facts["figures"] if r.what == "later than the model, s")
    assert late.recorded == pytest.approx(0.25, abs=0.1)
    assert late.differs
    assert "later than the model" in result.tables()[-1].rows[0][0]


def relay_rows(point: Any, run: Any, pid: Pid | None) -> tuple[dict[str, Any], list[str]]:
    facts = verifying.judged_run(run, point, pid).facts
    return {row.what: row for row in facts["figures"]}, facts["remarks"]


def test_relay_agrees_with_the_gains_that_were_in_force(point: Any) -> None:
    """Answer to the setpoint within 15 % and 10 degrees: the derivative acts on the reading."""
    rows, _ = relay_rows(point, relay_run(point, GAINS, extra_dead_s=0.0), GAINS)
    answer, behind = rows["answer to the setpoint"], rows["behind the setpoint, °"]
    assert answer.recorded == pytest.approx(answer.model, rel=0.15)
    assert behind.recorded == pytest.approx(behind.model, abs=10.0)
    assert not answer.beyond
    assert not behind.beyond


def test_relay_tells_other_gains_from_another_heater(point: Any) -> None:
    """Half the stated gains were in force: the heater agrees, the loop does not, and it says so."""
    run = relay_run(point, GAINS.scaled(0.5), extra_dead_s=0.0)
    rows, remarks = relay_rows(point, run, GAINS)
    assert not rows["heater's response, K per duty"].beyond
    assert rows["answer to the setpoint"].beyond
    assert any("are they in force" in line for line in remarks)


def test_relay_without_gains_has_nothing_to_compare_the_loop_with(point: Any) -> None:
    rows, _ = relay_rows(point, relay_run(point, GAINS, extra_dead_s=0.0), None)
    assert rows["answer to the setpoint"].model is None
    assert rows["answer to the setpoint"].cells[-1] == "-"


def test_relay_spans_the_model_s_interval(point: Any) -> None:
    """The late heater differs from the nominal one, and its lag's interval allows for it."""
    rows, _ = relay_rows(point, relay_run(point, GAINS, extra_dead_s=0.25), GAINS)
    late = rows["later than the model, s"]
    assert late.differs
    assert not late.beyond
    assert late.cells[-1] == "within the model's interval"
    alone = replace(point, processes=point.processes[:1])
    rows, _ = relay_rows(alone, relay_run(point, GAINS, extra_dead_s=0.25), GAINS)
    assert rows["later than the model, s"].cells[-1] == "differs"


def test_a_saturated_relay_is_said_to_be_so(point: Any) -> None:
    run = relay_run(point, GAINS, extra_dead_s=0.0)
    _, remarks = relay_rows(point, run, GAINS)
    assert not any("smaller --amplitude" in line for line in remarks)
    swung = run.duty - np.quantile(run.duty, 0.2)
    _, remarks = relay_rows(point, replace(run, duty=np.clip(swung, 0.0, 1.0)), GAINS)
    assert any("smaller --amplitude" in line for line in remarks)


def test_too_few_swings_fall_short(point: Any) -> None:
    run = relay_run(point, GAINS, extra_dead_s=0.0)
    part = slice(0, len(run) // 12)
    columns = ("time_s", "temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s", "phase")
    cut = replace(run, **{name: getattr(run, name)[part] for name in columns})
    with pytest.raises(FellShort, match="too few to judge"):
        verifying.judged_run(cut, point, GAINS)


def test_gains_must_be_known_for_a_step(point: Any) -> None:
    run = verify_run(point, GAINS, flow_mm3_per_s=0.0)
    with pytest.raises(BadInput, match="gains in force are not known"):
        verifying.judged_run(run, point, None)


def test_other_runs_are_no_evidence(point: Any) -> None:
    run = verify_run(point, GAINS, flow_mm3_per_s=0.0)
    other = replace(run, info=replace(run.info, procedure="hold"))
    with pytest.raises(BadInput, match="no run to verify with"):
        verifying.judged_run(other, point, GAINS)


@pytest.mark.parametrize("gains", [(1.0, 2.0), (0.0, 1.0, 1.0), (1.0, -1.0, 0.0)])
def test_impossible_gains_are_refused(gains: tuple[float, ...]) -> None:
    with pytest.raises(BadInput, match="--gains"):
        verifying.gains_in_force(gains, 1.0, None)


@pytest.mark.parametrize("form", ["parallel", "ideal", "series"])
@pytest.mark.parametrize("full_scale", [1.0, 255.0])
def test_gains_of_a_control_section_in_any_form(form: Any, full_scale: float) -> None:
    pid = Pid(0.05, 0.004, 0.03, filter_s=0.06)
    control = example_with_control(pid, form, full_scale)
    found = verifying.gains_in_force(None, 1.0, control)
    assert found is not None
    assert (found.Kp, found.Ki, found.Kd, found.filter_s) == pytest.approx(
        (0.05, 0.004, 0.03, 0.06)
    )
    stated = tuple(np.array([0.05, 0.004, 0.03]) * full_scale)
    by_hand = verifying.gains_in_force(stated, full_scale, control)
    assert by_hand is not None
    assert (by_hand.Kp, by_hand.Ki, by_hand.Kd) == pytest.approx((0.05, 0.004, 0.03))
