"""Rounding of a profile's numbers, outwards where they bound an interval."""

import decimal
from typing import Any

DIGITS = 5
"""Significant digits kept: 0.005 % at worst, far inside every interval the package states."""

_EXACT = frozenset({"confidence", "coverage"})
_ROUNDING = {"low": decimal.ROUND_FLOOR, "high": decimal.ROUND_CEILING}


def rounded(value: float, side: str = "") -> float:
    """`value` to five significant digits: downwards for side 'low', upwards for 'high'.

    Rounding a rounded number changes nothing, and low <= value <= high stays true, because all
    three roundings are monotonic and lie in that order.
    """
    mode = _ROUNDING.get(side, decimal.ROUND_HALF_EVEN)
    # Twelve digits first, so that 0.41 - 0.2 counts as 0.21 and is not pushed outwards.
    exact = decimal.Context(prec=12).create_decimal(repr(float(value)))
    return float(decimal.Context(prec=DIGITS, rounding=mode).plus(exact)) + 0.0


def side_of(key: str) -> str:
    """Which end of an interval a key names: 'low', 'high', or '' for neither."""
    head = key.split("_")[0]
    return head if head in _ROUNDING else ""


def rounded_tree(tree: Any, key: str = "") -> Any:
    """A tree of mappings, lists and scalars with every float rounded by its key."""
    if isinstance(tree, dict):
        return {name: rounded_tree(part, str(name)) for name, part in tree.items()}
    if isinstance(tree, list):
        return [rounded_tree(part, key) for part in tree]
    exact = key in _EXACT or not isinstance(tree, float)
    return tree if exact else rounded(tree, side_of(key))
