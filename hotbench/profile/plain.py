"""A profile as plain mappings, lists and scalars, in the order in which it is written."""

from dataclasses import fields
from typing import Any

from hotbench.core.quantity import Quantity
from hotbench.profile.rounding import rounded_tree
from hotbench.profile.types import MachineProfile, Part, Row, spelled


def to_plain(profile: MachineProfile) -> dict[str, Any]:
    """The profile as the YAML file states it, rounded.

    Absent sections and options are left out; rows and quantities keep all their columns, so
    that a reader finds the same keys everywhere.
    """
    sections = {name: part for name, part in _part(profile).items() if part != []}
    provenance = sections.pop("provenance")
    return {**rounded_tree(sections), "provenance": provenance}


def canonical(profile: MachineProfile) -> MachineProfile:
    """The profile as it reads back after writing: rounded, units in one spelling."""
    return MachineProfile.model_validate(to_plain(profile))


def _plain(value: object) -> Any:
    if isinstance(value, Part):
        return _part(value)
    if isinstance(value, Quantity):
        return _quantity(value)
    if isinstance(value, dict):
        return {str(name): _plain(part) for name, part in value.items()}
    return [_plain(part) for part in value] if isinstance(value, (tuple, list)) else value


def _part(part: Part) -> dict[str, Any]:
    pairs = {name: getattr(part, name) for name in _column_order(part)}
    return {name: _plain(value) for name, value in pairs.items() if _stated(part, name, value)}


def _stated(part: Part, name: str, value: object) -> bool:
    """False for an option left at its empty default; table rows keep every column."""
    empty = value is None or (isinstance(value, str) and value == "")
    return isinstance(part, Row) or type(part).model_fields[name].is_required() or not empty


def _column_order(part: Part) -> list[str]:
    """Declared order, with the interval's confidence and the basis after the row's own columns."""
    names = list(type(part).model_fields)
    return sorted(names, key=Row.model_fields.__contains__) if isinstance(part, Row) else names


def _quantity(quantity: Quantity) -> dict[str, Any]:
    stated = {field.name: getattr(quantity, field.name) for field in fields(quantity)}
    numbers = ("value", "low", "high", "confidence")
    floats = {k: None if stated[k] is None else float(stated[k]) for k in numbers}
    return {**stated, **floats, "unit": spelled(quantity.unit)}
