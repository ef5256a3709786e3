"""A YAML 1.2 reader for files from anywhere: plain data only, bounded in size, depth and count."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionStartEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    StreamEndEvent,
    StreamStartEvent,
)
from ruamel.yaml.reader import ReaderError

from hotbench.core.errors import BadInput

LIMIT_BYTES = 256 * 1024
LIMIT_DEPTH = 12
LIMIT_NODES = 8_000
"""The demo's profile has 26 kB, 7 levels and 2,600 values; what a file may cost is bounded."""
LIMIT_NUMBER_LENGTH = 60

Location = tuple[str | int, ...]

# The core schema of YAML 1.2.2, section 10.3.2; octal and hexadecimal have no place here.
_NULL = re.compile(r"(?:null|Null|NULL|~|)")
_TRUE, _FALSE = re.compile(r"true|True|TRUE"), re.compile(r"false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_A_NUMBER = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")


@dataclass(frozen=True)
class Document:
    """What a file holds, and on which line (from 1) each value stands."""

    data: Any
    lines: dict[Location, int]
    source: str

    def where(self, location: Location = ()) -> str:
        """'FILE line N, dotted.path' for the location or the nearest one above it."""
        known = location
        while known and known not in self.lines:
            known = known[:-1]
        line = f" line {self.lines[known]}" if known in self.lines else ""
        return f"{self.source}{line}" + (f", {dotted(location)}" if location else "")


def dotted(location: Location) -> str:
    """'heater.heating_rate[2].start' for a location."""
    parts = (f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)
    return clipped("".join(parts).lstrip("."), 120)


def clipped(value: object, width: int = 60) -> str:
    """The value as printable ASCII, cut to `width` characters."""
    text = ascii(value)[1:-1] if isinstance(value, str) else ascii(value)
    return text if len(text) <= width else f"{text[: width - 3]}..."


def read_bytes(path: Path) -> bytes:
    """All bytes of an ordinary file no larger than the limit. Errors: BadInput."""
    try:
        if not path.is_file():
            what = "not an ordinary file" if path.exists() else "no such file"
            remedy = "a folder; name the YAML file" if path.is_dir() else None
            raise BadInput(what, where=path, remedy=remedy)
        with path.open("rb") as file:
            return file.read(LIMIT_BYTES + 1)
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=path) from error


def load(raw: bytes, source: str) -> Document:
    """The one document in `raw`.

    Refuses (BadInput): more than 256 KiB, other encodings than UTF-8, tags, anchors and aliases,
    duplicate keys, keys that are no text, more than one document, 12 levels, 8,000 values.
    """
    builder = _Builder(source)
    try:
        return builder.document(_events(_decoded(raw, source)))
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = f" line {mark.line + 1}" if mark else ""
        what = f"not YAML: {clipped(error.problem or error.context or 'cannot be parsed')}"
        tabbed = "\\t" in what
        raise BadInput(
            what, where=f"{source}{line}", remedy="indent with spaces" if tabbed else None
        ) from error
    except ReaderError as error:
        what = "a character that YAML does not allow"
        raise BadInput(what, where=source, value=f"character code {error.character!r}") from error
    except (YAMLError, ValueError) as error:
        raise BadInput(f"not YAML: {clipped(str(error))}", where=source) from error


def _decoded(raw: bytes, source: str) -> str:
    if len(raw) > LIMIT_BYTES:
        remedy = "a profile is far smaller; was another file meant?"
        raise BadInput("file is too large", where=source, limit=f"{LIMIT_BYTES} B", remedy=remedy)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        what, value = "not UTF-8 text", f"byte 0x{raw[error.start]:02x}"
        raise BadInput(what, where=f"{source} line {line}", value=value) from error
    if not text.strip():
        raise BadInput("file is empty", where=source)
    return text


def _events(text: str) -> Iterator[Event]:
    yaml = YAML(typ="safe", pure=True)
    yaml.version = (1, 2)
    events: Iterator[Event] = yaml.parse(text)
    return events


