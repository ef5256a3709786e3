"""The control board's inner loop: sensor, PID, watches and melting, compiled with the physics."""

from enum import IntEnum

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.sim.melting import delivered_ratio
from hotbench.sim.physics import Cell, Field, step
from hotbench.sim.plant import LIMIT_START_C, LIMIT_STEP_K


class Mode(IntEnum):
    """What the board is doing with the heater."""

    OFF = 0
    APPROACH = 1  # one change of setpoint, on the way there
    REGULATE = 2
    TRACK = 3  # following a stream of setpoints; the tracking watch is armed
    FAULTED = 4


class FaultCode(IntEnum):
    """Why the board has locked the heater."""

    NONE = 0
    TRACKING = 1
    JUMP = 2
    TOO_HOT = 3
    NOT_HEATING = 4
    RUNAWAY = 5
    SENSOR = 6
    STOPPED = 7


class SensorState(IntEnum):
    """What is wrong with the temperature sensor."""

    FINE = 0
    OPEN = 1
    SHORT = 2
    FROZEN = 3
    SHIFTED = 4


class HeaterState(IntEnum):
    """What is wrong with the heater."""

    FINE = 0
    STUCK_ON = 1
    DEAD = 2


class Gain(IntEnum):
    """Entries of the `gains` array: constants of the loop."""

    HEATER_W = 0
    STEP_s = 1
    STEPS_PER_TICK = 2
    SENSOR_CELL = 3
    SENSOR_KEEP = 4  # share of the sensor's old value kept per step
    DELAY_STEPS = 5
    QUANTISATION_K = 6
    GAIN_per_K = 7
    INTEGRAL_s = 8
    DERIVATIVE_s = 9
    FILTER_s = 10
    DUTY_STEPS = 11
    BEND_FROM = 12
    MAX_C = 13
    HEATING_WATCH_K = 14
    HEATING_WATCH_s = 15
    RUNAWAY_K = 16
    RUNAWAY_s = 17
    STREAM_GAP_s = 18
    TRAVEL_per_K = 19
    TRAVEL_MEMORY_s = 20
    ROLLOFF = 21
    ROLLOFF_EXPONENT = 22
    FULL_RATIO = 23


class State(IntEnum):
    """Entries of the `state` array."""

    STEPS = 0  # physics steps done
    SENSOR_C = 1
    SENSOR_BEFORE_C = 2
    DELAYED_C = 3
    INTEGRAL = 4
    FILTERED_C = 5
    DUTY = 6
    TARGET_C = 7
    MODE = 8
    FAULT = 9
    SINCE_CHANGE_s = 10
    LIMIT_K = 11  # deviation tolerated in this stream
    TRAVEL_K = 12
    WATCH_C = 13
    WATCH_s = 14
    RUNAWAY_s = 15
    IN_BAND_s = 16
    FLOW_mm3_per_s = 17
    FAN = 18
    DELIVERED_mm3 = 19
    SENSOR_STATE = 20
    HEATER_STATE = 21
    SENSOR_VALUE_C = 22  # what a frozen sensor shows, or by how much it is shifted
    READING_C = 23
    WORST_K = 24  # greatest deviation the tracking watch has weighed


class Trace(IntEnum):
    """Columns of the `trace` array, one row per physics step."""

    SENSOR_C = 0
    DUTY = 1
    CORE_C = 2
    DELIVERED_mm3 = 3


SETTLED_K = 3.0
BAND_K = 1.0
OPEN_C, SHORT_C = -40.0, 450.0
PLAUSIBLE_C = (-10.0, 400.0)


@njit(cache=True)
def seen(state: FloatArray, true_C: float, noise_K: float, quantum_K: float) -> float:
    """The reading of a sensor at `true_C`, with its noise, its resolution and its defect."""
    defect = int(state[State.SENSOR_STATE])
    if defect == SensorState.OPEN:
        return OPEN_C
    if defect == SensorState.SHORT:
        return SHORT_C
    if defect == SensorState.FROZEN:
        return float(state[State.SENSOR_VALUE_C])
    if defect == SensorState.SHIFTED:
        true_C += state[State.SENSOR_VALUE_C]
    raw = true_C + noise_K
    return np.round(raw / quantum_K) * quantum_K if quantum_K > 0.0 else raw


@njit(cache=True)
def faulted(state: FloatArray) -> bool:
    """Whether the board has locked the heater."""
    return int(state[State.MODE]) == Mode.FAULTED


@njit(cache=True)
def heating(state: FloatArray) -> bool:
    """Whether the loop runs the heater."""
    return int(state[State.MODE]) != Mode.OFF and not faulted(state)


@njit(cache=True)
def applied(duty: float, bend_from: float) -> float:
    """Power share at a duty: straight up to `bend_from`, then bending towards saturation."""
    if duty <= bend_from:
        return duty
    room = 1.0 - bend_from
    return float(bend_from + room * (1.0 - np.exp((bend_from - duty) / room)))


