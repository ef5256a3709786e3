"""Predicted temperatures along a job: fitted heater under a controller, loaded by the flow."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.jobs.limits import ControlFacts, HeaterFacts, Limits
from hotbench.models.heater import heater_model, hold_of
from hotbench.models.heater_steps import P, fan_effect, linear_step, stride, substeps
from hotbench.models.melt import exit_temperature_C

CONTROL_S = 0.25
"""Longest control interval that is simulated."""
_DELAY_SLOTS = 4096
_LEAST_FLOW_MM3_PER_S = 1e-3
_HARD = {
    "heating_K_per_s": 0,
    "fan_loss_per_s": 1,
    "load_per_mm3": 1,
    "sensor_lag_s": 1,
    "dead_time_s": 1,
}
"""Which end of a parameter's interval makes a setpoint harder to hold: 0 the lower, 1 the upper."""


@dataclass(frozen=True)
class Prediction:
    """Temperatures at the trace's times, C, and duty; arrays of shape (m,).

    temperature_C: what the sensor will show; low_C, high_C: its interval. exit_C: mean of the
    melt that leaves, NaN where nothing is extruded or the profile states no melt figures.
    """

    temperature_C: FloatArray
    low_C: FloatArray
    high_C: FloatArray
    duty: FloatArray
    exit_C: FloatArray


def skogestad_gains(heater: HeaterFacts, lag_s: float) -> ControlFacts:
    """PI gains for a loop whose own are not known: SIMC for an integrating process.

    Kc = 1 / (k' (tc + th)), Ti = 4 (tc + th) with tc = th the effective delay and k' the heating
    rate at full duty (Skogestad, J. Process Control 13 (2003) 291).
    """
    model = heater_model(heater.model)
    vector = model.vector(heater.parameters, heater.ambient_C)
    return _pi_gains(vector, 2.0 * max(lag_s, CONTROL_S), 4.0)


def _pi_gains(vector: FloatArray, loop_s: float, integral_loops: float) -> ControlFacts:
    Kc = 1.0 / (float(vector[P.HEATING]) * loop_s)
    return ControlFacts(Kc, Kc / (integral_loops * loop_s), 0.0)


def slower_loops(vector: FloatArray, limits: Limits) -> tuple[ControlFacts, ...]:
    """The slowest loops that the slew claim leaves room for, without swing and with; may be none.

    An integrating process k'/s under PI with Kc = 1/(k' L) is behind a ramp of rate r by
    r t exp(-t/2L) at Ti = 4 L, by 2 L r/e at most; at Ti = L (damping 0.5) by
    r L exp(-pi/(3 sqrt(3))) at most, and swings. L makes that peak the claim's trail_s times r.
    """
    if limits.trail_s <= 0.0:
        return ()
    least_s = 2.0 * max(limits.lag_s, CONTROL_S)
    peaks = ((2.0 / math.e, 4.0), (math.exp(-math.pi / (3.0 * math.sqrt(3.0))), 1.0))
    return tuple(
        _pi_gains(vector, max(limits.trail_s / peak, least_s), loops) for peak, loops in peaks
    )


def _hard(heater: HeaterFacts) -> dict[str, float]:
    """Parameters at those ends of their intervals that make a setpoint harder to hold."""
    worst = {name: heater.ends[name][end] for name, end in _HARD.items() if name in heater.ends}
    return {**heater.parameters, **worst}


