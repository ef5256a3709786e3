"""Declared options of procedures, and the checks on their values."""

import math
from collections.abc import Sequence
from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from hotbench.core.errors import BadInput

LOWEST_C, HIGHEST_C = 30.0, 500.0
MOST_SPREAD = 0.5
"""A fault level that varies by more from ramp to ramp is none."""
LEVEL_MEANING = "deviation at which the board faults, as its settings or its maker say"
SPREAD_MEANING = "how much that level varies from move to move, standard deviation of its logarithm"


@dataclass(frozen=True)
class Option:
    """One setting of a procedure as a command line or a form shows it."""

    name: str
    unit: str
    default: Any
    meaning: str


def option(default: Any, unit: str, meaning: str) -> Any:
    """A dataclass field that people may set."""
    return field(default=default, metadata={"unit": unit, "meaning": meaning})


def options_of(procedure: type[Any] | Any) -> tuple[Option, ...]:
    """The options that a procedure class declares; injected callables are none."""
    return tuple(
        Option(
            entry.name,
            entry.metadata["unit"],
            None if entry.default is MISSING else entry.default,
            entry.metadata["meaning"],
        )
        for entry in fields(procedure)
        if "meaning" in entry.metadata
    )


def check_temperatures(name: str, values_C: Sequence[float]) -> None:
    """BadInput unless there is at least one and all are plausible for a hot end."""
    check_some(name, values_C)
    for value_C in values_C:
        check_range(name, value_C, LOWEST_C, HIGHEST_C, "°C")


def check_fans(name: str, values: Sequence[float]) -> None:
    """BadInput unless there is at least one and all are fractions."""
    check_some(name, values)
    for value in values:
        check_range(name, value, 0.0, 1.0, "of full speed")


def check_some(name: str, values: Sequence[float]) -> None:
    """BadInput for an empty list."""
    if not values:
        raise BadInput("needs at least one value", where=name)


def check_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    """BadInput unless low <= value <= high."""
    if not low <= value <= high:
        raise BadInput(
            "outside its range", where=name, value=f"{value:g}", limit=f"{low:g} to {high:g} {unit}"
        )


def check_declared(fault_deviation_K: float | None, fault_spread: float | None) -> None:
    """BadInput unless what is declared about the board's fault level, if anything, is plausible."""
    if fault_deviation_K is not None:
        check_range("fault_deviation_K", fault_deviation_K, 0.5, 100.0, "K")
    if fault_spread is not None:
        check_range("fault_spread", fault_spread, 0.0, MOST_SPREAD, "as a share")


def check_positive(name: str, value: float) -> None:
    """BadInput unless the value is finite and above zero."""
    if not (math.isfinite(value) and value > 0.0):
        raise BadInput("must be above zero", where=name, value=f"{value:g}")


def check_above(name: str, high: float, other: str, low: float) -> None:
    """BadInput unless high > low."""
    if not high > low:
        raise BadInput(f"must be above {other}", where=name, value=f"{high:g}", limit=f"{low:g}")
