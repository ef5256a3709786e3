"""A value with its unit, interval, confidence and basis."""

from dataclasses import dataclass
from typing import Literal

Basis = Literal["measured", "fitted", "extrapolated", "assumed", "declared"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One number as the profile states it.

    value, low, high: in `unit`; low and high bound the interval, None where no interval is known.
    confidence: coverage the interval claims, 0 to 1; None exactly when there is no interval.
    basis: measured (read from a record), fitted (from a model inside its data), extrapolated
    (from a model outside its data), assumed (not supported by data) or declared (stated by the
    user or the maker).
    """

    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    basis: Basis

    def __post_init__(self) -> None:
        if len({part is None for part in (self.low, self.high, self.confidence)}) != 1:
            raise ValueError("low, high and confidence go together")
        if self.confidence is not None and not 0.0 < self.confidence < 1.0:
            raise ValueError(f"confidence must lie between 0 and 1, got {self.confidence}")
        if (
            self.low is not None
            and self.high is not None
            and not self.low <= self.value <= self.high
        ):
            raise ValueError(
                f"interval {self.low}..{self.high} does not hold the value {self.value}"
            )

    @property
    def half_width(self) -> float | None:
        """Half the interval's width, in `unit`; None without an interval."""
        return None if self.low is None or self.high is None else (self.high - self.low) / 2.0

    def text(self, digits: int = 3) -> str:
        """Value, interval and unit for people, such as '18.5 (17.9 to 19.1) K/s'."""
        value = f"{self.value:.{digits}g}"
        if self.low is None or self.high is None:
            return f"{value} {self.unit}".strip()
        return f"{value} ({self.low:.{digits}g} to {self.high:.{digits}g}) {self.unit}".strip()
