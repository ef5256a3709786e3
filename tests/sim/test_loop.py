"""The board's inner loop piece by piece, on hand-built state arrays."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.arrays import FloatArray
from hotbench.sim import loop
from hotbench.sim.loop import FaultCode, Gain, HeaterState, Mode, SensorState, State
from hotbench.sim.physics import Cell
from hotbench.sim.plant import LIMIT_START_C

TICK_s = 0.1


def gains(**changes: float) -> FloatArray:
    """Constants of a plain board."""
    values = {
        "HEATER_W": 50.0,
        "STEP_s": 0.02,
        "STEPS_PER_TICK": 5.0,
        "SENSOR_KEEP": math.exp(-0.02 / 0.5),
        "DELAY_STEPS": 3.0,
        "GAIN_per_K": 0.05,
        "INTEGRAL_s": 4.0,
        "DERIVATIVE_s": 0.3,
        "FILTER_s": 0.2,
        "DUTY_STEPS": 127.0,
        "BEND_FROM": 1.0,
        "MAX_C": 300.0,
        "HEATING_WATCH_K": 4.0,
        "HEATING_WATCH_s": 20.0,
        "RUNAWAY_K": 25.0,
        "RUNAWAY_s": 20.0,
        "STREAM_GAP_s": 1.5,
        "TRAVEL_MEMORY_s": 60.0,
        **changes,
    }
    array = np.zeros(len(Gain))
    for name, value in values.items():
        array[Gain[name]] = value
    return array


def state(mode: Mode = Mode.REGULATE, *, at_C: float = 200.0, **changes: float) -> FloatArray:
    """A board in `mode` with everything at `at_C`."""
    array = np.zeros(len(State))
    for name in ("SENSOR_C", "SENSOR_BEFORE_C", "DELAYED_C", "FILTERED_C", "TARGET_C", "READING_C"):
        array[State[name]] = at_C
    array[State.MODE] = mode
    array[State.LIMIT_K] = 9.0
    for name, value in changes.items():
        array[State[name]] = value
    return array


def ticks(board: FloatArray, constants: FloatArray, readings_C: Sequence[float]) -> list[float]:
    """Run the loop's tick on given sensor values; the duty after each."""
    duties = []
    for reading_C in readings_C:
        board[State.SENSOR_C] = reading_C
        loop._tick(board, constants, 0.0, TICK_s)
        duties.append(float(board[State.DUTY]))
    return duties


def fault_of(board: FloatArray) -> FaultCode:
    return FaultCode(int(board[State.FAULT]))


# --- sensor


@pytest.mark.parametrize(
    ("defect", "value_C", "expected"),
    [
        (SensorState.FINE, 0.0, 203.3),
        (SensorState.OPEN, 0.0, loop.OPEN_C),
        (SensorState.SHORT, 0.0, loop.SHORT_C),
        (SensorState.FROZEN, 151.7, 151.7),
        (SensorState.SHIFTED, -60.0, 143.3),
        (SensorState.SHIFTED, 60.0, 263.3),
    ],
)
def test_what_a_sensor_shows(defect: SensorState, value_C: float, expected: float) -> None:
    board = state(SENSOR_STATE=defect, SENSOR_VALUE_C=value_C)
    assert loop.seen(board, 203.0, 0.26, 0.1) == pytest.approx(expected)


@given(st.floats(-20.0, 400.0), st.floats(-1.0, 1.0), st.sampled_from([0.1, 0.25, 1.0]))
def test_resolution_rounds_to_the_nearest_step(
    true_C: float, noise_K: float, step_K: float
) -> None:
    shown = loop.seen(state(), true_C, noise_K, step_K)
    assert abs(shown - (true_C + noise_K)) <= step_K / 2.0 + 1e-9
    assert shown / step_K == pytest.approx(round(shown / step_K), abs=1e-6)
    assert loop.seen(state(), true_C, noise_K, 0.0) == true_C + noise_K


def test_sensing_reaches_its_end_value_and_delays_by_whole_steps() -> None:
    """A jump of the core shows first after the delay, then as a lag of a trapezoidal input."""
    constants, board = gains(SENSOR_KEEP=0.8), state(at_C=0.0)
    ring = np.zeros(5)
    shown = []
    for step in range(200):
        board[State.STEPS] = step
        loop._sense(board, ring, constants, 1.0)
        shown.append(float(board[State.SENSOR_C]))
    assert shown[:3] == [0.0, 0.0, 0.0]
    assert shown[3] == pytest.approx(0.2 * 0.5)
    assert shown[4] == pytest.approx(0.8 * 0.1 + 0.2)
    assert shown[-1] == pytest.approx(1.0)
    assert board[State.SENSOR_BEFORE_C] == shown[-2]


