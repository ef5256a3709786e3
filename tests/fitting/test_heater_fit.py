import json
from dataclasses import replace

import numpy as np
import pytest
from heater_logs import AMBIENT_C, SESSION, TRUE, log

from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_result import HeaterFit
from hotbench.models.heater import HEATER_MODELS, heater_model
from hotbench.models.rates import figure_values

COLD_UP = SESSION[:2]
NO_FAN = (*SESSION[:4], ("heat 240 again", 50.0, 1.0, 0.0, 0.0))
ONE_FAN = SESSION[:6]


@pytest.fixture(scope="module")
def run() -> Run:
    phases = np.where(log().phase == "heat 220 again", "validate heat 220", log().phase)
    return replace(log(), phase=phases)


@pytest.fixture(scope="module")
def fit(run: Run) -> HeaterFit:
    return fit_heater([run], ambient_C=AMBIENT_C, power_W=45.0)


def named(fit: HeaterFit) -> dict[str, str]:
    return {item.name: item.remedy for item in fit.unidentified}


def test_the_model_that_made_the_log_is_chosen_and_recovered(fit: HeaterFit) -> None:
    assert fit.model == "two-node"
    for name in ("heating_K_per_s", "loss_per_s", "fan_loss_per_s", "exchange_per_s"):
        assert fit.values[name] == pytest.approx(TRUE[name], rel=0.05), name
    assert fit.values["fan_exponent"] == pytest.approx(TRUE["fan_exponent"], abs=0.05)
    assert fit.values["load_per_mm3"] == pytest.approx(TRUE["load_per_mm3"], rel=0.05)


def test_noise_is_all_that_is_left(fit: HeaterFit) -> None:
    assert fit.rms_K == pytest.approx(0.05, rel=0.1)
    assert fit.inflation < 3.0


def test_lag_and_dead_time_are_stated_as_their_sum(fit: HeaterFit) -> None:
    """Source: the design's finding that the two correlate at -0.98 and more."""
    true_s = TRUE["sensor_lag_s"] + TRUE["dead_time_s"]
    assert fit.combined_lag.value == pytest.approx(true_s, abs=0.02)
    names = list(fit.correlation_names)
    pair = names.index("sensor_lag_s"), names.index("dead_time_s")
    assert fit.correlations[pair] < -0.8


def test_tables_hold_the_truth_within_their_intervals(fit: HeaterFit) -> None:
    vector = heater_model("two-node").vector(TRUE, AMBIENT_C)
    rows = (*fit.heating_rate, *fit.cooling_rate, *fit.hold_duty, *fit.rise_time)
    assert len(rows) > 40
    true = figure_values(vector, [row.figure for row in rows])
    inside = [row.quantity.low <= t <= row.quantity.high for row, t in zip(rows, true, strict=True)]
    assert all(inside)
    assert {row.quantity.basis for row in rows} <= {"fitted", "extrapolated"}


def test_held_out_phase_is_predicted_and_reported(fit: HeaterFit) -> None:
    (held,) = fit.validation
    assert held.phase == "validate heat 220"
    assert held.rms_K < 0.1
    assert held.error_percent == pytest.approx(100 * held.rms_K / 220.0, rel=0.15)


def test_watts_follow_from_a_wattmeter(fit: HeaterFit) -> None:
    near = fit.power["near_capacity"]
    assert near.value == pytest.approx(45.0 / TRUE["heating_K_per_s"], rel=0.05)
    assert fit.power["far_capacity"].value == pytest.approx(near.value / 4.0, rel=0.1)


def test_plain_form_is_json_with_every_section(fit: HeaterFit) -> None:
    plain = json.loads(json.dumps(fit.to_plain(), allow_nan=False))
    assert plain["model"] == "two-node"
    assert len(plain["candidates"]) == len(HEATER_MODELS)
    assert plain["heating_rate"][0]["start"] == "cold"
    assert len(plain["correlations"]["matrix"]) == len(plain["correlations"]["names"])


def test_a_run_is_predicted_from_its_inputs_alone(fit: HeaterFit, run: Run) -> None:
    trace = fit.predict(run)
    np.testing.assert_allclose(trace.temperature_C, run.temperature_C, atol=1.0)


def test_joint_runs_are_better_than_one(fit: HeaterFit) -> None:
    one = log(session=ONE_FAN, seed=5)
    two = log(session=(SESSION[0], SESSION[6], SESSION[7]), seed=6, run_id="second")
    joint = fit_heater([one, two], ambient_C=AMBIENT_C, models=["two-node"])
    alone = fit_heater([one], ambient_C=AMBIENT_C, models=["two-node"])
    assert "fan_exponent" in named(alone)
    assert "fan_exponent" not in named(joint)
    assert {r.run_id for r in joint.residuals} == {"log", "second"}


def test_a_second_fit_gives_the_same_numbers(run: Run) -> None:
    first = fit_heater([run], models=["one-node"]).to_plain()
    assert first == fit_heater([run], models=["one-node"]).to_plain()
    shaken = fit_heater([run], models=["one-node"], seed=3).values["loss_per_s"]
    assert shaken == pytest.approx(first["parameters"]["loss_per_s"]["value"], rel=1e-2)


def test_heating_up_alone_tells_no_loss_and_says_which_test_would() -> None:
    fit = fit_heater([log(session=COLD_UP)], ambient_C=AMBIENT_C)
    assert named(fit)["loss"] == "record step --fan 0"
    assert fit.cooling_rate == ()
    assert fit.hold_duty == ()
    assert fit.heating_rate


def test_without_a_fan_run_fan_cooling_is_not_stated() -> None:
    fit = fit_heater([log(session=NO_FAN)], ambient_C=AMBIENT_C)
    assert named(fit)["fan_loss"] == "record step --fan 0,0.5,1"
    assert {row.figure.fan for row in fit.cooling_rate} == {0.0}


