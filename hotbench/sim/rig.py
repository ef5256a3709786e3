"""A simulated hot end with its control loop, without a wire: commanded by method calls."""

import math

import numpy as np
from scipy.optimize import brentq

from hotbench.core.arrays import FloatArray
from hotbench.sim.loop import (
    FaultCode,
    Gain,
    HeaterState,
    Mode,
    SensorState,
    State,
    Trace,
    advance,
    applied,
    melt_limit,
    seen,
    watch_track,
)
from hotbench.sim.melting import Rolloff
from hotbench.sim.physics import Field, settle, step_for, uniform_fields, workspace
from hotbench.sim.plant import cells_of, env_of, flow_limits_of
from hotbench.sim.printers import PrinterSpec

NOISE_TAPE = 1 << 16
LONG_AGO_s = 1e9
NO_TRACE = np.zeros((0, len(Trace)))


def _gains_of(spec: PrinterSpec, step_s: float) -> FloatArray:
    gains = np.zeros(len(Gain))
    gains[Gain.HEATER_W] = spec.heater_W
    gains[Gain.STEP_s] = step_s
    gains[Gain.STEPS_PER_TICK] = round(spec.control_period_s / step_s)
    gains[Gain.SENSOR_CELL] = min(int(spec.sensor_at * spec.cell_count), spec.cell_count - 1)
    gains[Gain.SENSOR_KEEP] = math.exp(-step_s / spec.sensor_lag_s)
    gains[Gain.DELAY_STEPS] = spec.sensor_delay_s / step_s
    gains[Gain.QUANTISATION_K] = spec.quantisation_K
    gains[Gain.GAIN_per_K] = spec.gain_per_K
    gains[Gain.INTEGRAL_s] = spec.integral_time_s
    gains[Gain.DERIVATIVE_s] = spec.derivative_time_s
    gains[Gain.FILTER_s] = spec.derivative_filter_s
    gains[Gain.DUTY_STEPS] = spec.duty_steps
    gains[Gain.BEND_FROM] = spec.duty_bend_from
    gains[Gain.MAX_C] = spec.max_temperature_C
    gains[Gain.HEATING_WATCH_K] = spec.heating_watch_K
    gains[Gain.HEATING_WATCH_s] = spec.heating_watch_s
    gains[Gain.RUNAWAY_K] = spec.runaway_K
    gains[Gain.RUNAWAY_s] = spec.runaway_s
    gains[Gain.STREAM_GAP_s] = spec.stream_gap_s
    gains[Gain.TRAVEL_per_K] = spec.fault_travel_per_K
    gains[Gain.TRAVEL_MEMORY_s] = spec.travel_memory_s
    gains[Gain.ROLLOFF] = Rolloff[spec.rolloff.upper()]
    gains[Gain.ROLLOFF_EXPONENT] = spec.rolloff_exponent
    gains[Gain.FULL_RATIO] = spec.full_ratio
    return gains