# --- heater


@given(st.floats(0.0, 1.0), st.floats(0.05, 1.0))
def test_power_share_is_straight_then_bends_below_the_line(duty: float, bend: float) -> None:
    share = loop.applied(duty, bend)
    if duty <= bend:
        assert share == duty
    else:
        assert bend <= share <= duty
        assert share <= bend + (1.0 - bend) * (1.0 - math.exp(-1.0)) + 1e-12


@given(st.floats(0.2, 0.9))
def test_power_share_is_smooth_and_rising_through_the_bend(bend: float) -> None:
    shares = np.array([loop.applied(duty, bend) for duty in np.linspace(0.0, 1.0, 401)])
    slopes = np.diff(shares) * 400.0
    assert np.all(slopes > 0.0)
    assert np.all(np.diff(slopes) < 1e-9)
    near = 1e-6
    ahead = (loop.applied(bend + near, bend) - bend) / near
    assert ahead == pytest.approx(1.0, rel=1e-4)


@pytest.mark.parametrize(
    ("defect", "share"),
    [(HeaterState.FINE, 0.4), (HeaterState.STUCK_ON, 1.0), (HeaterState.DEAD, 0.0)],
)
def test_heater_defects(defect: HeaterState, share: float) -> None:
    assert loop._heater_share(state(DUTY=0.4, HEATER_STATE=defect), 1.0) == share


def test_a_stuck_heater_gives_what_full_duty_gives() -> None:
    board = state(DUTY=0.0, HEATER_STATE=HeaterState.STUCK_ON)
    assert loop._heater_share(board, 0.7) == loop.applied(1.0, 0.7) < 1.0


# --- regulation


class PlainPid:
    """An independent PID: parallel sum, derivative on a filtered reading, conditional integral."""

    def __init__(self, gain: float, integral_s: float, derivative_s: float, filter_s: float):
        self.gain, self.integral_s, self.derivative_s = gain, integral_s, derivative_s
        self.keep = math.exp(-TICK_s / filter_s)
        self.smooth_C = 200.0
        self.sum = 0.0

    def __call__(self, target_C: float, reading_C: float) -> float:
        smooth_C = reading_C + self.keep * (self.smooth_C - reading_C)
        damping_K = self.derivative_s * (smooth_C - self.smooth_C) / TICK_s
        self.smooth_C = smooth_C
        error_K = target_C - reading_C
        wish = self.gain * (error_K - damping_K) + self.sum
        if 0.0 <= wish <= 1.0 or (wish > 1.0) != (error_K > 0.0):
            self.sum = min(1.0, max(0.0, self.sum + self.gain / self.integral_s * error_K * TICK_s))
        return round(min(1.0, max(0.0, wish)) * 127.0) / 127.0


@given(st.lists(st.floats(150.0, 250.0), min_size=1, max_size=60), st.floats(160.0, 240.0))
def test_regulation_against_an_independent_pid(readings_C: list[float], target_C: float) -> None:
    constants, board = gains(RUNAWAY_s=math.inf), state(TARGET_C=target_C)
    plain = PlainPid(0.05, 4.0, 0.3, 0.2)
    duties = ticks(board, constants, readings_C)
    expected = [plain(target_C, reading_C) for reading_C in readings_C]
    assert duties == pytest.approx(expected, abs=1.01 / 127.0)
    assert board[State.INTEGRAL] == pytest.approx(plain.sum, abs=1e-9)


def test_proportional_and_integral_parts_have_their_units() -> None:
    """2 K below for 1 s: gain x error, and gain x error x time over the integral time."""
    constants = gains(DERIVATIVE_s=0.0, DUTY_STEPS=1e6)
    board = state(TARGET_C=202.0, INTEGRAL=0.2)
    duties = ticks(board, constants, [200.0] * 11)
    assert duties[0] == pytest.approx(0.2 + 0.05 * 2.0, abs=1e-5)
    assert duties[10] - duties[0] == pytest.approx(0.05 * 2.0 * 1.0 / 4.0, abs=1e-5)


def test_derivative_brakes_a_rising_reading() -> None:
    constants = gains(INTEGRAL_s=1e9, FILTER_s=1e-3, DUTY_STEPS=1e6)
    board = state(TARGET_C=210.0, INTEGRAL=0.2)
    (duty,) = ticks(board, constants, [200.5])
    assert duty == pytest.approx(0.2 + 0.05 * (9.5 - 0.3 * 5.0), abs=1e-5)


