"""Tables for people: the same rows in the terminal and in the report."""

import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from textwrap import fill
from typing import Literal

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


def typeset(text: str) -> str:
    """Units as printed: mm3 with a raised 3, where it is a word of its own."""
    return re.sub(r"\bmm3\b", "mm³", text)


def typeset_table(table: Table) -> Table:
    """The same table with units as printed."""
    rows = tuple(tuple(typeset(cell) for cell in row) for row in table.rows)
    return replace(
        table, heads=tuple(map(typeset, table.heads)), caption=typeset(table.caption), rows=rows
    )


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


PAGE = 80
"""Characters in a line where no terminal says otherwise."""
GAP = 2
PROSE = 12
"""A text column with longer cells than this may be broken over lines, at its spaces."""


def print_tables(tables: Sequence[Table]) -> None:
    """Write tables to standard output; in lines of 80 characters when it is not a terminal.

    Where a table is wider, its heads and its texts are broken at spaces; numbers and words are not.
    """
    from rich.console import Console

    console = Console(width=None if sys.stdout.isatty() else PAGE, highlight=False)
    page = console.width
    for table in map(typeset_table, tables):
        widths = fitted_widths(table, page)
        console.width = max(page, sum(widths) + GAP * (len(widths) - 1))
        caption = fill(table.caption, page, break_long_words=False, break_on_hyphens=False)
        console.print(caption, style="bold", soft_wrap=True, markup=False)
        console.print(_rich(table, widths))
        console.print()


def fitted_widths(table: Table, page: int = PAGE) -> list[int]:
    """Widths of the columns: what they need, the longest texts giving way to keep to `page`."""
    cells = [[row[i] for row in table.rows] for i in range(len(table.heads))]
    least = [
        max(_word(head), *(map(_word if _is_prose(table, i, column) else len, column)), 0)
        for i, (head, column) in enumerate(zip(table.heads, cells, strict=True))
    ]
    heads = table.heads if _is_headed(table) else [""] * len(cells)
    widths = [max(map(len, [head, *column])) for head, column in zip(heads, cells, strict=True)]
    room = page - GAP * (len(widths) - 1)
    while sum(widths) > room and widths != least:
        spare = [width - low for width, low in zip(widths, least, strict=True)]
        widest = max((k for k in range(len(widths)) if spare[k]), key=lambda k: widths[k])
        widths[widest] -= 1
    return widths


def _word(text: str) -> int:
    return max(map(len, text.split()), default=0)


def _is_prose(table: Table, index: int, column: Sequence[str]) -> bool:
    return index not in table.numeric and max(map(len, column), default=0) > PROSE


def _is_headed(table: Table) -> bool:
    return any(table.heads[1:]) and table.heads[0] != ""


def _rich(table: Table, widths: Sequence[int]) -> object:
    from rich import box
    from rich.markup import escape
    from rich.table import Table as RichTable

    drawn = RichTable(
        box=box.SIMPLE_HEAD,
        padding=(0, GAP - 1, 0, 0),
        pad_edge=False,
        show_edge=False,
        show_header=_is_headed(table),
    )
    for index, (head, width) in enumerate(zip(table.heads, widths, strict=True)):
        side: Literal["left", "right"] = "right" if index in table.numeric else "left"
        drawn.add_column(head, justify=side, width=width)
    for row in table.rows:
        drawn.add_row(*(escape(cell) for cell in row))
    return drawn
