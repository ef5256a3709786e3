"""The board's loop around the heater model, against closed forms and an independent replay."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.fitting.heater_controller import StatedController
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C, replayed_duty
from hotbench.models.dips import DipSpec, descent_C, dip_times, predict_dip
from hotbench.models.heater import heater_model

AMBIENT_C = 24.0
BOARD = BoardLoop(gain_per_K=0.05, integral_time_s=6.0, derivative_time_s=0.3, filter_s=0.2)


def node(**changed: float) -> np.ndarray:
    """Linear unless told otherwise."""
    values = {
        "heating_K_per_s": 12.0,
        "falloff_per_K": 0.0,
        "loss_per_s": 0.02,
        "loss_growth_per_K": 0.0,
        "sensor_lag_s": 0.01,
        "dead_time_s": 0.0,
    }
    return heater_model("one-node").vector(values | changed, AMBIENT_C)


def test_a_proportional_loop_decays_as_the_textbook_says() -> None:
    """x' = -(a + b K) x about the balance, for a first-order process (any textbook of control)."""
    board = BoardLoop(gain_per_K=0.02, integral_time_s=math.inf)
    rise_C = controlled_C(node(), board, 200.0, np.full(400, 205.0)) - 200.0
    rate, drive = 0.02 + 12.0 * 0.02, 12.0 * 0.02 * 5.0
    time_s = TICK_s * np.arange(1, 401)
    # The duty waits for the end of its tick and the sensor lags by 0.01 s.
    late_s = time_s - TICK_s - 0.01
    expected = drive / rate * (1.0 - np.exp(-rate * late_s))
    assert rise_C[5:] == pytest.approx(expected[5:], abs=0.06)
    assert rise_C[-1] == pytest.approx(drive / rate, rel=0.01)


@pytest.mark.parametrize("fan", [0.0, 0.5, 1.0])
def test_a_hold_stays_and_a_change_ends_at_its_setpoint(fan: float) -> None:
    vector = node(fan_loss_per_s=0.02, fan_exponent=0.7, dead_time_s=0.33)
    held_C = controlled_C(vector, BOARD, 210.0, np.full(300, 210.0), fan)
    assert held_C == pytest.approx(np.full(300, 210.0), abs=1e-3)
    moved_C = controlled_C(vector, BOARD, 210.0, np.full(900, 200.0), fan)
    assert moved_C[-1] == pytest.approx(200.0, abs=0.05)


def test_nothing_is_logged_before_the_dead_time() -> None:
    moved_C = controlled_C(node(dead_time_s=1.0), BOARD, 210.0, np.full(30, 180.0))
    assert moved_C[:10] == pytest.approx(np.full(10, 210.0), abs=1e-6)
    assert moved_C[15] < 209.0


def test_the_replay_is_that_of_a_stated_controller() -> None:
    """Two implementations of one law, on a made-up record."""
    random = np.random.default_rng(3)
    time_s = np.cumsum(random.uniform(0.05, 0.3, 400))
    reading_C = 200.0 + 6.0 * np.sin(0.7 * time_s) + 0.2 * random.standard_normal(400)
    samples = [
        Sample(t, T, 203.0, 0.0, 0.0, 0.0, "") for t, T in zip(time_s, reading_C, strict=True)
    ]
    run = Run.from_samples(RunInfo(run_id="r", procedure="x", created=""), samples)
    stated = StatedController(
        gain_per_K=0.05, integral_time_s=6.0, derivative_time_s=0.3, filter_s=0.2
    )
    found = replayed_duty(BOARD, time_s, np.full(400, 203.0), reading_C, 0.0)
    # The record's first sample has no step before it; here it only states the hold.
    assert found[1:] == pytest.approx(stated(run)[1:], abs=0.02)
    assert found.min() >= 0.0
    assert found.max() <= 1.0


@settings(max_examples=30, deadline=None)
@given(
    gain=st.floats(0.01, 0.5),
    integral_s=st.floats(2.0, 60.0),
    loss=st.floats(0.005, 0.04),
    heating=st.floats(12.0, 30.0),
)
def test_no_controller_cools_faster_than_the_heater_off(
    gain: float, integral_s: float, loss: float, heating: float
) -> None:
    vector = node(heating_K_per_s=heating, loss_per_s=loss)
    board = BoardLoop(gain_per_K=gain, integral_time_s=integral_s)
    spec = DipSpec(220.0, 190.0)
    off_s, _ = dip_times(vector, spec)
    down_s, back_s = dip_times(vector, spec, board)
    assert down_s >= off_s - 0.5 * TICK_s
    assert back_s > 0.0


def test_a_sharp_controller_comes_near_the_fastest_dip() -> None:
    vector, spec = node(dead_time_s=0.3), DipSpec(220.0, 190.0)
    sharp = BoardLoop(gain_per_K=2.0, integral_time_s=1e6)
    assert dip_times(vector, spec, sharp) == pytest.approx(dip_times(vector, spec), abs=0.25)


def test_residuals_and_times_of_a_controlled_dip_agree() -> None:
    vector, spec = node(), DipSpec(220.0, 190.0)
    down_s, _ = dip_times(vector, spec, BOARD)
    at_C = descent_C(vector, spec, np.array([0.0, down_s, 10.0 * down_s]), BOARD)
    assert at_C == pytest.approx([220.0, 192.0, 190.0], abs=0.2)
    found = predict_dip(vector, spec, board=BOARD, draws=[node(loss_per_s=0.021)])
    assert found.time_down.value == pytest.approx(down_s)
    assert found.earliest_command.value >= down_s


def test_a_dip_that_no_controller_ends_is_refused() -> None:
    with pytest.raises(BadInput, match="never gets there"):
        predict_dip(node(heating_K_per_s=3.0), DipSpec(220.0, 190.0), board=BOARD)


@pytest.mark.parametrize(
    "wrong",
    [
        {"gain_per_K": 0.0},
        {"integral_time_s": -1.0},
        {"filter_s": 0.0},
        {"derivative_time_s": -1.0},
    ],
)
def test_impossible_controllers_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BadInput):
        BoardLoop(**{"gain_per_K": 0.05, "integral_time_s": 6.0} | wrong)
