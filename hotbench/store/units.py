"""Units of imported columns: how their numbers become seconds, °C and fractions."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput

_RANGE = re.compile(r"(-?\d+(?:\.\d+)?)-(-?\d+(?:\.\d+)?)")
OWN_MAXIMUM_UNITS = ("volts", "watts", "amperes")

_TIME: Mapping[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0}
_TEMPERATURE: Mapping[str, Callable[[FloatArray], FloatArray]] = {
    "C": lambda value: value,
    "K": lambda value: value - 273.15,
    "F": lambda value: (value - 32.0) / 1.8,
}
_FIELD_UNITS: Mapping[str, str] = {
    "time": "s, ms, us, min, h, iso",
    "temperature": "C, K, F",
    "setpoint": "C, K, F",
    "duty": "fraction, percent, LOW-HIGH such as 0-255, volts, watts, amperes",
    "fan": "fraction, percent, LOW-HIGH such as 0-255",
    "flow": "mm3/s",
    "phase": "none",
}
FIELDS = tuple(_FIELD_UNITS)


@dataclass(frozen=True)
class ColumnSpec:
    """Which column of the file feeds a field, and in which unit; unit "" when not declared."""

    field: str
    name: str
    unit: str = ""


@dataclass(frozen=True)
class Scaled:
    """Converted numbers and, in words, what was declared or assumed to convert them."""

    values: FloatArray
    meaning: str


def is_unit(field: str, text: str) -> bool:
    """Whether `text` is a unit that `field` can have."""
    if field == "time":
        return text in _TIME or text == "iso"
    if field in ("temperature", "setpoint"):
        return text in _TEMPERATURE
    if field in ("duty", "fan"):
        own = OWN_MAXIMUM_UNITS if field == "duty" else ()
        return text in ("fraction", "percent", *own) or _RANGE.fullmatch(text) is not None
    return field == "flow" and text == "mm3/s"


def unit_error(spec: ColumnSpec, text: str) -> BadInput:
    """An error that lists the units a field can have."""
    return BadInput(
        f"unknown unit '{text}' for {spec.field}", remedy=f"known: {_FIELD_UNITS[spec.field]}"
    )


def seconds(values: FloatArray, unit: str) -> FloatArray:
    """Numbers of a time column as seconds."""
    return values * _TIME[unit or "s"]


def celsius(values: FloatArray, unit: str) -> FloatArray:
    """Numbers of a temperature column as °C."""
    return _TEMPERATURE[unit or "C"](values)


def fractions(values: FloatArray, spec: ColumnSpec) -> Scaled:
    """Numbers of a duty or fan column as fractions of full.

    A range LOW-HIGH maps LOW to 0 and HIGH to 1. volts, watts and amperes, where the drive's full
    range is not known, are divided by the column's own maximum, in proportion; a heater's power
    then comes out relative to that maximum. BadInput when a value lies outside its range.
    """
    low, high, meaning = _range(values, spec)
    scaled = (values - low) / (high - low)
    outside = np.flatnonzero((scaled < -1e-9) | (scaled > 1.0 + 1e-9))
    if outside.size:
        raise BadInput(
            f"{spec.field} outside its range",
            where=f"column '{spec.name}'",
            value=f"{values[outside[0]]:g}",
            limit=f"{low:g} to {high:g}",
            remedy=f"declare the unit as {spec.name}:UNIT, one of {_FIELD_UNITS[spec.field]}",
        )
    return Scaled(np.clip(scaled, 0.0, 1.0), meaning)


def _range(values: FloatArray, spec: ColumnSpec) -> tuple[float, float, str]:
    if spec.unit in OWN_MAXIMUM_UNITS:
        top = float(np.nanmax(values, initial=0.0))
        if top <= 0.0:
            raise BadInput("column never exceeds zero", where=f"column '{spec.name}'")
        return 0.0, top, f"{spec.unit} over their own maximum {top:g}"
    if spec.unit == "percent":
        return 0.0, 100.0, "percent"
    match = _RANGE.fullmatch(spec.unit)
    if match is None:
        return 0.0, 1.0, "fraction" if spec.unit else "fraction (no unit declared)"
    low, high = float(match[1]), float(match[2])
    if low >= high:
        raise BadInput("range is empty", where=f"column '{spec.name}'", value=spec.unit)
    return low, high, f"range {spec.unit}"
