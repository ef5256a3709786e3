"""The board's controller found again from the duty it answered with."""

from dataclasses import replace

import numpy as np
import pytest

from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.fitting.board_loop import EXPLAINED, Regulated, SMOOTHED_s, fit_board_loop
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C, replayed_duty
from hotbench.models.dips import DipSpec, dip_times
from hotbench.models.heater import heater_model, hold_of

INFO = RunInfo(run_id="one", procedure="dip", created="")
TRUE = BoardLoop(gain_per_K=0.06, integral_time_s=8.0, derivative_time_s=0.4, filter_s=0.3)
HELD, WHOLE = 60, 700
DIP = [(HELD, WHOLE)]
HEATER = heater_model("one-node").vector(
    {"heating_K_per_s": 12.0, "loss_per_s": 0.02, "sensor_lag_s": 0.4, "dead_time_s": 0.2}, 24.0
)


def dip_run(board: BoardLoop = TRUE, noise_K: float = 0.1, seed: int = 5) -> tuple[Run, FloatArray]:
    """A hold at 220 °C, then 190 °C for 30 s and back, and the temperature at each sample.

    The controller has readings of its own, as noisy as those of the log.
    """
    random = np.random.default_rng(seed)
    setpoint_C = np.full(WHOLE, 220.0)
    setpoint_C[HELD : HELD + 300] = 190.0
    temperature_C = controlled_C(HEATER, board, 220.0, setpoint_C)
    time_s = TICK_s * np.arange(1, WHOLE + 1)
    held = hold_of(HEATER, 220.0 - 24.0).duty
    # Duty stands from the end of a tick on, so the log shows that of the reading half a tick ago.
    read_C, logged_C = temperature_C + noise_K * random.standard_normal((2, WHOLE))
    duty = replayed_duty(board, time_s, setpoint_C, read_C, held)
    later_s = time_s + 0.5 * TICK_s
    later_C = np.interp(later_s, time_s, temperature_C)
    phases = np.where(np.arange(WHOLE) < HELD, "hold 220", "dip 220-190")
    rows = zip(later_s, logged_C + later_C - temperature_C, setpoint_C, duty, phases, strict=True)
    samples = [Sample(t, T, s, u, 0.0, 0.0, str(n)) for t, T, s, u, n in rows]
    return Run.from_samples(INFO, samples), later_C


def regulated(noise_K: float = 0.1, seed: int = 5) -> Regulated:
    return of(*dip_run(noise_K=noise_K, seed=seed))


def of(run: Run, predicted_C: FloatArray) -> Regulated:
    found = Regulated.of(run, predicted_C, DIP)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("noise_K", "off"), [(0.0, 0.03), (0.1, 0.1), (0.2, 0.2)])
def test_a_controller_is_found_again(noise_K: float, off: float, seed: int) -> None:
    found = fit_board_loop([regulated(noise_K, seed)])
    assert found is not None
    assert found.gain_per_K == pytest.approx(TRUE.gain_per_K, rel=off)
    assert found.integral_time_s == pytest.approx(TRUE.integral_time_s, rel=off)
    assert found.derivative_time_s == pytest.approx(TRUE.derivative_time_s, rel=3.0 * off)


@pytest.mark.parametrize("error_K", [-1.0, 2.0])
def test_what_the_heater_model_misses_slowly_does_not_matter(error_K: float) -> None:
    run, temperature_C = dip_run()
    drift_K = error_K * (1.0 + np.sin(np.arange(WHOLE) / 300.0))
    found, exact = (fit_board_loop([of(run, temperature_C + d)]) for d in (drift_K, 0.0 * drift_K))
    assert found is not None
    assert exact is not None
    assert found.gain_per_K == pytest.approx(exact.gain_per_K, rel=0.03)
    assert found.integral_time_s == pytest.approx(exact.integral_time_s, rel=0.03)