class _Builder:
    """Builds plain data from parser events, refusing what a profile never needs."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._lines: dict[Location, int] = {}
        self._nodes = 0

    def document(self, events: Iterator[Event]) -> Document:
        body = (e for e in events if not isinstance(e, (StreamStartEvent, StreamEndEvent)))
        first = next(body, None)
        if not isinstance(first, DocumentStartEvent):
            raise BadInput("file holds no document", where=self._source)
        data = self._value(next(body), body, ())
        rest = list(zip(range(2), chain(body), strict=False))
        if len(rest) > 1:
            raise BadInput("more than one document", where=self._source, limit=1)
        return Document(data, self._lines, self._source)

    def _value(self, event: Event, events: Iterator[Event], location: Location) -> Any:
        self._admit(event, location)
        self._lines.setdefault(location, event.start_mark.line + 1)
        if isinstance(event, MappingStartEvent):
            return self._mapping(events, location)
        if isinstance(event, CollectionStartEvent):
            return self._sequence(events, location)
        return self._scalar(event, location)

    def _mapping(self, events: Iterator[Event], location: Location) -> dict[str, Any]:
        mapping: dict[str, Any] = {}
        while not isinstance(event := next(events), MappingEndEvent):
            key = self._key(event, mapping, location)
            self._lines[(*location, key)] = event.start_mark.line + 1
            mapping[key] = self._value(next(events), events, (*location, key))
        return mapping

    def _sequence(self, events: Iterator[Event], location: Location) -> list[Any]:
        items: list[Any] = []
        while not isinstance(event := next(events), SequenceEndEvent):
            items.append(self._value(event, events, (*location, len(items))))
        return items

    def _key(self, event: Event, mapping: dict[str, Any], location: Location) -> str:
        self._admit(event, location)
        if not isinstance(event, ScalarEvent):
            raise self._refusal("a key must be plain text", event, location)
        key = self._text(event, location)
        if key in mapping:
            raise self._refusal(f"duplicate key '{clipped(key)}'", event, location)
        return key

    def _admit(self, event: Event, location: Location) -> None:
        self._nodes += 1
        if isinstance(event, AliasEvent) or getattr(event, "anchor", None):
            raise self._refusal("anchors and aliases are not accepted", event, location)
        if isinstance(event, NodeEvent) and _tag(event):
            raise self._refusal("tags are not accepted", event, location, value=_tag(event))
        if len(location) > LIMIT_DEPTH:
            raise self._refusal("nested too deeply", event, location[:3], limit=LIMIT_DEPTH)
        if self._nodes > LIMIT_NODES:
            raise self._refusal("too many values", event, location, limit=LIMIT_NODES)

    def _scalar(self, event: Any, location: Location) -> Any:
        text = self._text(event, location)
        if event.style is not None or not event.implicit[0]:
            return text
        if _NULL.fullmatch(text):
            return None
        if _TRUE.fullmatch(text) or _FALSE.fullmatch(text):
            return bool(_TRUE.fullmatch(text))
        return self._number(text, event, location)

    def _number(self, text: str, event: Any, location: Location) -> int | float | str:
        if _NOT_A_NUMBER.fullmatch(text):
            raise self._refusal("not a finite number", event, location, value=text)
        if not _FLOAT.fullmatch(text[: LIMIT_NUMBER_LENGTH + 1]):
            return text
        if len(text) > LIMIT_NUMBER_LENGTH:
            limit = f"{LIMIT_NUMBER_LENGTH} characters"
            raise self._refusal("number is too long", event, location, limit=limit)
        return int(text) if _INT.fullmatch(text) else self._finite(float(text), event, location)

    def _finite(self, number: float, event: Any, location: Location) -> float:
        if abs(number) == float("inf"):
            raise self._refusal("not a finite number", event, location, value=event.value)
        return number

    def _text(self, event: Any, location: Location) -> str:
        text = str(event.value)
        if text.isascii():
            return text
        try:  # JSON writes a character beyond 16 bits as an escaped pair
            return text.encode("utf-16", "surrogatepass").decode("utf-16")
        except UnicodeDecodeError as error:
            raise self._refusal("half a character pair", event, location) from error

    def _refusal(
        self,
        what: str,
        event: Any,
        location: Location,
        *,
        value: object = None,
        limit: Any = None,
    ) -> BadInput:
        lines = {location: event.start_mark.line + 1}
        where = Document(None, lines, self._source).where(location)
        shown = None if value is None else clipped(value)
        return BadInput(what, where=where, value=shown, limit=limit)


def _tag(event: NodeEvent) -> str:
    """The explicit tag of a node, '' for none."""
    tag = getattr(event, "ctag", None)
    return str(tag) if tag is not None and str(tag) not in ("", "None") else ""