def test_integral_does_not_wind_up_in_saturation() -> None:
    board = state(TARGET_C=260.0, INTEGRAL=0.3)
    assert ticks(board, gains(RUNAWAY_s=math.inf), [200.0] * 300)[-1] == 1.0
    assert board[State.INTEGRAL] == 0.3
    board = state(TARGET_C=150.0, INTEGRAL=0.3)
    assert ticks(board, gains(RUNAWAY_s=math.inf), [200.0] * 300)[-1] == 0.0
    assert board[State.INTEGRAL] == 0.3


@pytest.mark.parametrize("mode", [Mode.OFF, Mode.FAULTED])
def test_no_duty_when_off_or_locked(mode: Mode) -> None:
    board = state(mode, TARGET_C=250.0, DUTY=0.9, INTEGRAL=0.5)
    assert ticks(board, gains(), [200.0]) == [0.0]
    assert board[State.INTEGRAL] == 0.0
    assert not loop.heating(board)


# --- watches


@pytest.mark.parametrize(
    ("reading_C", "fault"),
    [
        (-10.1, FaultCode.SENSOR),
        (-10.0, FaultCode.NONE),
        (300.0, FaultCode.NONE),
        (300.1, FaultCode.TOO_HOT),
        (400.0, FaultCode.TOO_HOT),
        (400.1, FaultCode.SENSOR),
        (loop.OPEN_C, FaultCode.SENSOR),
        (loop.SHORT_C, FaultCode.SENSOR),
    ],
)
@pytest.mark.parametrize("mode", [Mode.OFF, Mode.APPROACH, Mode.REGULATE, Mode.TRACK])
def test_the_range_is_watched_in_every_mode(reading_C: float, fault: FaultCode, mode: Mode) -> None:
    board = state(mode, TARGET_C=reading_C, READING_C=reading_C)
    assert loop._watch(board, gains(), TICK_s) == fault


def test_a_fault_locks_in_the_same_tick_and_keeps_its_first_cause() -> None:
    board = state(TARGET_C=290.0, DUTY=0.5, INTEGRAL=0.5)
    assert ticks(board, gains(), [301.0]) == [0.0]
    assert fault_of(board) is FaultCode.TOO_HOT
    assert int(board[State.MODE]) == Mode.FAULTED
    assert board[State.TARGET_C] == 0.0
    ticks(board, gains(), [loop.SHORT_C])
    assert fault_of(board) is FaultCode.TOO_HOT


def test_an_approach_that_climbs_is_left_alone() -> None:
    board = state(Mode.APPROACH, at_C=25.0, TARGET_C=250.0, WATCH_C=25.0)
    ticks(board, gains(), np.arange(25.0, 240.0, 0.025).tolist())
    assert fault_of(board) is FaultCode.NONE
    assert int(board[State.MODE]) == Mode.APPROACH


def test_an_approach_that_stalls_faults_after_its_patience() -> None:
    board = state(Mode.APPROACH, at_C=100.0, TARGET_C=250.0, WATCH_C=100.0)
    ticks(board, gains(), [103.9] * 199)
    assert fault_of(board) is FaultCode.NONE
    ticks(board, gains(), [103.9] * 3)
    assert fault_of(board) is FaultCode.NOT_HEATING


def test_an_approach_that_climbs_too_slowly_faults() -> None:
    """3.9 K within the patience is not 4 K."""
    board = state(Mode.APPROACH, at_C=100.0, TARGET_C=250.0, WATCH_C=100.0)
    ticks(board, gains(), np.linspace(100.0, 103.9, 203).tolist())
    assert fault_of(board) is FaultCode.NOT_HEATING


def test_nothing_is_asked_on_the_way_down() -> None:
    board = state(Mode.APPROACH, at_C=240.0, TARGET_C=150.0, WATCH_C=240.0)
    ticks(board, gains(), [239.0] * 1000)
    assert fault_of(board) is FaultCode.NONE


@pytest.mark.parametrize(("reading_C", "mode"), [(197.1, Mode.REGULATE), (196.9, Mode.APPROACH)])
def test_an_approach_ends_near_its_target(reading_C: float, mode: Mode) -> None:
    board = state(Mode.APPROACH, TARGET_C=200.0, RUNAWAY_s=5.0)
    ticks(board, gains(), [reading_C])
    assert int(board[State.MODE]) == mode
    assert board[State.RUNAWAY_s] == (0.0 if mode is Mode.REGULATE else 5.0)


