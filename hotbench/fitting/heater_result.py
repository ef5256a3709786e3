"""What a heater fit hands on: parameters, tables, validation, diagnostics; all plain to write."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from hotbench.core.arrays import FloatArray, TextArray
from hotbench.core.quantity import Basis, Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_coverage import Unidentified
from hotbench.fitting.heater_data import filled, sampling_lead_s
from hotbench.fitting.intervals import CONFIDENCE, Information, Share, half_widths
from hotbench.fitting.next_test import NextTest
from hotbench.fitting.selection import Candidate
from hotbench.models.heater import HeaterState, Trace, heater_model, hold_state, simulate
from hotbench.models.parameters import Parameter
from hotbench.models.rates import Figure

Derived = Callable[[FloatArray], FloatArray]
"""Quantities (q,) of a kernel parameter vector."""
GRADIENT_STEP = 1e-3
COLD_WITHIN_K = 5.0


@dataclass(frozen=True)
class FigureRow:
    """A derived number with what it is stated for."""

    figure: Figure
    quantity: Quantity


@dataclass(frozen=True)
class HeldOutError:
    """Error on a phase no fit has seen; error_percent: RMS over the run's temperature range."""

    run_id: str
    phase: str
    rms_K: float
    worst_K: float
    error_percent: float
    samples: int


@dataclass(frozen=True)
class Residuals:
    """Measured and predicted temperature of a stretch, C; fitted: True where it counted."""

    run_id: str
    time_s: FloatArray
    measured_C: FloatArray
    predicted_C: FloatArray
    phase: TextArray
    fitted: np.ndarray

    @property
    def residual_K(self) -> FloatArray:
        """Predicted minus measured."""
        return self.predicted_C - self.measured_C


@dataclass(frozen=True)
class Propagation:
    """Carries the data's information on to any quantity derived from the parameters.

    base: kernel vector at the optimum; places and parameters: of the fitted shared parameters,
    the first of the information's coordinates.
    """

    base: FloatArray
    places: tuple[int, ...]
    parameters: tuple[Parameter, ...]
    information: Information

    def moved(self, k: int, inner_step: float) -> FloatArray:
        """The kernel vector with one parameter moved in the solver's coordinates."""
        vector, parameter = self.base.copy(), self.parameters[k]
        inner = parameter.inner(vector[self.places[k]]) + inner_step
        vector[self.places[k]] = parameter.outer(inner)
        return vector

    def slopes(self, derived: Derived) -> FloatArray:
        """Derivatives (q, d) of derived quantities by all coordinates, central differences."""
        values = derived(self.base)
        slopes = np.zeros((values.size, self.information.ridge.size))
        for k, parameter in enumerate(self.parameters):
            if self.information.free[k]:
                step = GRADIENT_STEP * (1.0 if parameter.logarithmic else _span(parameter))
                change = derived(self.moved(k, step)) - derived(self.moved(k, -step))
                slopes[:, k] = np.nan_to_num(change / (2.0 * step))
        return slopes

    def widths(self, derived: Derived, shares: Sequence[Share]) -> tuple[FloatArray, FloatArray]:
        """Values and half-widths of 95 % intervals; shares as in `intervals`, one for each."""
        values = derived(self.base)
        return values, half_widths(self.information, self.slopes(derived), values, shares)

    def quantities(
        self,
        derived: Derived,
        units: list[str],
        shares: Sequence[Share],
        basis: Basis = "fitted",
    ) -> list[Quantity]:
        """Derived quantities with intervals, such as the times of a dip; a share for each."""
        values, widths = self.widths(derived, shares)
        return [
            quantity(value, width, unit, basis)
            for value, width, unit in zip(values, widths, units, strict=True)
        ]


def _span(parameter: Parameter) -> float:
    return parameter.high - parameter.low


def quantity(value: float, width: float, unit: str, basis: Basis) -> Quantity:
    """A quantity with a symmetric 95 % interval; without one when the width is not finite."""
    if not np.isfinite(width):
        return Quantity(value=float(value), unit=unit, basis=basis)
    return Quantity(
        value=float(value),
        unit=unit,
        low=float(value - width),
        high=float(value + width),
        confidence=CONFIDENCE,
        basis=basis,
    )


