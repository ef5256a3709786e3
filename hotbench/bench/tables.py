"""Tables for people: the same rows in the terminal and in the report."""

import sys
from collections.abc import Sequence
from dataclasses import dataclass

from hotbench.core.quantity import Quantity


@dataclass(frozen=True)
class Table:
    """Text cells under heads; `numeric` holds the indices of right-aligned columns."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()

    def plain(self) -> list[dict[str, str]]:
        """One dictionary per row, keyed by the heads."""
        return [dict(zip(self.heads, row, strict=True)) for row in self.rows]


def quantity_cells(quantity: Quantity, digits: int = 3) -> tuple[str, str, str, str]:
    """Value, interval, unit and basis of a quantity as cells."""
    interval = "-"
    if quantity.low is not None and quantity.high is not None:
        low, high = number(quantity.low, digits), number(quantity.high, digits)
        interval = f"{low} to {high}"
    return number(quantity.value, digits), interval, quantity.unit, basis_text(quantity)


def basis_text(quantity: Quantity) -> str:
    """The basis, with the interval's confidence where it has one."""
    if quantity.confidence is None:
        return quantity.basis
    return f"{quantity.basis}, {quantity.confidence:.0%}"


def number(value: float, digits: int = 3) -> str:
    """A number with `digits` significant digits, an exponent only where people would write one."""
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        text = f"{float(f'{value:.{digits}g}'):,.6f}".replace(",", "")
        return text.rstrip("0").rstrip(".")
    return f"{value:.{digits}g}"


def print_tables(tables: Sequence[Table]) -> None:
    """Write tables to standard output; plain width when it is not a terminal."""
    from rich.console import Console

    console = Console(width=None if sys.stdout.isatty() else 120, highlight=False)
    for table in tables:
        console.print(table.caption, style="bold", soft_wrap=True, markup=False)
        console.print(_rich(table))


def _rich(table: Table) -> object:
    from rich import box
    from rich.markup import escape
    from rich.table import Table as RichTable

    headed = any(table.heads[1:]) and table.heads[0] != ""
    drawn = RichTable(box=box.SIMPLE_HEAD, pad_edge=False, show_header=headed)
    for index, head in enumerate(table.heads):
        drawn.add_column(head, justify="right" if index in table.numeric else "left")
    for row in table.rows:
        drawn.add_row(*(escape(cell) for cell in row))
    return drawn
