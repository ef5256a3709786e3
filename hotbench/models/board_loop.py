"""The board's own loop around the heater model: what a change of the setpoint makes of it."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.models.heater import hold_of, hold_state
from hotbench.models.heater_steps import P, advance

TICK_s = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLoop:
    """Ideal PID: u = Kc (e + 1/Ti ∫e dt - Td dT/dt), held to 0..1, no integration in saturation.

    gain_per_K: Kc as a fraction of full duty; integral_time_s and derivative_time_s: Ti and Td;
    filter_s: of the derivative. An infinite Ti leaves the integral as it stood.
    """

    gain_per_K: float
    integral_time_s: float
    derivative_time_s: float = 0.0
    filter_s: float = TICK_s

    def __post_init__(self) -> None:
        if not (self.gain_per_K > 0.0 and self.integral_time_s > 0.0):
            raise BadInput("a controller needs a positive gain and integral time", value=self)
        if not (self.derivative_time_s >= 0.0 and self.filter_s > 0.0):
            raise BadInput("derivative time and filter must not be negative", value=self)

    @property
    def gains(self) -> FloatArray:
        """What the kernels take."""
        return np.array(
            [self.gain_per_K, self.integral_time_s, self.derivative_time_s, self.filter_s]
        )


@njit(cache=True, error_model="numpy")
def _integrated(before: float, raw: float, error: float) -> float:
    """How much of a tick is integrated: none of it while the duty is pushed beyond its end.

    A board decides by tick; here the tick in which the raw duty passes its end counts in part, on
    average as the board's, or what is predicted would jump as the parameters move. before: the
    raw duty one tick earlier, for the present setpoint.
    """
    was, now = (before - 1.0, raw - 1.0) if error > 0.0 else (-before, -raw)
    if now > 0.0:
        return 0.0 if was > 0.0 else 0.5 - now / (now - was)
    return 1.0 if was <= 0.0 else 0.5 + now / (now - was)


@njit(cache=True, error_model="numpy")
def _duty(loop: FloatArray, gains: FloatArray, target: float, reading: float, tick: float) -> float:
    """One step of the controller; `loop`: integral, filtered reading, raw duty, target."""
    gain, integral_s, derivative_s, filter_s = gains
    keep = np.exp(-tick / filter_s)
    filtered = keep * loop[1] + (1.0 - keep) * reading
    slope = (filtered - loop[1]) / tick
    error = target - reading
    raw = gain * (error - derivative_s * slope) + loop[0]
    open_s = tick * _integrated(loop[2] + gain * (target - loop[3]), raw, error)
    loop[0] = min(max(loop[0] + gain * error * open_s / integral_s, 0.0), 1.0)
    loop[1], loop[2], loop[3] = filtered, raw, target
    duty: float = min(max(raw, 0.0), 1.0)
    return duty


@njit(cache=True, error_model="numpy")
def _replay(
    gains: FloatArray, time_s: FloatArray, target: FloatArray, reading: FloatArray, integral: float
) -> FloatArray:
    loop = np.array([integral, reading[0], integral, target[0]])
    duty = np.empty(time_s.size)
    duty[0] = integral
    for k in range(1, time_s.size):
        tick = max(time_s[k] - time_s[k - 1], 1e-3)
        duty[k] = _duty(loop, gains, target[k], reading[k], tick)
    return duty


@njit(cache=True, error_model="numpy")
def _run(
    p: FloatArray, state: FloatArray, fan: float, gains: FloatArray, duty: float, target: FloatArray
) -> FloatArray:
    """Logged rise at the end of each tick; `state` and the duty are those of the steady hold."""
    delay = p[P.DEAD] / TICK_s
    whole, part = int(delay), delay - int(delay)
    ring = np.full(whole + 2, state[2])
    loop = np.array([duty, state[2], duty, state[2]])
    logged = np.empty(target.size)
    for k in range(target.size):
        advance(p, state, TICK_s, duty, fan, 0.0)
        ring[k % ring.size] = state[2]
        newer, older = ring[(k - whole) % ring.size], ring[(k - whole - 1) % ring.size]
        logged[k] = newer + part * (older - newer)
        duty = _duty(loop, gains, target[k], logged[k], TICK_s)
    return logged


@njit(cache=True, error_model="numpy")
def filtered_slope(time_s: FloatArray, reading: FloatArray, filter_s: float) -> FloatArray:
    """What the derivative term multiplies, K/s: slope of the readings behind its filter."""
    slope = np.zeros(reading.size)
    filtered = reading[0]
    for k in range(1, reading.size):
        step_s = max(time_s[k] - time_s[k - 1], 1e-3)
        moved = (1.0 - np.exp(-step_s / filter_s)) * (reading[k] - filtered)
        slope[k] = moved / step_s
        filtered += moved
    return slope


def replayed_duty(
    board: BoardLoop,
    time_s: FloatArray,
    setpoint_C: FloatArray,
    temperature_C: FloatArray,
    held_duty: float,
) -> FloatArray:
    """Duty that the controller answers with to logged readings, from a hold at held_duty on."""
    duty: FloatArray = _replay(board.gains, time_s, setpoint_C, temperature_C, held_duty)
    return duty


def controlled_C(
    vector: FloatArray, board: BoardLoop, from_C: float, setpoint_C: FloatArray, fan: float = 0.0
) -> FloatArray:
    """Logged temperature at the end of each tick of TICK_s, from the steady hold at from_C.

    setpoint_C: one per tick. The controller reads what the log shows, dead time included.
    """
    ambient_C, state = vector[P.AMBIENT], hold_state(vector, from_C, fan)
    rises = state.temperatures_C - ambient_C
    duty = min(max(hold_of(vector, from_C - ambient_C, fan).duty, 0.0), 1.0)
    rises_C = _run(vector, rises, fan, board.gains, duty, setpoint_C - ambient_C)
    logged: FloatArray = rises_C + ambient_C
    return logged
