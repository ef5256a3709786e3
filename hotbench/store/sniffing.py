"""Reading tables that other programs wrote: encoding, delimiter, decimal sign, header."""

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from hotbench.core.errors import BadInput
from hotbench.store.cells import TextTable, text_table, unequal_rows

DELIMITERS = (",", ";", "\t", "|")
SNIFFED_ROWS = 50
_NUMBER = re.compile(r"[-+]?(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?")
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+([eE][-+]?\d+)?")


def read_text_table(path: Path) -> TextTable:
    """The file's cells as text; BadInput when it is missing, empty, not UTF-8 or no table.

    Lines that start with '#' before the header are skipped.
    """
    lines = _read_text(path).splitlines()
    skipped = next((i for i, line in enumerate(lines) if _is_header(line)), len(lines))
    lines = lines[skipped:]
    if len(lines) < 2:
        raise BadInput(
            "file is empty" if not lines else "file has a header and no rows", where=path
        )
    delimiter = _delimiter(lines[:SNIFFED_ROWS])
    rows = list(csv.reader(lines[:SNIFFED_ROWS], delimiter=delimiter, skipinitialspace=True))
    if all(_NUMBER.fullmatch(cell.strip()) for cell in rows[0] if cell.strip()):
        raise BadInput("first row is no header", where=path, remedy="name the columns there")
    if len(rows[1]) > len(rows[0]):
        line = skipped + 2
        raise unequal_rows(f"line {line} has {len(rows[1])} cells, header {len(rows[0])}", path)
    decimal = "," if delimiter != "," and _has_decimal_comma(rows[1:]) else "."
    content = "\n".join(lines)
    return text_table(content, path, delimiter=delimiter, skipped_rows=skipped, decimal=decimal)


def _is_header(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig").rstrip()
    except UnicodeDecodeError as error:
        raise BadInput(
            "is not UTF-8 text", where=path, value=f"byte {error.start}", remedy="save it as UTF-8"
        ) from error
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=path) from error


def _delimiter(lines: Sequence[str]) -> str:
    """The delimiter that the header has, and that most rows have as often as the header."""

    def agreement(delimiter: str) -> tuple[bool, int, int]:
        widths = [len(row) for row in csv.reader(lines, delimiter=delimiter)]
        alike = sum(width == widths[0] for width in widths)
        return widths[0] > 1, alike, widths[0]

    return max(DELIMITERS, key=agreement)


def _has_decimal_comma(rows: Sequence[Sequence[str]]) -> bool:
    return any(_DECIMAL_COMMA.fullmatch(cell.strip()) for row in rows for cell in row)
