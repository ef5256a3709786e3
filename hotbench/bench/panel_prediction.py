"""What a machine profile expects of a running test, with a band."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.models.heater import HeaterState, heater_model, hold_state, simulate
from hotbench.profile.types import Heater
from hotbench.profile.yaml_io import read_profile

COLD_WITHIN_K = 5.0
SPREAD = 2.0
"""Half width of the band, in held-out RMS errors."""
LEAST_BAND_K = 0.5


@dataclass(frozen=True)
class Predictor:
    """A profile's heater model; band_K is twice its worst RMS error on stretches it had not seen.

    band_K is None where the profile states no such error. knows_flow: whether the profile states
    what extruding costs; where it does not, nothing is predicted from the first extrusion on.
    """

    model: str
    values: dict[str, float]
    ambient_C: float
    band_K: float | None
    knows_flow: bool = False

    @classmethod
    def of(cls, heater: Heater) -> "Predictor | None":
        """From a profile's heater; None where it cannot predict.

        Errors: BadInput for a model or a parameter that nobody knows.
        """
        if heater.ambient is None or not heater.parameters:
            return None
        values = {name: quantity.value for name, quantity in heater.parameters.items()}
        heater_model(heater.model).vector(values, heater.ambient.value)
        worst_K = max((row.rms_K for row in heater.validation if row.rms_K), default=None)
        return cls(
            heater.model,
            values,
            heater.ambient.value,
            None if worst_K is None else max(SPREAD * worst_K, LEAST_BAND_K),
            heater.load_per_flow is not None,
        )

    def predict(self, columns: Sequence[Sequence[float]]) -> FloatArray:
        """Temperature in °C at every sample; NaN everywhere when the duty is unknown.

        columns: time, temperature, setpoint, duty, fan and flow, of equal length.
        """
        arrays = (np.asarray(column, dtype=np.float64) for column in columns)
        time_s, temperature_C, _, duty, fan, flow = arrays
        if time_s.size == 0 or np.isnan(duty).all():
            return np.full(time_s.size, np.nan)
        start = self._start(float(temperature_C[0]), float(np.nan_to_num(fan[0])))
        inputs = (_held(duty), _held(fan), _held(flow))
        # A board's report shows a change of duty half an interval late on average.
        lead_s = 0.5 * float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
        trace = simulate(
            self.model, self.values, time_s, *inputs, self.ambient_C, start, lead_s=lead_s
        )
        unknown = np.cumsum(inputs[2]) > 0.0 if not self.knows_flow else np.zeros(time_s.size, bool)
        return np.where(unknown, np.nan, trace.temperature_C)

    def _start(self, first_C: float, fan: float) -> HeaterState:
        if abs(first_C - self.ambient_C) < COLD_WITHIN_K:
            return HeaterState.uniform(first_C)
        vector = heater_model(self.model).vector(self.values, self.ambient_C)
        return hold_state(vector, first_C, fan)


def predictor_from(file: Path) -> Predictor | None:
    """The predictor of a profile file; None where there is none, or none that can predict."""
    if not file.is_file():
        return None
    try:
        heater = read_profile(file).heater
        return None if heater is None else Predictor.of(heater)
    except BadInput:
        return None


def _held(values: FloatArray) -> FloatArray:
    """Missing entries keep the last known value, 0 before the first."""
    known = ~np.isnan(values)
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    return np.where(last >= 0, values[np.maximum(last, 0)], 0.0)