@njit(cache=True)
def _heater_share(state: FloatArray, bend_from: float) -> float:
    defect = int(state[State.HEATER_STATE])
    if defect == HeaterState.STUCK_ON:
        return float(applied(1.0, bend_from))
    if defect == HeaterState.DEAD:
        return 0.0
    return float(applied(state[State.DUTY], bend_from))


@njit(cache=True)
def _sense(state: FloatArray, ring: FloatArray, gains: FloatArray, core_C: float) -> None:
    """Transport delay (linear between the ring's entries), then a first-order lag."""
    place = int(state[State.STEPS]) % ring.size
    ring[place] = core_C
    whole = int(gains[Gain.DELAY_STEPS])
    part = gains[Gain.DELAY_STEPS] - whole
    newer, older = ring[(place - whole) % ring.size], ring[(place - whole - 1) % ring.size]
    delayed = newer + part * (older - newer)
    keep = gains[Gain.SENSOR_KEEP]
    state[State.SENSOR_BEFORE_C] = state[State.SENSOR_C]
    middle = 0.5 * (delayed + state[State.DELAYED_C])
    state[State.SENSOR_C] = keep * state[State.SENSOR_C] + (1.0 - keep) * middle
    state[State.DELAYED_C] = delayed


@njit(cache=True)
def melt_limit(cells: FloatArray, core: FloatArray, limits: FloatArray) -> float:
    """Flow limit at the melt zone's present mean temperature, mm3/s."""
    wall = 0.0
    for i in range(core.size):
        wall += cells[Cell.BORE, i] * core[i]
    place = min(max((wall - LIMIT_START_C) / LIMIT_STEP_K, 0.0), limits.size - 1.001)
    low = int(place)
    return float(limits[low] + (place - low) * (limits[low + 1] - limits[low]))


@njit(cache=True)
def _melt(
    cells: FloatArray, core: FloatArray, limits: FloatArray, gains: FloatArray, state: FloatArray
) -> float:
    """Flow that leaves the nozzle now, mm3/s."""
    wanted = state[State.FLOW_mm3_per_s]
    if wanted <= 0.0:
        return 0.0
    limit = melt_limit(cells, core, limits)
    load = wanted / limit if limit > 0.0 else np.inf
    shape, exponent = int(gains[Gain.ROLLOFF]), gains[Gain.ROLLOFF_EXPONENT]
    return float(wanted * delivered_ratio(load, shape, exponent, gains[Gain.FULL_RATIO]))


@njit(cache=True)
def _regulate(state: FloatArray, gains: FloatArray, tick_s: float) -> None:
    """One PID step: derivative on the filtered reading, integration only out of saturation."""
    before = state[State.FILTERED_C]
    keep = np.exp(-tick_s / gains[Gain.FILTER_s])
    now = keep * before + (1.0 - keep) * state[State.READING_C]
    state[State.FILTERED_C] = now
    if not heating(state):
        state[State.DUTY] = state[State.INTEGRAL] = 0.0
        return
    gain = gains[Gain.GAIN_per_K]
    error = state[State.TARGET_C] - state[State.READING_C]
    slope = (now - before) / tick_s
    raw = gain * (error - gains[Gain.DERIVATIVE_s] * slope) + state[State.INTEGRAL]
    pushing = (raw > 1.0 and error > 0.0) or (raw < 0.0 and error < 0.0)
    if not pushing:
        grown = state[State.INTEGRAL] + gain * error * tick_s / gains[Gain.INTEGRAL_s]
        state[State.INTEGRAL] = min(max(grown, 0.0), 1.0)
    levels = gains[Gain.DUTY_STEPS]
    state[State.DUTY] = np.round(min(max(raw, 0.0), 1.0) * levels) / levels


@njit(cache=True)
def _watch_range(state: FloatArray, gains: FloatArray) -> int:
    reading = state[State.READING_C]
    if reading < PLAUSIBLE_C[0] or reading > PLAUSIBLE_C[1]:
        return FaultCode.SENSOR.value
    if reading > gains[Gain.MAX_C]:
        return FaultCode.TOO_HOT.value
    return FaultCode.NONE.value


@njit(cache=True)
def _watch_approach(state: FloatArray, gains: FloatArray, tick_s: float) -> int:
    """On the way up the reading must climb; on the way down nothing is asked."""
    reading = state[State.READING_C]
    if abs(state[State.TARGET_C] - reading) < SETTLED_K:
        state[State.MODE] = Mode.REGULATE.value
        state[State.RUNAWAY_s] = 0.0
        return FaultCode.NONE.value
    state[State.WATCH_s] += tick_s
    if (
        reading > state[State.TARGET_C]
        or reading > state[State.WATCH_C] + gains[Gain.HEATING_WATCH_K]
    ):
        state[State.WATCH_C], state[State.WATCH_s] = reading, 0.0
    late = state[State.WATCH_s] > gains[Gain.HEATING_WATCH_s]
    return FaultCode.NOT_HEATING.value if late else FaultCode.NONE.value


