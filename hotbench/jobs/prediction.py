"""Predicted temperatures along a job: fitted heater under a controller, loaded by the flow."""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.jobs.limits import ControlFacts, HeaterFacts, Limits
from hotbench.models.heater import HEATER_MODELS, heater_model
from hotbench.models.heater_steps import P, advance, fan_effect, linear_step
from hotbench.models.melt import exit_temperature_C

CONTROL_S = 0.25
"""Longest control interval that is simulated."""
_DELAY_SLOTS = 4096
_LEAST_FLOW_MM3_PER_S = 1e-3


@dataclass(frozen=True)
class Prediction:
    """Temperatures at the trace's times, C, and duty; arrays of shape (m,).

    temperature_C: what the sensor will show. exit_C: mean of the melt that leaves, NaN where
    nothing is extruded or the profile states no melt figures.
    """

    temperature_C: FloatArray
    duty: FloatArray
    exit_C: FloatArray


def skogestad_gains(heater: HeaterFacts, lag_s: float) -> ControlFacts:
    """PI gains for a loop whose own are not known: SIMC for an integrating process.

    Kc = 1 / (k' (tc + th)), Ti = 4 (tc + th) with tc = th the effective delay and k' the heating
    rate at full duty (Skogestad, J. Process Control 13 (2003) 291).
    """
    model = heater_model(heater.model)
    vector = model.vector(heater.parameters, heater.ambient_C)
    delay_s = max(lag_s, CONTROL_S)
    Kc = 1.0 / (float(vector[P.HEATING]) * 2.0 * delay_s)
    return ControlFacts(Kc, Kc / (8.0 * delay_s), 0.0)


def predict(
    limits: Limits,
    bin_s: float,
    set_C: FloatArray,
    flow_mm3_per_s: FloatArray,
    fan: FloatArray,
    start_C: float | None = None,
) -> Prediction | None:
    """The loop's temperatures in equal bins of bin_s; None when the profile states no heater.

    set_C, flow and fan hold over each bin, shape (m,). start_C: everything at that temperature,
    None for cold. The controller is the profile's, else skogestad_gains, with conditional
    integration; the real board's own loop may differ.
    """
    if limits.heater is None:
        return None
    model = heater_model(limits.heater.model)
    vector = model.vector(limits.heater.parameters, limits.heater.ambient_C)
    gains = limits.control or skogestad_gains(limits.heater, limits.lag_s)
    ambient_C = limits.heater.ambient_C
    start_K = (ambient_C if start_C is None else start_C) - ambient_C
    rise, duty = run_loop(
        vector,
        HEATER_MODELS[model.name].linear,
        np.array([gains.Kp, gains.Ki, gains.Kd]),
        bin_s,
        np.nan_to_num(set_C) - ambient_C,
        flow_mm3_per_s,
        fan,
        start_K,
    )
    temperature_C = ambient_C + rise
    return Prediction(temperature_C, duty, _exit_C(limits, temperature_C, flow_mm3_per_s))


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
    start_K: float,
) -> tuple[FloatArray, FloatArray]:
    """Delayed sensor rise over ambient at every bin's end, K, and mean duty; shapes (m,).

    gains: Kp, Ki, Kd, the derivative on the measurement.
    """
    count = max(1, math.ceil(bin_s / CONTROL_S))
    h = bin_s / count
    late = min(round(vector[P.DEAD] / h), _DELAY_SLOTS - 1)
    line = np.full(late + 1, start_K)
    node = np.array([start_K, start_K, start_K])
    memory = np.array([0.0, h])
    rise, duty = np.empty(set_K.size), np.zeros(set_K.size)
    place, before = 0, start_K
    for i in range(set_K.size):
        phi = fan_effect(fan[i], vector[P.EXPONENT])
        for _ in range(count):
            seen = line[place]
            u = _duty(gains, set_K[i] - seen, (seen - before) / h, memory)
            before = seen
            if linear:
                node[0], node[2] = linear_step(vector, node[0], node[2], h, u, phi, flow[i])
            else:
                advance(vector, node, h, u, fan[i], flow[i])
            line[place] = node[2]
            place = (place + 1) % (late + 1)
            duty[i] += u / count
        rise[i] = line[place]
    return rise, duty
