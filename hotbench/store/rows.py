"""Rows as bytes and back: deterministic numbers, and one line per row whatever the text holds."""

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

from hotbench.core.records import Event, Extrusion, Sample
from hotbench.store.layout import COLUMNS

_UNSAFE = re.compile(r"[\\\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_ESCAPED = re.compile(r"\\(?:\\|x([0-9a-f]{2})|u([0-9a-f]{4}))")


def escape(text: str) -> str:
    """`text` on one line and encodable: what could break a row becomes a backslash escape."""
    return _UNSAFE.sub(_escaped, text)


def _escaped(match: re.Match[str]) -> str:
    character = match.group()
    code = ord(character)
    if character == "\\":
        return "\\\\"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def unescape(text: str) -> str:
    """The inverse of `escape`."""
    return _ESCAPED.sub(lambda m: chr(int(m[1] or m[2], 16)) if m[1] or m[2] else "\\", text)


def number(value: float | None) -> str:
    """Nine significant digits without trailing zeros; empty when unknown."""
    if value is None or not math.isfinite(value):
        return ""
    return f"{value + 0.0:.9g}"


def seconds(value: float) -> str:
    """A time to the microsecond, without trailing zeros."""
    text = f"{value + 0.0:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def header(file_name: str) -> bytes:
    """The header row of a resource."""
    return to_bytes([COLUMNS[file_name]])


def sample_row(sample: Sample) -> bytes:
    """One row of samples.csv."""
    return sample_rows([sample])


def sample_rows(samples: Iterable[Sample]) -> bytes:
    """Rows of samples.csv."""
    return to_bytes(
        (
            seconds(sample.time_s),
            number(sample.temperature_C),
            number(sample.setpoint_C),
            number(sample.duty),
            number(sample.fan),
            number(sample.flow_mm3_per_s),
            escape(sample.phase),
        )
        for sample in samples
    )


def event_row(event: Event) -> bytes:
    """One row of events.csv."""
    return to_bytes([(seconds(event.time_s), event.kind, escape(event.text))])


def extrusion_row(extrusion: Extrusion) -> bytes:
    """One row of extrusions.csv."""
    values = (getattr(extrusion, name) for name in COLUMNS["extrusions.csv"])
    return to_bytes([[number(value) for value in values]])


def to_bytes(rows: Iterable[Sequence[str]]) -> bytes:
    """Comma-separated rows (RFC 4180 quoting, LF line ends) in UTF-8."""
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().encode()