def test_a_fan_speed_that_was_not_measured_is_assumed_and_wide() -> None:
    fit = fit_heater([log(session=ONE_FAN)], ambient_C=AMBIENT_C)
    rows = {
        row.figure.fan: row.quantity for row in fit.cooling_rate if row.figure.temperature_C == 180
    }
    assert [rows[fan].basis for fan in (0.0, 0.5, 1.0)] == ["fitted", "assumed", "fitted"]
    assert rows[0.5].half_width > 1.5 * rows[1.0].half_width
    assert fit.parameters["fan_exponent"].basis == "assumed"


def test_a_parameter_on_its_bound_is_said_to_be_held_there_and_not_measured() -> None:
    sheltered = {
        **TRUE,
        "far_fan_loss_per_s": -1e-3,
    }  # the fan keeps heat in, which no bound allows
    found = fit_heater([log(values=sheltered)], ambient_C=AMBIENT_C, models=["two-node"])
    stuck = {item.name: item for item in found.unidentified}["far_fan_loss_per_s"]
    assert stuck.reason == "on its lower bound of 1e-06 1/s: held there, not measured"
    assert stuck.remedy.startswith("record step --hold 300")
    assert found.parameters["far_fan_loss_per_s"].low is None
    assert not {"sensor_lag_s", "dead_time_s"} & {item.name for item in found.unidentified}


def test_the_missing_middle_fan_speed_is_among_the_next_tests() -> None:
    fit = fit_heater([log(session=ONE_FAN)], ambient_C=AMBIENT_C)
    commands = [test.command for test in fit.next_tests]
    assert commands[0].startswith("record extrude")
    assert any("--fan 0.5" in command for command in commands)
    assert all(test.to_percent < test.from_percent for test in fit.next_tests)


def test_a_log_without_duty_tells_cooling_only(run: Run) -> None:
    silent = replace(run, duty=np.full(len(run), np.nan))
    fit = fit_heater([silent], ambient_C=AMBIENT_C)
    assert named(fit)["heating"].startswith("record step")
    assert fit.heating_rate == ()
    assert fit.hold_duty == ()
    assert fit.cooling_rate
    assert fit.parameters["heating_K_per_s"].basis == "assumed"


def test_nothing_usable_is_refused() -> None:
    silent = replace(log(), duty=np.full(len(log()), np.nan), setpoint_C=log().setpoint_C + 100.0)
    with pytest.raises(BadInput, match="no sample with known duty"):
        fit_heater([silent])


def test_spikes_do_not_move_the_fit(fit: HeaterFit, run: Run) -> None:
    spoiled = run.temperature_C.copy()
    spoiled[100::200] += 60.0
    robust = fit_heater(
        [replace(run, temperature_C=spoiled)], ambient_C=AMBIENT_C, models=["two-node"]
    )
    assert robust.values["loss_per_s"] == pytest.approx(fit.values["loss_per_s"], rel=0.01)
    assert any("spikes" in note for note in robust.notes)


def test_a_fit_that_leaves_kelvins_says_that_something_acts_unseen(
    fit: HeaterFit, run: Run
) -> None:
    """A fan that the log does not tell; the complete log says nothing of the kind."""
    blind = fit_heater(
        [replace(run, fan=np.zeros(len(run)))], ambient_C=AMBIENT_C, models=["two-node"]
    )
    assert any("does not tell" in note for note in blind.notes)
    assert not any("does not tell" in note for note in fit.notes)


def test_a_warm_start_fits_its_own_start_and_names_the_ambient(run: Run) -> None:
    later = {
        name: getattr(run, name)[500:]
        for name in (
            "time_s",
            "temperature_C",
            "setpoint_C",
            "duty",
            "fan",
            "flow_mm3_per_s",
            "phase",
        )
    }
    warm = fit_heater([replace(run, **later)], models=["two-node"])
    assert "ambient_C" in named(warm)
    assert warm.ambient.low <= AMBIENT_C <= warm.ambient.high
    assert warm.rms_K < 0.1


def test_progress_is_told() -> None:
    told: list[tuple[str, float]] = []
    fit_heater([log()], models=["first-order"], progress=lambda *step: told.append(step))
    assert told == [("first order + dead time", 0.0), ("fitted", 1.0)]


@pytest.mark.parametrize("duty", [0.0, np.nan])
def test_a_log_that_neither_heats_nor_cools_is_refused(run: Run, duty: float) -> None:
    room = AMBIENT_C + 0.1 * np.sin(np.arange(len(run)))
    still = replace(
        run, temperature_C=room, duty=np.full(len(run), duty), setpoint_C=np.zeros(len(run))
    )
    with pytest.raises(BadInput, match="neither heating nor cooling"):
        fit_heater([still])


def test_next_tests_are_commands_with_the_options_those_have() -> None:
    for test in fit_heater([log(session=ONE_FAN)], ambient_C=AMBIENT_C).next_tests:
        _, kind, *options = test.command.split()
        assert (
            set(options[::2])
            == {
                "step": {"--to", "--fan", "--hold"},
                "hold": {"--to", "--duration"},
                "extrude": {"--temperatures"},
            }[kind]
        )


def test_a_warm_start_is_not_held_to_the_first_reading(run: Run) -> None:
    """What the far node was at before the record is fitted, not assumed: its loss comes out."""
    later = {
        column: getattr(run, column)[500:]
        for column in ("time_s", "temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s")
    }
    warm = fit_heater([replace(run, phase=run.phase[500:], **later)], models=["two-node"])
    assert warm.values["far_loss_ratio"] == pytest.approx(TRUE["far_loss_ratio"], rel=0.6)
    assert not any("converged" in note for note in warm.notes)