@dataclass(frozen=True, kw_only=True)
class HeaterFit:
    """A fitted heater.

    parameters: by declared name, with intervals; values: the same as bare numbers, for
    `models.heater.simulate`. correlations: of the fitted parameters, in `correlation_names`'
    order. power: W and J/K figures when a wattmeter reading was given.
    """

    model: str
    title: str
    parameters: Mapping[str, Quantity]
    values: Mapping[str, float]
    ambient: Quantity
    seen_C: tuple[float, float]
    heating_rate: tuple[FigureRow, ...]
    cooling_rate: tuple[FigureRow, ...]
    hold_duty: tuple[FigureRow, ...]
    combined_lag: Quantity
    load_per_flow: Quantity | None
    rise_time: tuple[FigureRow, ...]
    settling_time: tuple[FigureRow, ...]
    unidentified: tuple[Unidentified, ...]
    candidates: tuple[Candidate, ...]
    validation: tuple[HeldOutError, ...]
    rms_K: float
    worst_K: float
    inflation: float
    samples: int
    correlation_names: tuple[str, ...]
    correlations: FloatArray = field(repr=False)
    residuals: tuple[Residuals, ...] = field(repr=False)
    propagation: Propagation = field(repr=False)
    next_tests: tuple[NextTest, ...] = ()
    power: Mapping[str, Quantity] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def predict(self, run: Run) -> Trace:
        """What this model expects of a run's logged inputs.

        A run that begins near ambient starts cold, else from the steady hold at its first
        reading. Errors: BadInput when the run has no duty.
        """
        inputs = filled(run)
        start = self._start(float(run.temperature_C[0]), float(inputs.fan[0]))
        return simulate(
            self.model,
            self.values,
            run.time_s,
            inputs.duty,
            inputs.fan,
            inputs.flow_mm3_per_s,
            self.ambient.value,
            start,
            lead_s=sampling_lead_s(run),
        )

    def _start(self, first_C: float, fan: float) -> HeaterState:
        if abs(first_C - self.ambient.value) < COLD_WITHIN_K:
            return HeaterState.uniform(first_C)
        vector = heater_model(self.model).vector(self.values, self.ambient.value)
        return hold_state(vector, first_C, fan)

    def to_plain(self) -> dict[str, Any]:
        """Bare mappings, lists, numbers and text: what `FIT.yaml` holds."""
        return {
            "model": self.model,
            "title": self.title,
            "parameters": {name: _plain(q) for name, q in self.parameters.items()},
            "ambient": _plain(self.ambient),
            "valid_temperature_C": list(self.seen_C),
            "heating_rate": [_row(row) for row in self.heating_rate],
            "cooling_rate": [_row(row) for row in self.cooling_rate],
            "hold_duty": [_row(row) for row in self.hold_duty],
            "combined_lag": _plain(self.combined_lag),
            "load_per_flow": _plain(self.load_per_flow) if self.load_per_flow else None,
            "rise_time": [_row(row) for row in self.rise_time],
            "settling_time": [_row(row) for row in self.settling_time],
            "power": {name: _plain(q) for name, q in self.power.items()},
            "unidentified": [asdict(item) for item in self.unidentified],
            "candidates": [_finite(asdict(item)) for item in self.candidates],
            "validation": [_finite(asdict(item)) for item in self.validation],
            "residual": {
                "rms_K": self.rms_K,
                "worst_K": self.worst_K,
                "inflation": self.inflation,
                "samples": self.samples,
            },
            "correlations": {
                "names": list(self.correlation_names),
                "matrix": [[float(x) for x in row] for row in self.correlations],
            },
            "next_tests": [_finite(asdict(item)) for item in self.next_tests],
            "notes": list(self.notes),
        }


def _plain(value: Quantity) -> dict[str, Any]:
    return asdict(value)


def _row(row: FigureRow) -> dict[str, Any]:
    keys: dict[str, Any] = {"temperature_C": row.figure.temperature_C}
    if row.figure.kind in ("heating rate", "cooling rate"):
        keys["start"] = row.figure.start
    if row.figure.kind in ("cooling rate", "hold duty"):
        keys["fan"] = row.figure.fan
    return {**keys, **_plain(row.quantity)}


def _finite(row: dict[str, Any]) -> dict[str, Any]:
    """Numbers that do not exist become None."""
    return {
        key: None if isinstance(value, float) and not np.isfinite(value) else value
        for key, value in row.items()
    }
