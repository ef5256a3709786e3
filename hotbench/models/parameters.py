"""Declared parameters: name, unit, bounds, default and where each comes from."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hotbench.core.errors import BadInput, unknown_key


@dataclass(frozen=True, slots=True)
class Parameter:
    """A model parameter in `unit`, kept within low..high.

    source: the formula or publication it belongs to. title: what people call it. logarithmic:
    fitted as its logarithm, which is meant for positive parameters of unknown magnitude.
    """

    name: str
    unit: str
    low: float
    high: float
    default: float
    source: str
    logarithmic: bool = True
    title: str = ""

    def __post_init__(self) -> None:
        if not self.low <= self.default <= self.high:
            raise ValueError(f"{self.name}: default {self.default} outside {self.low}..{self.high}")
        if self.logarithmic and self.low <= 0.0:
            raise ValueError(f"{self.name}: a logarithmic parameter needs a positive low bound")

    def inner(self, value: float) -> float:
        """The value as the fit sees it: its logarithm where the parameter is logarithmic."""
        return math.log(value) if self.logarithmic else value

    def outer(self, inner: float) -> float:
        """The value from what the fit sees."""
        return math.exp(inner) if self.logarithmic else inner

    def slope(self, value: float) -> float:
        """Derivative of the value by what the fit sees."""
        return value if self.logarithmic else 1.0

    def clipped(self, value: float) -> float:
        """The nearest value within the bounds."""
        return min(max(value, self.low), self.high)


def checked(
    given: Mapping[str, float], declared: Sequence[Parameter], *, where: str
) -> dict[str, float]:
    """All declared parameters, `given` first and defaults for the rest.

    Errors: BadInput for an unknown name (with the nearest known one) or a value that is not
    finite.
    """
    known = {parameter.name: parameter.default for parameter in declared}
    for name, value in given.items():
        if name not in known:
            raise unknown_key(name, known, where=where)
        if not math.isfinite(value):
            raise BadInput(f"{name} must be a finite number", where=where, value=value)
        known[name] = float(value)
    return known