def predict(
    limits: Limits,
    bin_s: float,
    set_C: FloatArray,
    flow_mm3_per_s: FloatArray,
    fan: FloatArray,
    start_C: float | None = None,
) -> Prediction | None:
    """The loop's temperatures in equal bins of bin_s; None when the profile states no heater.

    set_C, flow and fan hold over each bin, shape (m,). start_C: settled at that temperature,
    None for cold. The controller is the profile's, else skogestad_gains, with conditional
    integration; the real board's own loop may differ. So the interval spans this loop and
    slower_loops, each with the heater's parameters at the ends of their intervals that make it
    harder, and adds the heater's error on what was kept out of its fit.
    """
    if limits.heater is None:
        return None
    model = heater_model(limits.heater.model)
    vector = model.vector(limits.heater.parameters, limits.heater.ambient_C)
    gains = limits.control or skogestad_gains(limits.heater, limits.lag_s)
    ambient_C = limits.heater.ambient_C
    inputs = (bin_s, np.nan_to_num(set_C) - ambient_C, flow_mm3_per_s, fan)

    def run(p: FloatArray, c: ControlFacts) -> tuple[FloatArray, FloatArray]:
        start = np.zeros(5) if start_C is None else _settled(p, start_C - ambient_C, float(fan[0]))
        return run_loop(p, model.linear, np.array([c.Kp, c.Ki, c.Kd]), *inputs, start)

    rise, duty = run(vector, gains)
    low, high = rise.copy(), rise.copy()
    hard = model.vector(_hard(limits.heater), ambient_C)
    for loop in (gains, *slower_loops(vector, limits)):
        other, _ = run(hard, loop)
        np.minimum(low, other, out=low)
        np.maximum(high, other, out=high)
    temperature_C, error_K = ambient_C + rise, limits.heater.error_K
    return Prediction(
        temperature_C=temperature_C,
        low_C=ambient_C + low - error_K,
        high_C=ambient_C + high + error_K,
        duty=duty,
        exit_C=_exit_C(limits, temperature_C, flow_mm3_per_s),
    )


def _settled(vector: FloatArray, rise_K: float, fan: float) -> FloatArray:
    """Rises of the nodes, and the controller's integral, in a steady hold."""
    hold = hold_of(vector, rise_K, fan)
    return np.array([rise_K, hold.far_K, rise_K, hold.shell_K, hold.duty])


def _exit_C(limits: Limits, wall_C: FloatArray, flow: FloatArray) -> FloatArray:
    flowing = flow > _LEAST_FLOW_MM3_PER_S
    if limits.melt is None or limits.heater is None:
        return np.full(flow.size, math.nan)
    exit_C = exit_temperature_C(
        wall_C,
        np.where(flowing, flow, 1.0),
        limits.melt.alpha_L_mm3_per_s,
        feed_C=limits.heater.ambient_C,
    )
    return np.where(flowing, exit_C, math.nan)


@njit(cache=True)
def _duty(gains: FloatArray, error_K: float, rate_K_per_s: float, state: FloatArray) -> float:
    """Duty within 0 to 1; the integral in state[0] stands still while the duty is at an end."""
    wanted = gains[0] * error_K + state[0] - gains[2] * rate_K_per_s
    held = (wanted > 1.0 and error_K > 0.0) or (wanted < 0.0 and error_K < 0.0)
    if not held:
        state[0] += gains[1] * error_K * state[1]
    return float(min(max(wanted, 0.0), 1.0))


@njit(cache=True)
def run_loop(
    vector: FloatArray,
    linear: bool,
    gains: FloatArray,
    bin_s: float,
    set_K: FloatArray,
    flow: FloatArray,
    fan: FloatArray,
    start: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Delayed sensor rise over ambient at every bin's end, K, and mean duty; shapes (m,).

    gains: Kp, Ki, Kd, the derivative on the measurement. start: rises of
    near node, far node, sensor and shell, K, and the controller's integral.
    """
    count = max(1, math.ceil(bin_s / CONTROL_S))
    h = bin_s / count
    parts = substeps(vector, h)
    late = min(round(vector[P.DEAD] / h), _DELAY_SLOTS - 1)
    line = np.full(late + 1, start[2])
    node = start[:4].copy()
    memory = np.array([start[4], h])
    rise, duty = np.empty(set_K.size), np.zeros(set_K.size)
    place, before = 0, start[2]
    for i in range(set_K.size):
        phi = fan_effect(fan[i], vector[P.EXPONENT])
        for _ in range(count):
            seen = line[place]
            u = _duty(gains, set_K[i] - seen, (seen - before) / h, memory)
            before = seen
            if linear:
                node[0], node[2] = linear_step(vector, node[0], node[2], h, u, phi, flow[i])
            else:
                for _ in range(parts):
                    stride(vector, node, h / parts, u, phi, flow[i])
            line[place] = node[2]
            place = (place + 1) % (late + 1)
            duty[i] += u / count
        rise[i] = line[place]
    return rise, duty