@njit(cache=True)
def watch_track(state: FloatArray, gains: FloatArray, reading_C: float) -> bool:
    """Whether a stream's deviation is tolerated; it weighs more after much recent travel."""
    deviation = abs(state[State.TARGET_C] - reading_C)
    weighed = deviation * (1.0 + gains[Gain.TRAVEL_per_K] * state[State.TRAVEL_K])
    state[State.WORST_K] = max(state[State.WORST_K], weighed)
    return bool(weighed <= state[State.LIMIT_K])


@njit(cache=True)
def _watch_stream(state: FloatArray, gains: FloatArray) -> int:
    if not watch_track(state, gains, state[State.READING_C]):
        return FaultCode.TRACKING.value
    deviation = abs(state[State.TARGET_C] - state[State.READING_C])
    if deviation < SETTLED_K and state[State.SINCE_CHANGE_s] > gains[Gain.STREAM_GAP_s]:
        state[State.MODE] = Mode.REGULATE.value
        state[State.RUNAWAY_s] = 0.0
    return FaultCode.NONE.value


@njit(cache=True)
def _watch_hold(state: FloatArray, gains: FloatArray, tick_s: float) -> int:
    deviation = abs(state[State.TARGET_C] - state[State.READING_C])
    away = deviation > gains[Gain.RUNAWAY_K]
    state[State.RUNAWAY_s] = state[State.RUNAWAY_s] + tick_s if away else 0.0
    lost = state[State.RUNAWAY_s] > gains[Gain.RUNAWAY_s]
    return FaultCode.RUNAWAY.value if lost else FaultCode.NONE.value


@njit(cache=True)
def _watch(state: FloatArray, gains: FloatArray, tick_s: float) -> int:
    fault = _watch_range(state, gains)
    mode = int(state[State.MODE])
    if fault != FaultCode.NONE:
        return fault
    if mode == Mode.APPROACH:
        return _watch_approach(state, gains, tick_s)
    if mode == Mode.TRACK:
        return int(_watch_stream(state, gains))
    if mode == Mode.REGULATE:
        return _watch_hold(state, gains, tick_s)
    return FaultCode.NONE.value


@njit(cache=True)
def _tick(state: FloatArray, gains: FloatArray, noise_K: float, tick_s: float) -> None:
    """Read, watch and regulate once."""
    state[State.READING_C] = seen(state, state[State.SENSOR_C], noise_K, gains[Gain.QUANTISATION_K])
    state[State.SINCE_CHANGE_s] += tick_s
    state[State.TRAVEL_K] *= np.exp(-tick_s / gains[Gain.TRAVEL_MEMORY_s])
    near = abs(state[State.TARGET_C] - state[State.READING_C]) < BAND_K
    state[State.IN_BAND_s] = state[State.IN_BAND_s] + tick_s if near else 0.0
    if not faulted(state):
        fault = _watch(state, gains, tick_s)
        if fault != FaultCode.NONE:
            state[State.FAULT], state[State.MODE] = fault, Mode.FAULTED.value
            state[State.TARGET_C] = 0.0
    _regulate(state, gains, tick_s)


@njit(cache=True)
def advance(
    steps: int,
    cells: FloatArray,
    fields: FloatArray,
    work: FloatArray,
    env: FloatArray,
    gains: FloatArray,
    state: FloatArray,
    ring: FloatArray,
    limits: FloatArray,
    noise: FloatArray,
    trace: FloatArray,
) -> int:
    """Run `steps` physics steps, fewer when the board faults; returns how many were run.

    noise: K, one value per control tick, used in a circle. trace: one row per step, or no rows.
    """
    core = fields[Field.CORE]
    step_s, per_tick = gains[Gain.STEP_s], int(gains[Gain.STEPS_PER_TICK])
    sensor = int(gains[Gain.SENSOR_CELL])
    for done in range(steps):
        share = _heater_share(state, gains[Gain.BEND_FROM])
        flow = _melt(cells, core, limits, gains, state)
        heater_W = gains[Gain.HEATER_W] * share
        step(cells, fields, work, 1.0 / step_s, 0.5, heater_W, state[State.FAN], flow, env)
        state[State.DELIVERED_mm3] += flow * step_s
        state[State.STEPS] += 1
        _sense(state, ring, gains, core[sensor])
        count = int(state[State.STEPS])
        if trace.shape[0] > done:
            trace[done, Trace.SENSOR_C] = state[State.SENSOR_C]
            trace[done, Trace.DUTY] = state[State.DUTY]
            trace[done, Trace.CORE_C] = core[sensor]
            trace[done, Trace.DELIVERED_mm3] = state[State.DELIVERED_mm3]
        if count % per_tick == 0:
            healthy = not faulted(state)
            tick = count // per_tick
            _tick(state, gains, noise[tick % noise.size], step_s * per_tick)
            if healthy and faulted(state):
                return done + 1
    return steps
