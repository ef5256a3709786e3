"""The board's controller found again from the duty it answered with."""

from dataclasses import replace

import numpy as np
import pytest

from hotbench.core.records import Run, RunInfo, Sample
from hotbench.fitting.board_loop import Answer, fit_board_loop
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C, replayed_duty
from hotbench.models.dips import DipSpec, dip_times
from hotbench.models.heater import heater_model, hold_of

INFO = RunInfo(run_id="one", procedure="dip", created="")
TRUE = BoardLoop(gain_per_K=0.06, integral_time_s=8.0, derivative_time_s=0.4, filter_s=0.3)
HELD, WHOLE = 60, 700
HEATER = heater_model("one-node").vector(
    {"heating_K_per_s": 12.0, "loss_per_s": 0.02, "sensor_lag_s": 0.4, "dead_time_s": 0.2}, 24.0
)


def dip_run(board: BoardLoop = TRUE, noise_K: float = 0.1, seed: int = 5) -> Run:
    """A hold at 220 °C, then 190 °C for 30 s and back, on an exact heater."""
    random = np.random.default_rng(seed)
    setpoint_C = np.full(WHOLE, 220.0)
    setpoint_C[HELD : HELD + 300] = 190.0
    temperature_C = controlled_C(HEATER, board, 220.0, setpoint_C)
    time_s = TICK_s * np.arange(1, WHOLE + 1)
    held = hold_of(HEATER, 220.0 - 24.0).duty
    # Duty stands from the end of a tick on, so the log shows that of the reading half a tick ago.
    duty = replayed_duty(board, time_s, setpoint_C, temperature_C, held)
    noisy_C = temperature_C + noise_K * random.standard_normal(WHOLE)
    phases = np.where(np.arange(WHOLE) < HELD, "hold 220", "dip 220-190")
    rows = zip(time_s + 0.5 * TICK_s, noisy_C, setpoint_C, duty, phases, strict=True)
    return Run.from_samples(INFO, [Sample(t, T, s, u, 0.0, 0.0, str(n)) for t, T, s, u, n in rows])


def answer(run: Run) -> Answer:
    found = Answer.of(run, HELD, len(run))
    assert found is not None
    return found


@pytest.mark.parametrize("noise_K", [0.0, 0.1])
def test_a_controller_is_found_again(noise_K: float) -> None:
    found = fit_board_loop([answer(dip_run(noise_K=noise_K))])
    assert found is not None
    assert found.gain_per_K == pytest.approx(TRUE.gain_per_K, rel=0.2)
    assert found.integral_time_s == pytest.approx(TRUE.integral_time_s, rel=0.2)


@pytest.mark.parametrize("noise_K", [0.0, 0.1, 0.2, 0.3])
def test_other_dips_are_those_of_the_true_controller(noise_K: float) -> None:
    """Noise hides the derivative and shrinks the gain; the dips hardly mind."""
    found = fit_board_loop([answer(dip_run(noise_K=noise_K))])
    for spec in (DipSpec(220.0, 190.0), DipSpec(240.0, 220.0), DipSpec(230.0, 180.0)):
        true_s = dip_times(HEATER, spec, TRUE)
        assert dip_times(HEATER, spec, found) == pytest.approx(true_s, rel=0.03)


def test_two_dips_tell_more_than_one() -> None:
    both = [answer(dip_run(noise_K=0.3, seed=seed)) for seed in (1, 2)]
    found = fit_board_loop(both)
    assert found is not None
    for one in both:
        again = replayed_duty(found, one.time_s, one.setpoint_C, one.temperature_C, one.held_duty)
        assert np.sqrt(np.mean((again - one.duty) ** 2)) < 0.05


def test_a_duty_that_no_controller_explains_tells_none() -> None:
    run, random = dip_run(), np.random.default_rng(2)
    wild = replace(run, duty=random.uniform(0.0, 1.0, len(run)))
    assert fit_board_loop([answer(wild)]) is None


def test_a_duty_that_never_moves_tells_none() -> None:
    run = dip_run()
    assert fit_board_loop([answer(replace(run, duty=np.full(len(run), 0.3)))]) is None


def test_without_duty_or_readings_there_is_no_answer() -> None:
    run = dip_run()
    unknown = replace(run, duty=np.full(len(run), np.nan))
    assert Answer.of(unknown, HELD, len(run)) is None
    assert Answer.of(run, HELD, HELD + 5) is None
    assert Answer.of(run, 0, len(run)) is None  # nothing held before
    assert fit_board_loop([]) is None


def test_gaps_in_the_log_are_left_out() -> None:
    run = dip_run()
    duty = run.duty.copy()
    duty[100:130] = np.nan
    holed = answer(replace(run, duty=duty))
    assert holed.time_s.size == answer(run).time_s.size - 30
    assert np.isfinite(holed.duty).all()
