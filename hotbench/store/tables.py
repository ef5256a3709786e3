"""Whole rows of the run files as arrays and records."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd

from hotbench.core.arrays import FloatArray, TextArray
from hotbench.core.errors import BadInput
from hotbench.core.records import EXTRUSION_FIELDS, Event, EventKind, Extrusion
from hotbench.store.cells import missing_column, text_table, unequal_rows
from hotbench.store.layout import COLUMNS, EVENTS, SAMPLES, TEXT_COLUMNS
from hotbench.store.rows import unescape

LATER_FIELDS = frozenset({"bond_section_mm2"})
"""Columns of extrusions.csv that runs of earlier versions lack."""


def read_samples(content: bytes, path: Path) -> dict[str, Any]:
    """Columns of samples.csv by name, one array each."""
    columns: dict[str, Any] = {
        name: np.array([], dtype=np.str_ if name in TEXT_COLUMNS else np.float64)
        for name in COLUMNS[SAMPLES]
    }
    if not content:
        return columns
    table = _table(content, path, COLUMNS[SAMPLES])
    return {
        name: _texts(table[name]) if name in TEXT_COLUMNS else _floats(table[name])
        for name in columns
    }


def read_extrusions(content: bytes, path: Path) -> tuple[Extrusion, ...]:
    """Extrusions from the whole rows of extrusions.csv."""
    if not content:
        return ()
    absent = LATER_FIELDS.difference(_header(content, path))
    table = _table(content, path, [name for name in EXTRUSION_FIELDS if name not in absent])
    values = table.reindex(columns=list(EXTRUSION_FIELDS)).to_numpy(dtype=np.float64)
    return tuple(
        Extrusion(*row[:3], *(None if np.isnan(value) else value for value in row[3:]))
        for row in values.tolist()
    )


def _floats(column: "pd.Series[Any]") -> FloatArray:
    # A copy of its own: compiled code would be compiled again for pandas' read-only views.
    return column.to_numpy(dtype=np.float64, copy=True)


def _texts(column: "pd.Series[str]") -> TextArray:
    """Texts of a column; only the distinct ones are looked at."""
    codes, distinct = pd.factorize(column)
    if not len(distinct):
        return np.array([], dtype=np.str_)
    texts = np.array([unescape(text) for text in distinct], dtype=np.str_)
    picked: TextArray = texts[codes]
    return picked


def read_events(content: bytes, path: Path) -> tuple[Event, ...]:
    """Events from the whole rows of events.csv."""
    if not content:
        return ()
    table = _table(content, path, COLUMNS[EVENTS])
    kinds = cast(list[EventKind], _texts(table["kind"]).tolist())
    rows = zip(_floats(table["time_s"]).tolist(), kinds, _texts(table["text"]), strict=True)
    return tuple(Event(time_s, kind, str(text)) for time_s, kind, text in rows)


def _table(content: bytes, path: Path, names: Sequence[str]) -> pd.DataFrame:
    """The named columns: numbers as float64 with NaN for empty, texts as they are."""
    types: dict[str, Any] = {n: "str" if n in TEXT_COLUMNS else "float64" for n in names}
    columns = _header(content, path)
    for name in names:
        if name not in columns:
            raise missing_column(name, columns, path)
    try:
        return pd.read_csv(
            io.BytesIO(content),
            index_col=False,
            dtype=types,
            keep_default_na=False,
            na_values={name: [""] for name in names if name not in TEXT_COLUMNS},
        )
    except (ValueError, pd.errors.ParserError) as error:
        raise _unreadable(content, path, names, error) from error


def _header(content: bytes, path: Path) -> list[str]:
    """Column names; BadInput when the first row has more cells, which would be dropped unseen."""
    lines = content.split(b"\n", 2)[:2]
    rows = list(csv.reader(line.decode("utf-8", "replace").strip() for line in lines))
    if len(rows) > 1 and len(rows[1]) > len(rows[0]):
        raise unequal_rows(f"line 2 has {len(rows[1])} cells, the header {len(rows[0])}", path)
    return rows[0]


def _unreadable(content: bytes, path: Path, names: Sequence[str], error: Exception) -> BadInput:
    """The error that names the cell, found by a second, slower look."""
    try:
        table = text_table(content.decode("utf-8"), path)
        for name in names:
            if name not in TEXT_COLUMNS:
                table.numbers(name, empty_allowed=True)
    except UnicodeDecodeError:
        return BadInput("is not UTF-8 text", where=path)
    except BadInput as bad:
        return bad
    return BadInput(f"cannot be read: {error}", where=path)