@pytest.mark.parametrize("noise_K", [0.0, 0.1, 0.2])
def test_other_dips_are_those_of_the_true_controller(noise_K: float) -> None:
    found = fit_board_loop([regulated(noise_K)])
    for spec in (DipSpec(220.0, 190.0), DipSpec(240.0, 220.0), DipSpec(230.0, 180.0)):
        true_s = dip_times(HEATER, spec, TRUE)
        assert dip_times(HEATER, spec, found) == pytest.approx(true_s, rel=0.03)


def test_two_runs_tell_more_than_one() -> None:
    """By the spread of the gain over 16 pairs, and over the 16 runs that lead them."""

    def gain(*seeds: int) -> float:
        found = fit_board_loop([regulated(0.2, seed) for seed in seeds])
        assert found is not None
        return found.gain_per_K

    ones, twos = ([gain(*pair[:n]) for pair in PAIRS] for n in (1, 2))
    assert np.std(twos) < 0.9 * np.std(ones)


PAIRS = [(2 * k, 2 * k + 1) for k in range(16)]


def test_an_integral_that_never_moves_has_no_time() -> None:
    steady = BoardLoop(gain_per_K=0.06, integral_time_s=float("inf"))
    found = fit_board_loop([of(*dip_run(steady, noise_K=0.0))])
    assert found is not None
    assert found.gain_per_K == pytest.approx(0.06, rel=0.02)
    assert found.integral_time_s > 1e3


def test_a_duty_that_no_controller_explains_tells_none() -> None:
    (run, temperature_C), random = dip_run(), np.random.default_rng(2)
    wild = replace(run, duty=random.uniform(0.0, 1.0, len(run)))
    assert fit_board_loop([of(wild, temperature_C)]) is None


def test_a_duty_that_follows_in_part_only_tells_none() -> None:
    """A quarter of the readings are answered by chance: less than EXPLAINED remains."""
    (run, temperature_C), random = dip_run(), np.random.default_rng(2)
    odd = random.uniform(size=len(run)) < 0.25
    duty = np.where(odd, random.uniform(0.0, 1.0, len(run)), run.duty)
    assert EXPLAINED > 0.8
    assert fit_board_loop([of(replace(run, duty=duty), temperature_C)]) is None


def test_a_duty_that_never_moves_tells_none() -> None:
    run, temperature_C = dip_run()
    assert fit_board_loop([of(replace(run, duty=np.full(len(run), 0.3)), temperature_C)]) is None


def test_without_duty_or_readings_nothing_is_known() -> None:
    run, temperature_C = dip_run()
    unknown = replace(run, duty=np.full(len(run), np.nan))
    assert Regulated.of(unknown, temperature_C, DIP) is None
    assert Regulated.of(run, temperature_C, [(HELD, HELD + 5)]) is None
    assert fit_board_loop([]) is None


def test_a_move_without_a_hold_before_it_proves_nothing() -> None:
    run, temperature_C = dip_run()
    found = Regulated.of(run, temperature_C, [(0, WHOLE)])
    assert found is not None
    assert list(found.answers()) == []
    assert fit_board_loop([found]) is None


def test_gaps_in_the_log_part_its_stretches() -> None:
    run, temperature_C = dip_run()
    duty = run.duty.copy()
    duty[20:40] = np.nan
    whole, holed = of(run, temperature_C), of(replace(run, duty=duty), temperature_C)
    assert holed.time_s.size == whole.time_s.size - 20
    assert np.isfinite(holed.duty).all()
    assert len(list(holed.between_ends())) == len(list(whole.between_ends())) + 1
    for stretch in holed.between_ends():
        assert np.ptp(np.diff(holed.time_s[stretch])) < 0.5 * TICK_s


def test_slow_errors_are_those_longer_than_the_average() -> None:
    run, temperature_C = dip_run(noise_K=0.0)
    hum_K = np.sin(2.0 * np.pi * run.time_s / (0.1 * SMOOTHED_s))
    heard = of(replace(run, temperature_C=run.temperature_C + hum_K), temperature_C)
    plain = of(run, temperature_C)
    assert np.abs(heard.temperature_C - plain.temperature_C)[20:-20].max() < 0.1
