from dataclasses import replace

import numpy as np
import pytest
from heater_logs import AMBIENT_C, SESSION, log

from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.fitting.heater_data import filled, prepare

RUN = log()


def changed(run: Run, **columns: np.ndarray) -> Run:
    return replace(run, **columns)


def test_one_segment_per_command() -> None:
    data = prepare([RUN])
    assert [segment.phase for segment in data.segments] == [row[0] for row in SESSION]


def test_a_jump_of_the_setpoint_begins_a_segment() -> None:
    setpoint_C = np.where(np.arange(len(RUN)) < 100, 200.0, 180.0)
    plain = changed(RUN, phase=np.full(len(RUN), ""), setpoint_C=setpoint_C, fan=0.0 * RUN.fan)
    assert len(prepare([plain]).segments) == 2


def test_validation_phases_are_held_out_but_stay_in_the_stretch() -> None:
    held = changed(RUN, phase=np.char.replace(RUN.phase, "heat 220", "validate heat 220"))
    data = prepare([held])
    stretch = data.stretches[0]
    assert len(stretch) == len(RUN)
    mask = held.mask_phase("validate")
    assert np.all(stretch.fitted[mask] == -1)
    assert np.all(stretch.held_out[mask] >= 0)
    assert data.fitted_samples == np.count_nonzero(~mask)


def test_ambient_is_given_before_it_is_measured() -> None:
    assert prepare([RUN]).ambient_C == pytest.approx(AMBIENT_C, abs=0.1)
    given = replace(RUN, info=replace(RUN.info, ambient_C=21.0))
    assert prepare([given]).ambient_C == 21.0
    assert prepare([given], ambient_C=20.0).ambient_C == 20.0


def test_a_warm_start_tells_no_ambient() -> None:
    warm = prepare([log(session=SESSION[1:])])
    assert warm.ambient_C is not None
    later = changed(
        RUN,
        **{
            name: getattr(RUN, name)[600:]
            for name in (
                "time_s",
                "temperature_C",
                "setpoint_C",
                "duty",
                "fan",
                "flow_mm3_per_s",
                "phase",
            )
        },
    )
    data = prepare([later])
    assert data.ambient_C is None
    assert not data.stretches[0].uniform


def test_a_pause_in_the_log_splits_the_stretch() -> None:
    time_s = RUN.time_s + np.where(np.arange(len(RUN)) > 900, 30.0, 0.0)
    assert [len(s) for s in prepare([changed(RUN, time_s=time_s)]).stretches] == [
        901,
        len(RUN) - 901,
    ]


def test_missing_readings_and_spikes_do_not_count() -> None:
    temperature_C = RUN.temperature_C.copy()
    temperature_C[50] += 40.0
    temperature_C[70] = np.nan
    data = prepare([changed(RUN, temperature_C=temperature_C)])
    assert data.spikes == 1
    assert data.fitted_samples == len(RUN) - 2


def test_missing_duty_and_fan_hold_their_last_value() -> None:
    duty, fan = RUN.duty.copy(), RUN.fan.copy()
    duty[100:104] = np.nan
    fan[:10] = np.nan
    inputs = filled(changed(RUN, duty=duty, fan=fan))
    np.testing.assert_array_equal(inputs.duty, RUN.duty)
    np.testing.assert_array_equal(inputs.fan, RUN.fan)


def test_without_duty_only_free_cooling_counts() -> None:
    silent = changed(RUN, duty=np.full(len(RUN), np.nan))
    data = prepare([silent])
    idle = 15  # too short by itself
    assert data.fitted_samples == np.count_nonzero(RUN.setpoint_C == 0.0) - idle
    assert all(np.all(stretch.duty == 0.0) for stretch in data.stretches)
    assert "free cooling only" in data.notes[0]
    with pytest.raises(BadInput, match="no duty"):
        filled(silent)


def test_a_stated_controller_rebuilds_the_duty() -> None:
    silent = changed(RUN, duty=np.full(len(RUN), np.nan))
    data = prepare([silent], duty_source=lambda run: RUN.duty)
    assert data.fitted_samples == len(RUN)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"time_s": RUN.time_s[::-1].copy()}, "run backwards"),
        ({"time_s": np.full(len(RUN), np.nan)}, "finite"),
    ],
)
def test_time_must_run_forward(change: dict, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        prepare([changed(RUN, **change)])


def test_no_run_and_too_short_a_run_are_refused() -> None:
    with pytest.raises(BadInput, match="no run"):
        prepare([])
    with pytest.raises(BadInput, match="too few samples"):
        prepare([log(session=(("idle", 1.0, 0.0, 0.0, 0.0),))])


def test_weights_fall_after_each_command_and_average_one() -> None:
    stretch = prepare([RUN]).stretches[0]
    assert np.mean(stretch.weight) == pytest.approx(1.0)
    hold = np.flatnonzero(RUN.phase == "hold 240")
    assert np.all(np.diff(stretch.weight[hold]) < 0.0)
    assert stretch.weight[hold[0]] > 3.0 * stretch.weight[hold[-1]]