@pytest.mark.parametrize(
    ("away_K", "faults"), [(24.9, False), (-24.9, False), (25.1, True), (-25.1, True)]
)
def test_a_hold_tolerates_its_band_for_ever_and_no_more_for_its_time(
    away_K: float, faults: bool
) -> None:
    board = state(TARGET_C=200.0)
    ticks(board, gains(), [200.0 + away_K] * 199)
    assert fault_of(board) is FaultCode.NONE
    ticks(board, gains(), [200.0 + away_K] * 3)
    assert fault_of(board) is (FaultCode.RUNAWAY if faults else FaultCode.NONE)


def test_one_good_reading_forgives_a_hold() -> None:
    board = state(TARGET_C=200.0)
    ticks(board, gains(), ([230.0] * 150 + [210.0]) * 5)
    assert fault_of(board) is FaultCode.NONE
    assert board[State.RUNAWAY_s] == 0.0


@given(st.floats(0.0, 40.0), st.floats(0.0, 500.0), st.floats(0.0, 0.02), st.booleans())
def test_a_streams_deviation_weighs_more_after_travel(
    away_K: float, travel_K: float, per_K: float, above: bool
) -> None:
    board = state(Mode.TRACK, TRAVEL_K=travel_K, WORST_K=1.0)
    reading_C = 200.0 + (away_K if above else -away_K)
    weighed = abs(200.0 - reading_C) * (1.0 + per_K * travel_K)
    tolerated = loop.watch_track(board, gains(TRAVEL_per_K=per_K), reading_C)
    assert tolerated == (weighed <= 9.0)
    assert board[State.WORST_K] == pytest.approx(max(1.0, weighed))


@pytest.mark.parametrize(
    ("away_K", "since_s", "mode"),
    [
        (2.9, 1.6, Mode.REGULATE),
        (2.9, 1.2, Mode.TRACK),
        (3.1, 100.0, Mode.TRACK),
        (9.1, 100.0, Mode.FAULTED),
    ],
)
def test_a_stream_ends_when_settled_and_old(away_K: float, since_s: float, mode: Mode) -> None:
    board = state(Mode.TRACK, SINCE_CHANGE_s=since_s)
    ticks(board, gains(), [200.0 - away_K])
    assert int(board[State.MODE]) == mode
    assert fault_of(board) is (FaultCode.TRACKING if mode is Mode.FAULTED else FaultCode.NONE)


def test_travel_is_forgotten_exponentially() -> None:
    board = state(TRAVEL_K=100.0)
    ticks(board, gains(), [200.0] * 600)
    assert board[State.TRAVEL_K] == pytest.approx(100.0 / math.e)


def test_time_in_band_starts_again_with_every_excursion() -> None:
    board = state()
    ticks(board, gains(), [200.0] * 10)
    assert board[State.IN_BAND_s] == pytest.approx(1.0)
    ticks(board, gains(), [201.01])
    assert board[State.IN_BAND_s] == 0.0
    ticks(board, gains(), [200.99] * 3)
    assert board[State.IN_BAND_s] == pytest.approx(0.3)
    assert board[State.SINCE_CHANGE_s] == pytest.approx(1.4)


# --- melting


def zone(weights: Sequence[float]) -> FloatArray:
    cells = np.zeros((len(Cell), len(weights)))
    cells[Cell.BORE] = weights
    return cells


def test_melt_limit_is_interpolated_at_the_weighted_mean() -> None:
    limits = np.arange(0.0, 300.0) ** 1.5
    cells = zone([0.25, 0.75, 0.0])
    core = np.array([150.0, 210.2, 999.0])
    mean_C = 0.25 * 150.0 + 0.75 * 210.2
    expected = np.interp(mean_C, LIMIT_START_C + np.arange(300.0), limits)
    assert loop.melt_limit(cells, core, limits) == pytest.approx(expected)


def test_melt_limit_outside_its_table_stays_at_the_ends() -> None:
    limits = np.arange(1.0, 301.0)
    for wall_C, expected in ((-40.0, 1.0), (LIMIT_START_C, 1.0), (5000.0, 300.0)):
        found = loop.melt_limit(zone([1.0]), np.array([wall_C]), limits)
        assert found == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("wanted", "limit", "expected"),
    [(0.0, 10.0, 0.0), (-3.0, 10.0, 0.0), (4.0, 0.0, 0.0), (10.0, 10.0, 9.5 * 0.98)],
)
def test_delivered_flow(wanted: float, limit: float, expected: float) -> None:
    board = state(FLOW_mm3_per_s=wanted)
    constants = gains(ROLLOFF_EXPONENT=5.0, FULL_RATIO=0.98)
    limits = np.full(300, limit)
    flow = loop._melt(zone([1.0]), np.array([200.0]), limits, constants, board)
    assert flow == pytest.approx(expected)
