"""What `tune` says: forms, scales and sample times agree with each other, and tables as printed."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hotbench.bench.profiling import show_file
from hotbench.bench.results import Result
from hotbench.bench.tuning import (
    GAIN_KEYS,
    Point,
    TuneOptions,
    control_section,
    rules_result,
    tune_file,
    tuning_point,
)
from hotbench.bench.verifying import gains_in_force
from hotbench.control.tune import NAMES, ROBUST, Tuned, side_by_side
from hotbench.core.errors import BadInput, FellShort
from hotbench.profile.check import check
from hotbench.profile.yaml_io import read_profile, write_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
GOLDEN = Path(__file__).with_name("golden") / "tune.txt"


Solved = tuple[list[Tuned], Point]


@pytest.fixture(scope="module", name="solved")
def solved_fixture() -> Solved:
    """Every rule's gains on the example, searched for once."""
    point = tuning_point(read_profile(EXAMPLE), EXAMPLE, 220.0)
    return side_by_side(point.processes, point.scenario), point


def told(solved: Solved, **stated: Any) -> Result:
    return rules_result(*solved, TuneOptions(**stated))


@pytest.fixture(scope="module", name="parallel")
def parallel_fixture(solved: Solved) -> Result:
    return told(solved)


def rules(result: Result) -> dict[str, dict[str, Any]]:
    return {row["rule"]: row for row in result.plain()["rules"]}


def text(result: Result) -> str:
    lines = []
    for table in result.tables():
        lines += [table.caption, " | ".join(table.heads)]
        lines += [" | ".join(row) for row in table.rows] + [""]
    return "\n".join(lines)


def test_the_tables_as_printed(solved: Solved) -> None:
    """Every rule side by side; the file is read by eye when it changes."""
    assert text(told(solved, duty_full_scale=255.0)) == GOLDEN.read_text(encoding="utf-8")


def test_every_rule_has_gains_margins_and_a_source(parallel: Result) -> None:
    found = rules(parallel)
    assert list(found) == list(NAMES)
    for row in found.values():
        assert set(row["gains"]) == {"Kp", "Ki_per_s", "Kd_s"}
        assert row["source"]
        assert row["maximum_sensitivity"]["high"] >= row["maximum_sensitivity"]["value"]


def test_gains_scale_with_the_duty_number_and_nothing_else_does(
    solved: Solved, parallel: Result
) -> None:
    many = rules(told(solved, duty_full_scale=255.0))
    for name, row in rules(parallel).items():
        expected = {key: 255.0 * gain for key, gain in row["gains"].items()}
        assert many[name] == {**row, "gains": pytest.approx(expected)}


def test_ideal_times_are_those_of_the_parallel_gains(solved: Solved, parallel: Result) -> None:
    ideal = rules(told(solved, form="ideal"))
    for name, row in rules(parallel).items():
        Kp, Ki, Kd = (row["gains"][key] for key in ("Kp", "Ki_per_s", "Kd_s"))
        stated = ideal[name]["gains"]
        assert stated["Kc"] == pytest.approx(Kp)
        assert stated["Ti_s"] == pytest.approx(Kp / Ki)
        assert stated["Td_s"] == pytest.approx(Kd / Kp)


def test_series_gains_multiply_out_to_the_ideal_ones(solved: Solved) -> None:
    """Kc' (1 + 1/(Ti' s)) (Td' s + 1) has the ideal Kc = Kc' (1 + Td'/Ti'), and so on."""
    ideal, series = (rules(told(solved, form=form)) for form in ("ideal", "series"))
    for name, row in series.items():
        Kc, Ti, Td = (row["gains"][key] for key in ("Kc", "Ti_s", "Td_s"))
        expected = ideal[name]["gains"]
        assert Kc * (1.0 + Td / Ti) == pytest.approx(expected["Kc"])
        assert Ti + Td == pytest.approx(expected["Ti_s"])
        assert Ti * Td / (Ti + Td) == pytest.approx(expected["Td_s"])


def test_gains_per_sample_are_those_of_a_sum_over_that_sample(
    solved: Solved, parallel: Result
) -> None:
    rows, point = solved
    slow = replace(point, scenario=replace(point.scenario, sample_s=0.25))
    summed = rules(rules_result(rows, slow, TuneOptions(per_sample=True)))
    for name, row in rules(parallel).items():
        Kp, Ki, Kd = row["gains"].values()
        expected = {"Kp": Kp, "Ki per sample": 0.25 * Ki, "Kd per sample": Kd / 0.25}
        assert summed[name]["gains"] == pytest.approx(expected)


def test_worst_figures_are_no_better_than_the_nominal_ones(parallel: Result) -> None:
    """Least margins and greatest sensitivity, overshoot, settling and sag over the interval."""
    for row in rules(parallel).values():
        for name in ("gain_margin", "phase_margin"):
            assert row[name]["low"] <= row[name]["value"]
        for name in ("maximum_sensitivity", "overshoot", "flow_sag"):
            assert row[name]["value"] <= row[name]["high"]
    strict = [row for row in rules(parallel).values() if row["flow_sag"]["high"]]
    assert all(row["flow_sag"]["value"] < row["flow_sag"]["high"] for row in strict)


def test_an_unstable_loop_is_called_so(parallel: Result) -> None:
    _, _, worst, _ = parallel.tables()
    cells = {row[0]: row[3] for row in worst.rows}
    for name, row in rules(parallel).items():
        assert (cells[name] == "unstable") == (not row["stable_over_the_interval"])
    assert not rules(parallel)["reaction curve PID"]["stable_over_the_interval"]
    assert rules(parallel)[ROBUST]["stable_over_the_interval"]


