"""A fitted heater under the simulated board's own gains, to judge predictions in use."""

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C
from hotbench.models.dips import DipSpec, REST_s, dip_times
from hotbench.sim.printers import PrinterSpec

DOUBT_s = 0.042
"""What the times of a dip are open to beyond the fit, whatever they are: parts of the hot end that
react faster than any node. From the printers that the interval's other numbers come from."""


def true_loop(spec: PrinterSpec) -> BoardLoop:
    """The simulated board's controller."""
    assert spec.control_period_s == TICK_s
    return BoardLoop(
        gain_per_K=spec.gain_per_K,
        integral_time_s=spec.integral_time_s,
        derivative_time_s=spec.derivative_time_s,
        filter_s=spec.derivative_filter_s,
    )


def dip_times_s(vector: FloatArray, spec: PrinterSpec, *, rest_s: float = REST_s) -> FloatArray:
    """Time down to 192 and time back to 217 of a dip 220-190-220 from the steady hold."""
    return dip_times(vector, DipSpec(220.0, 190.0, rest_s=rest_s), true_loop(spec))


def ramp_error_K(
    vector: FloatArray,
    spec: PrinterSpec,
    time_s: FloatArray,
    setpoint_C: FloatArray,
    measured_C: FloatArray,
) -> float:
    """RMS difference of a predicted closed-loop ramp to the true one."""
    ticks_s = TICK_s * np.arange(1, int(time_s[-1] / TICK_s) + 1)
    place = np.minimum(np.searchsorted(time_s, ticks_s - 1e-9), time_s.size - 1)
    logged = controlled_C(vector, true_loop(spec), float(measured_C[0]), setpoint_C[place])
    return float(np.sqrt(np.mean((logged - np.interp(ticks_s, time_s, measured_C)) ** 2)))
