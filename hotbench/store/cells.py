"""Columns of numbers out of text tables, with the first bad cell named by row, column and value."""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, nearest


@dataclass(frozen=True)
class TextTable:
    """A table whose cells are still text.

    first_row: the file's own row number, from 1, of the first row of cells.
    """

    frame: pd.DataFrame
    path: Path
    first_row: int = 2
    decimal: str = "."

    def text(self, column: str) -> "pd.Series[str]":
        """A column's cells; BadInput with the nearest name when it is missing."""
        if column not in self.frame.columns:
            raise missing_column(column, map(str, self.frame.columns), self.path)
        return self.frame[column].str.strip()

    def numbers(self, column: str, *, empty_allowed: bool) -> FloatArray:
        """A column as numbers, NaN where a cell is empty; BadInput names the first bad cell."""
        cells = self.text(column)
        plain = cells.str.replace(",", ".") if self.decimal == "," else cells
        values = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64)
        bad = ~np.isfinite(values)
        if empty_allowed:
            bad &= (cells != "").to_numpy(dtype=np.bool_)
        if bad.any():
            raise self.bad_cell(column, int(np.argmax(bad)), "not a number")
        return values

    def bad_cell(self, column: str, index: int, what: str) -> BadInput:
        """An error about one cell."""
        value = self.frame[column].iloc[index]
        shown = repr(value[:40]) if value.strip() else "an empty cell"
        where = f"{self.path}, row {index + self.first_row}, column '{column}'"
        return BadInput(what, where=where, value=shown)


def missing_column(column: str, known: Iterable[str], path: Path) -> BadInput:
    """An error about a column that is not there, with the nearest one that is."""
    names = list(known)
    guess = nearest(column, names)
    remedy = f"did you mean '{guess}'?" if guess else f"columns: {', '.join(names[:12])}"
    return BadInput(f"no column '{column}'", where=path, remedy=remedy)


def unequal_rows(detail: str, path: Path) -> BadInput:
    """An error about a row that has more cells than the header."""
    return BadInput(f"rows of unequal length: {detail}", where=path)


def text_table(
    content: str, path: Path, *, delimiter: str = ",", skipped_rows: int = 0, decimal: str = "."
) -> TextTable:
    """All cells as text, header first; BadInput names a row with too many cells."""
    try:
        frame = pd.read_csv(
            io.StringIO(content),
            sep=delimiter,
            dtype=str,
            keep_default_na=False,
            skip_blank_lines=False,
            skipinitialspace=True,
            index_col=False,
        )
    except pd.errors.ParserError as error:
        reason = str(error).partition("C error: ")[2] or str(error)
        raise unequal_rows(reason, path) from error
    except pd.errors.EmptyDataError as error:
        raise BadInput("file is empty", where=path) from error
    frame.columns = frame.columns.str.strip()
    return TextTable(frame.fillna(""), path, skipped_rows + 2, decimal)
