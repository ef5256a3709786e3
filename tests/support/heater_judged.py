"""One random printer: recorded by the step test, fitted, and its predictions held against truth."""

import numpy as np
from closed_loop import DOUBT_s, dip_times_s, ramp_error_K
from step_sessions import step_session

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_figures import share_of
from hotbench.fitting.intervals import SHARES
from hotbench.models.rates import Figure, figure_values
from hotbench.sim import truth
from hotbench.sim.printers import PrinterSpec, randomised

FIGURES = (
    Figure("heating rate", 220.0),
    Figure("cooling rate", 220.0, 240.0, 0.0),
    Figure("cooling rate", 220.0, 240.0, 1.0),
    Figure("hold duty", 220.0),
)
INTERVAL_s = {"swift-sleeve": 0.1, "plain-block": 0.2}
RAMPS = {"swift-sleeve": (10.0, 0.4), "plain-block": (1.5, 0.2)}
"""Ramp rate K/s, and the RMS error of the predicted closed loop that is allowed, K."""


def true_values(spec: PrinterSpec) -> list[float]:
    """Noise-free figures of the simulated printer."""
    dip = truth.dip_times(spec, 220.0, 190.0)
    return [
        truth.heating_rate_K_per_s(spec, 220.0),
        truth.cooling_rate_K_per_s(spec, 220.0),
        truth.cooling_rate_K_per_s(spec, 220.0, fan=1.0),
        truth.hold_duty(spec, 220.0),
        dip.down_s,
        dip.back_s,
    ]


def judge_one(name: str, seed: int) -> tuple[list[float], FloatArray, FloatArray, float]:
    """Truth, predictions, half-widths and ramp error of one random printer."""
    spec = randomised(name, seed)
    carried = fit_heater([step_session(spec, seed, INTERVAL_s[name])]).propagation

    def derived(vector: FloatArray) -> FloatArray:
        return np.concatenate([figure_values(vector, FIGURES), dip_times_s(vector, spec)])

    shares = [*(share_of(figure) for figure in FIGURES), SHARES["time down"], SHARES["time back"]]
    values, fitted = carried.widths(derived, shares)
    widths = np.hypot(fitted, np.repeat((0.0, DOUBT_s), (len(FIGURES), 2)))
    ramp = truth.ramp_response(spec, 200.0, 230.0, RAMPS[name][0])
    error_K = ramp_error_K(carried.base, spec, ramp.time_s, ramp.setpoint_C, ramp.temperature_C)
    return true_values(spec), values, widths, error_K
