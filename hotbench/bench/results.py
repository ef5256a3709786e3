"""What a command hands back: plain values for scripts and tables for people."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hotbench.bench.plain import plain
from hotbench.bench.tables import Table
from hotbench.core.errors import FellShort


@dataclass(frozen=True)
class Result:
    """facts: the values; shown: tables for people; shortfall: why exit code 1, if so."""

    facts: Mapping[str, Any]
    shown: tuple[Table, ...] = ()
    shortfall: str | None = field(default=None)

    def plain(self) -> dict[str, Any]:
        """The facts as JSON can hold them."""
        facts: dict[str, Any] = plain(self.facts)
        return facts if self.shortfall is None else {**facts, "shortfall": self.shortfall}

    def tables(self) -> tuple[Table, ...]:
        """Tables in reading order."""
        return self.shown

    def raise_if_short(self) -> None:
        """Raises FellShort with the reason when the command ran and its result falls short."""
        if self.shortfall is not None:
            raise FellShort(self.shortfall)


def lines_table(caption: str, head: str, lines: list[str]) -> tuple[Table, ...]:
    """A one-column table, or nothing when there are no lines."""
    rows = tuple((line,) for line in lines)
    return (Table(caption, (head,), rows),) if rows else ()