class Rig:
    """Hot end and control loop. Time passes only in `run`; everything starts at ambient.

    noise: False gives noise-free readings of unlimited resolution and fault limits without
    spread, for the true figures.
    """

    def __init__(self, spec: PrinterSpec, seed: int = 0, *, noise: bool = True) -> None:
        self.spec = spec
        self._random = np.random.default_rng([seed, 1])
        self.cells = cells_of(spec)
        self.env = env_of(spec)
        self.step_s = step_for(self.cells, spec.control_period_s)
        self.gains = _gains_of(spec, self.step_s)
        self._limits = flow_limits_of(spec)
        self._work = workspace(spec.cell_count)
        self._noisy = noise
        if not noise:
            self.gains[Gain.QUANTISATION_K] = 0.0
        deviation_K = spec.noise_K if noise else 0.0
        self._tape = deviation_K * self._random.standard_normal(NOISE_TAPE if noise else 1)
        self.state = np.zeros(len(State))
        self._ring = np.zeros(int(self.gains[Gain.DELAY_STEPS]) + 2)
        self.fields = uniform_fields(spec.cell_count, spec.ambient_C)
        self.state[State.SINCE_CHANGE_s] = LONG_AGO_s
        self._left_hold = False
        self._forget_past()

    def _forget_past(self) -> None:
        """Let sensor and delay line hold the sensor cell's present temperature."""
        here_C = self.fields[Field.CORE, int(self.gains[Gain.SENSOR_CELL])]
        self._ring[:] = here_C
        for entry in (
            State.SENSOR_C,
            State.SENSOR_BEFORE_C,
            State.DELAYED_C,
            State.FILTERED_C,
            State.READING_C,
        ):
            self.state[entry] = here_C

    @property
    def now_s(self) -> float:
        """End of the last step that was run."""
        return float(self.state[State.STEPS] * self.step_s)

    @property
    def duty(self) -> float:
        """Duty the loop commands, 0 to 1."""
        return float(self.state[State.DUTY])

    @property
    def target_C(self) -> float:
        """The setpoint, 0 when off."""
        return float(self.state[State.TARGET_C])

    @property
    def mode(self) -> Mode:
        """What the board is doing with the heater."""
        return Mode(int(self.state[State.MODE]))

    @property
    def fault(self) -> FaultCode:
        """Why the heater is locked."""
        return FaultCode(int(self.state[State.FAULT]))

    @property
    def delivered_mm3(self) -> float:
        """Volume delivered since the start, without weighing noise."""
        return float(self.state[State.DELIVERED_mm3])

    def run_to(self, time_s: float) -> bool:
        """Advance to the last whole step before `time_s`; False when a fault ended it early."""
        steps = math.floor(time_s / self.step_s + 1e-9) - int(self.state[State.STEPS])
        return steps <= 0 or self._advance(steps, NO_TRACE) == steps

    def run(self, duration_s: float) -> FloatArray:
        """Advance and return the trace, one row per step (columns as `loop.Trace`)."""
        steps = round(duration_s / self.step_s)
        trace = np.zeros((steps, len(Trace)))
        return trace[: self._advance(steps, trace)]

    def _advance(self, steps: int, trace: FloatArray) -> int:
        return int(
            advance(
                steps,
                self.cells,
                self.fields,
                self._work,
                self.env,
                self.gains,
                self.state,
                self._ring,
                self._limits,
                self._tape,
                trace,
            )
        )

    def sensor_C(self, time_s: float) -> float:
        """The noise-free sensor value at `time_s`, within the step after the last one run."""
        state = self.state
        ahead = min(max((time_s - self.now_s) / self.step_s, 0.0), 1.0)
        slope = state[State.SENSOR_C] - state[State.SENSOR_BEFORE_C]
        return float(state[State.SENSOR_C] + ahead * slope)

    def reading_C(self, time_s: float) -> float:
        """A fresh reading at `time_s`, with its own noise and the sensor's resolution."""
        noise_K = self.spec.noise_K * self._random.standard_normal() if self._noisy else 0.0
        quantum_K = float(self.gains[Gain.QUANTISATION_K])
        return float(seen(self.state, self.sensor_C(time_s), noise_K, quantum_K))

    def set_target(self, target_C: float) -> None:
        """Change the setpoint; 0 or less switches off. A faulted board keeps the heater off."""
        if self.mode is Mode.FAULTED:
            return
        if target_C <= 0.0:
            self.state[State.TARGET_C], self.state[State.MODE] = 0.0, Mode.OFF
        elif self.mode is Mode.OFF or target_C != self.target_C:
            self._change_target(target_C)

    def _change_target(self, target_C: float) -> None:
        """Tell a stream of setpoints from a lone change.

        Changes that follow each other within the stream gap, begun at temperature, are a stream
        and arm the tracking watch. A lone change is an approach and may take its time; begun at
        temperature it must not exceed the jump limit.
        """
        state, jump_K = self.state, abs(target_C - self.target_C)
        at_temperature = self.mode in (Mode.REGULATE, Mode.TRACK)
        held = at_temperature or (self.mode is Mode.APPROACH and self._left_hold)
        streaming = held and state[State.SINCE_CHANGE_s] <= self.spec.stream_gap_s
        if streaming and self.mode is not Mode.TRACK:
            state[State.LIMIT_K] = self.spec.fault_deviation_K * self._spread()
        state[State.TRAVEL_K] += jump_K if held else 0.0
        self._left_hold = held
        state[State.TARGET_C] = target_C
        state[State.MODE] = Mode.TRACK if streaming else Mode.APPROACH
        state[State.SINCE_CHANGE_s] = state[State.IN_BAND_s] = 0.0
        state[State.WATCH_C], state[State.WATCH_s] = state[State.READING_C], 0.0
        lone = at_temperature and not streaming
        if lone and jump_K > self.spec.jump_limit_K * self._spread():
            self.lock(FaultCode.JUMP)
        if streaming and not watch_track(state, self.gains, self.reading_C(self.now_s)):
            self.lock(FaultCode.TRACKING)

    def _spread(self) -> float:
        """This event's factor on a fault limit, lognormal."""
        if not self._noisy:
            return 1.0
        return math.exp(self.spec.fault_spread * self._random.standard_normal())

    def lock(self, fault: FaultCode) -> None:
        """Fault the board: heater off until `unlock`."""
        self.state[State.FAULT], self.state[State.MODE] = fault, Mode.FAULTED
        self.state[State.TARGET_C] = self.state[State.DUTY] = self.state[State.INTEGRAL] = 0.0

    def unlock(self) -> None:
        """Leave the fault; the heater stays off until commanded."""
        self.state[State.FAULT], self.state[State.MODE] = FaultCode.NONE, Mode.OFF
        self.state[State.TARGET_C] = 0.0

    def set_fan(self, fraction: float) -> None:
        """Set the part fan, 0 to 1; its cooling grows with the spec's exponent."""
        self.state[State.FAN] = min(max(fraction, 0.0), 1.0) ** self.spec.fan_exponent

    def set_flow(self, flow_mm3_per_s: float) -> None:
        """Set the commanded flow; a retraction counts as none."""
        self.state[State.FLOW_mm3_per_s] = max(flow_mm3_per_s, 0.0)

    def break_sensor(self, how: SensorState, value_C: float = 0.0) -> None:
        """Give the sensor a defect; `value_C` is the shift, or what a frozen one shows."""
        frozen = how is SensorState.FROZEN
        self.state[State.SENSOR_VALUE_C] = self.state[State.READING_C] if frozen else value_C
        self.state[State.SENSOR_STATE] = how

    def break_heater(self, how: HeaterState) -> None:
        """Give the heater a defect."""
        self.state[State.HEATER_STATE] = how

    def settle_at(self, temperature_C: float, delivered_mm3_per_s: float = 0.0) -> float:
        """Put the rig, regulating, into the steady state at `temperature_C`; returns the duty.

        The fan is as set before; the filament's heat load is that of the delivered flow, and no
        flow is commanded afterwards. Raises ValueError when full duty does not reach it.
        """
        sensor = int(self.gains[Gain.SENSOR_CELL])

        def excess_K(duty: float) -> float:
            self._settle_with(duty, delivered_mm3_per_s)
            return float(self.fields[Field.CORE, sensor] - temperature_C)

        if excess_K(1.0) < 0.0:
            raise ValueError(f"full duty does not hold {temperature_C} C")
        duty = float(brentq(excess_K, 0.0, 1.0, xtol=1e-10))
        excess_K(duty)
        self._forget_past()
        self.state[State.TARGET_C], self.state[State.MODE] = temperature_C, Mode.REGULATE
        self.state[State.DUTY] = self.state[State.INTEGRAL] = duty
        self.state[State.SINCE_CHANGE_s] = LONG_AGO_s
        return duty

    def _settle_with(self, duty: float, delivered_mm3_per_s: float) -> None:
        share = applied(duty, float(self.gains[Gain.BEND_FROM]))
        heater_W = self.spec.heater_W * share
        fan = float(self.state[State.FAN])
        settle(self.cells, self.fields, self.env, heater_W, fan, delivered_mm3_per_s)

    def melt_limit_mm3_per_s(self) -> float:
        """Flow limit at the melt zone's present mean temperature."""
        return float(melt_limit(self.cells, self.fields[Field.CORE], self._limits))