@pytest.mark.parametrize("form", ["parallel", "ideal", "series"])
@pytest.mark.parametrize("rule", ["SIMC PI", "AMIGO PID", ROBUST])
def test_a_control_section_gives_the_same_gains_back(form: Any, rule: str, solved: Solved) -> None:
    """Form and scale are stated with the gains, so that a reader recovers what was tuned."""
    rows, point = solved
    control = control_section(rows, point, TuneOptions(form=form, duty_full_scale=127.0), rule)
    (pid,) = (row.pid for row in rows if row.rule == rule)
    found = gains_in_force(None, 1.0, control)
    assert found is not None
    stated = (found.Kp, found.Ki, found.Kd, found.filter_s)
    assert stated == pytest.approx((pid.Kp, pid.Ki, pid.Kd, pid.filter_s))


def test_a_tuned_profile_keeps_everything_else(tmp_path: Path) -> None:
    """Written with its gains for a slower board, which are gentler; no warning about them."""
    result = tune_file(EXAMPLE, out=tmp_path / "tuned.yaml", sample_s=1.0)
    before, after = read_profile(EXAMPLE), read_profile(tmp_path / "tuned.yaml")
    assert after.model_copy(update={"control": before.control}) == before
    assert after.control is not None
    assert after.control.sample_time_s == 1.0
    gains = {GAIN_KEYS[name]: q.value for name, q in after.control.gains.items()}
    assert gains == pytest.approx(rules(result)[ROBUST]["gains"], rel=1e-4)
    assert [f.where for f in check(after) if f.where.startswith("control")] == []
    shown = show_file(tmp_path / "tuned.yaml").tables()
    (controller,) = [table for table in shown if table.caption.startswith("controller")]
    assert "robust optimum" in controller.caption
    assert "full duty 1, at 220 °C" in controller.caption
    assert [row[0] for row in controller.rows[:3]] == ["gain Kp", "gain Ki", "gain Kd"]


def test_a_rule_that_gave_nothing_falls_short(solved: Solved) -> None:
    rows, point = solved
    others = [row for row in rows if row.rule != ROBUST]
    with pytest.raises(FellShort, match="no gains at 220"):
        control_section(others, point, TuneOptions())


def test_feed_forward_follows_from_the_model(solved: Solved, parallel: Result) -> None:
    """What one mm3/s and a ramp of 1 K/s take, from the profile's own numbers by hand."""
    facts, point = parallel.plain(), solved[1]
    profile = read_profile(EXAMPLE)
    assert profile.heater is not None
    assert profile.heater.load_per_flow is not None
    power = 21.3 * (1.0 - 0.0008 * (220.0 - 23.1))
    per_flow = profile.heater.load_per_flow.value / power
    assert facts["feedforward_flow_duty_per_mm3_per_s"] == pytest.approx(per_flow)
    assert point.scenario.load_duty == pytest.approx(0.5 * 15.6 * per_flow)
    process = point.operating.process
    expected = (sum(process.lags_s) - sum(process.leads_s)) / process.gain
    assert facts["feedforward_ramp_duty_per_K_per_s"] == pytest.approx(expected)


def without(section: str, **update: Any) -> Any:
    profile = read_profile(EXAMPLE)
    return profile.model_copy(update={section: getattr(profile, section).model_copy(update=update)})


def test_a_load_that_was_not_measured_is_not_made_up(solved: Solved) -> None:
    """The model has a default for it; a profile that does not state it leaves it unknown."""
    point = tuning_point(without("heater", load_per_flow=None), EXAMPLE, 220.0)
    assert point.flow_duty_per_mm3_per_s == 0.0
    forward = rules_result(solved[0], point, TuneOptions()).tables()[-1]
    cells = {row[0]: row[1] for row in forward.rows}
    assert cells["add per mm³/s extruded"] == "not known: record extrude"
    assert cells["drawn by the flow step above"] == "0.1, assumed"


def test_a_fan_that_was_not_measured_is_refused() -> None:
    profile = read_profile(EXAMPLE)
    assert profile.heater is not None
    still = {k: v for k, v in profile.heater.parameters.items() if not k.startswith("fan")}
    bare = without("heater", parameters=still)
    assert tuning_point(bare, EXAMPLE, 220.0).processes
    with pytest.raises(BadInput, match="does not state the fan's cooling"):
        tuning_point(bare, EXAMPLE, 220.0, fan=1.0)


@pytest.mark.parametrize("temperature_C", [20.0, 900.0])
def test_a_temperature_that_cannot_be_held_is_refused(temperature_C: float) -> None:
    with pytest.raises(BadInput, match="full power cannot hold"):
        tune_file(EXAMPLE, temperature_C=temperature_C)


def test_a_profile_without_a_heater_is_refused(tmp_path: Path) -> None:
    bare = read_profile(EXAMPLE).model_copy(update={"heater": None})
    write_profile(bare, tmp_path / "bare.yaml")
    with pytest.raises(BadInput, match="no heater model"):
        tune_file(tmp_path / "bare.yaml")


def test_every_printed_number_is_finite(parallel: Result) -> None:
    for table in parallel.tables():
        for row in table.rows:
            assert not any(cell in ("nan", "inf", "-inf") for cell in row)
    assert all(math.isfinite(value) for value in rules(parallel)[ROBUST]["gains"].values())
