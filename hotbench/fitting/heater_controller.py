"""Duty rebuilt from setpoint and readings by a stated controller, for logs that carry none."""

import math
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.records import Run


@dataclass(frozen=True, kw_only=True)
class StatedController:
    """Ideal PID, u = Kc (e + 1/Ti ∫e dt - Td dT/dt), held to 0..1, no integration in saturation.

    gain_per_K: Kc as a fraction of full duty; integral_time_s and derivative_time_s: Ti and Td;
    filter_s: first-order filter on the derivative. Called with a run, it returns the duty at each
    sample; the heater is off where the setpoint is 0 or missing.
    """

    gain_per_K: float
    integral_time_s: float = math.inf
    derivative_time_s: float = 0.0
    filter_s: float = 0.0

    def __post_init__(self) -> None:
        if not (self.gain_per_K > 0.0 and self.integral_time_s > 0.0):
            raise BadInput("a controller needs a positive gain and integral time")
        if not (self.derivative_time_s >= 0.0 and self.filter_s >= 0.0):
            raise BadInput("derivative and filter times must not be negative")

    def __call__(self, run: Run) -> FloatArray:
        """Duty at each sample, fraction; shape (n,)."""
        duty = np.zeros(len(run))
        integral, filtered = 0.0, float(run.temperature_C[0])
        steps_s = np.diff(run.time_s, prepend=run.time_s[0])
        for k, (step_s, reading_C) in enumerate(zip(steps_s, run.temperature_C, strict=True)):
            before = filtered
            keep = math.exp(-step_s / self.filter_s) if self.filter_s > 0.0 else 0.0
            filtered = keep * before + (1.0 - keep) * reading_C
            if not run.setpoint_C[k] > 0.0:
                integral = 0.0
                continue
            slope = (filtered - before) / step_s if step_s > 0.0 else 0.0
            error_K = run.setpoint_C[k] - reading_C
            raw = self.gain_per_K * (error_K - self.derivative_time_s * slope) + integral
            integral = self._integrated(integral, raw, error_K, step_s)
            duty[k] = min(max(raw, 0.0), 1.0)
        return duty

    def _integrated(self, integral: float, raw: float, error_K: float, step_s: float) -> float:
        if (raw > 1.0 and error_K > 0.0) or (raw < 0.0 and error_K < 0.0):
            return integral
        grown = integral + self.gain_per_K * error_K * step_s / self.integral_time_s
        return min(max(grown, 0.0), 1.0)
