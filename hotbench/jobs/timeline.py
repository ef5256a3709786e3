"""A print job as columns: one entry per step, read from G-code at memory speed."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.jobs import scan as s
from hotbench.jobs import words as w
from hotbench.jobs.patterns import LAYER_MARK, NO_PATTERNS, UNMATCHED, CommentPatterns
from hotbench.jobs.words import IntArray

Source = bytes | bytearray | memoryview | Iterable[bytes]

CHUNK_BYTES = 16 << 20
MAX_LAYERS = 100_000
MIN_LAYER_MM = 0.04
"""Heights closer than this are one layer (common practice, no source)."""
EXAMPLES = 20
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"

_ERRORS = {
    w.NO_NUMBER: ("a word without a number", "write the number after the letter"),
    w.TWICE: ("a word twice in one block", "one value per word and line"),
    w.TOO_MANY: (f"more than {w.MAX_CODES} codes in one block", "one command per line"),
    w.NOT_TEXT: ("this is not text", "give a plain G-code file"),
    w.TOO_LARGE: (f"a number beyond {w.MAX_NUMBER:g}", "is this a G-code file?"),
    w.NO_WORD: ("neither a word nor a comment", "words are a letter and a number"),
    s.BAD_ARC: ("an arc whose end lies off its circle", "check I, J and R"),
    s.BAD_PLANE: ("arcs outside the XY plane are not read", "use G17"),
    s.UNKNOWN_START: ("an arc from a place not known yet", "move to X and Y first"),
    s.BAD_FEED: ("a feed that is not positive", "time would not move forward"),
    s.BAD_DWELL: ("a dwell that is negative", "time would run backwards"),
    s.LONG_LINE: (f"a line longer than {w.MAX_LINE_BYTES} bytes", "is this a G-code file?"),
    s.BAD_VALUE: ("a temperature or fan value out of range", "0..1000 °C, fan 0..255"),
    s.TWO_ACTIONS: ("two actions in one block", "one command per line"),
    s.NO_MOTION: ("axis words before any G0 to G3", "begin the move with its G word"),
}


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """A job's steps in order; every step array has shape (n,).

    line: 1-based line number. kind: scan.TRAVEL, EXTRUDE, FILAMENT, DWELL or WAIT. length_mm: path
    length. climb_mm: signed height change. fed_mm: filament fed, negative when drawn back.
    net_mm: the part of it that is newly melted, without the refill after a retraction.
    feed_mm_per_s: commanded, inf where none was given yet. corner_cos: cosine of the turn into
    the step, -1 from rest. radius_mm: of an arc, else inf. z_mm: height at its end. dwell_s: of a
    dwell, else 0. unit_mm: length of the block's unit. states_feed: whether its block has a feed
    word. role: number in role_names. layer: from 0, -1 before the first.
    event_line, event_step, event_kind, event_value: temperature and fan words, each before the
    step of that number, in degrees C and fractions. unknown: codes kept and not understood, with
    their counts. unread_lines: lines that do not begin with a word; first_unread_line is 0 when
    there is none. unmatched: examples of comments that no pattern matched.
    """

    line: IntArray
    kind: NDArray[np.int8]
    length_mm: FloatArray
    climb_mm: FloatArray
    fed_mm: FloatArray
    net_mm: FloatArray
    feed_mm_per_s: FloatArray
    corner_cos: FloatArray
    radius_mm: FloatArray
    z_mm: FloatArray
    dwell_s: FloatArray
    unit_mm: FloatArray
    states_feed: NDArray[np.bool_]
    role: NDArray[np.int16]
    layer: NDArray[np.int32]
    role_names: tuple[str, ...]
    event_line: IntArray
    event_step: IntArray
    event_kind: NDArray[np.int8]
    event_value: FloatArray
    unknown: dict[str, int]
    lines: int
    unread_lines: int = 0
    first_unread_line: int = 0
    unmatched: tuple[str, ...] = ()

    def __len__(self) -> int:
        return int(self.line.size)

    def held(self, *kinds: int) -> FloatArray:
        """Value in force at every step from events of these kinds, shape (n,); NaN before."""
        chosen = np.isin(self.event_kind, kinds)
        return _stepwise(self.event_step[chosen], self.event_value[chosen], np.nan, len(self))

    @property
    def set_temperature_C(self) -> FloatArray:
        """Commanded temperature at every step; NaN before the first command."""
        return self.held(s.SET_HEAT, s.SET_HEAT_WAIT)

    @property
    def fan(self) -> FloatArray:
        """Commanded part fan at every step, 0 to 1; NaN before the first command."""
        return self.held(s.SET_FAN)


@dataclass
class _Marks:
    """What comments meant so far, and examples of those that meant nothing."""

    steps: list[IntArray] = field(default_factory=list)
    meanings: list[IntArray] = field(default_factory=list)
    unmatched: dict[str, None] = field(default_factory=dict)


@dataclass
class _Reader:
    """Carries the machine across chunks and collects columns."""

    patterns: CommentPatterns
    state: FloatArray = field(default_factory=s.fresh_state)
    unknown: IntArray = field(default_factory=lambda: np.zeros(s.KNOWN.size, dtype=np.int64))
    counts: IntArray = field(default_factory=lambda: np.zeros(3, dtype=np.int64))
    steps: list[FloatArray] = field(default_factory=list)
    events: list[FloatArray] = field(default_factory=list)
    marks: _Marks = field(default_factory=_Marks)
    done: int = 0

    def __post_init__(self) -> None:
        self.classify = self.patterns.classifier()

    def feed(self, chunk: bytes | memoryview) -> None:
        """Read one chunk that ends at a line's end (the last one may not)."""
        text = np.frombuffer(chunk, dtype=np.uint8)
        lines, notes = s.count_marks(text)
        steps = np.empty((s.STEP_COLUMNS, lines + 2))
        events = np.empty((s.EVENT_COLUMNS, lines + 2))
        spans, note_steps = np.empty((notes, 3), dtype=np.int64), np.empty(notes, dtype=np.int64)
        self.counts[0] = 0
        arrays = (self.unknown, steps, events, spans, note_steps, self.counts)
        error, n_steps, n_events, start, end = s.scan(text, self.state, s.KNOWN, *arrays)
        if error:
            raise self._bad(error, bytes(text[start : min(end, start + 60)]))
        n_notes = int(self.counts[0])
        self._sort_notes(text, spans[:n_notes], note_steps[:n_notes] + self.done)
        events[1, :n_events] += self.done
        self.steps.append(steps[:, :n_steps])
        self.events.append(events[:, :n_events].copy())
        self.done += n_steps

    def _bad(self, error: int, excerpt: bytes) -> BadInput:
        what, remedy = _ERRORS[error]
        shown = excerpt.decode("ascii", "backslashreplace").strip()[:60]
        where = f"line {s.lines_read(self.state)}"
        return BadInput(what, where=where, value=repr(shown), remedy=remedy)

    def _sort_notes(self, text: NDArray[np.uint8], spans: IntArray, steps: IntArray) -> None:
        """Ask the patterns once per distinct comment, in the order of the job."""
        _, first, which = np.unique(spans[:, 2], return_index=True, return_inverse=True)
        meanings = np.empty(first.size, dtype=np.int64)
        for k in np.argsort(first):
            row = first[k]
            comment = bytes(text[spans[row, 0] : spans[row, 1]]).decode("utf-8", "replace").strip()
            meanings[k] = self.classify(comment)
            if meanings[k] == UNMATCHED and len(self.marks.unmatched) < EXAMPLES:
                self.marks.unmatched[comment] = None
        told = meanings[which] != UNMATCHED
        self.marks.steps.append(steps[told])
        self.marks.meanings.append(meanings[which][told])

    def timeline(self) -> Timeline:
        """All chunks as one timeline."""
        if not self.steps or not any((part[s.KIND] <= s.EXTRUDE).any() for part in self.steps):
            raise BadInput("no moves in this job", remedy="is this a G-code file?")
        kind = _column(self.steps, s.KIND).astype(np.int8)
        length_mm = _column(self.steps, s.LENGTH)
        events = np.concatenate(self.events, axis=1)
        still = kind >= s.DWELL
        z_mm = _column(self.steps, s.Z_END)
        unit = _column(self.steps, s.UNIT)
        steps, meanings = np.concatenate(self.marks.steps), np.concatenate(self.marks.meanings)
        return Timeline(
            line=_column(self.steps, s.LINE).astype(np.int64),
            kind=kind,
            length_mm=np.where(still, 0.0, length_mm),
            climb_mm=_column(self.steps, s.CLIMB),
            fed_mm=_column(self.steps, s.FED),
            net_mm=_column(self.steps, s.NET),
            feed_mm_per_s=_column(self.steps, s.FEED),
            corner_cos=_column(self.steps, s.CORNER),
            radius_mm=_column(self.steps, s.RADIUS),
            z_mm=z_mm,
            dwell_s=np.where(still, length_mm, 0.0),
            unit_mm=np.abs(unit),
            states_feed=unit > 0.0,
            role=_roles(steps, meanings, kind.size),
            layer=_layers(steps, meanings, kind, z_mm, by_mark=self.patterns.layer is not None),
            role_names=self.patterns.names,
            event_line=events[0].astype(np.int64),
            event_step=events[1].astype(np.int64),
            event_kind=events[2].astype(np.int8),
            event_value=events[3],
            unknown={
                s.code_name(int(k)): int(self.unknown[k]) for k in np.flatnonzero(self.unknown)
            },
            lines=s.lines_read(self.state),
            unread_lines=int(self.counts[1]),
            first_unread_line=int(self.counts[2]),
            unmatched=tuple(self.marks.unmatched),
        )


def _column(parts: list[FloatArray], index: int) -> FloatArray:
    return np.concatenate([part[index] for part in parts])


def _stepwise(steps: IntArray, values: NDArray[Any], before: float, size: int) -> NDArray[Any]:
    """The value in force at every step, each from the step of its number on; shape (size,)."""
    held = np.concatenate([np.array([before], dtype=values.dtype), values])
    return np.repeat(held, np.diff(steps, prepend=0, append=size))


def _roles(steps: IntArray, meanings: IntArray, size: int) -> NDArray[np.int16]:
    named = meanings >= 0
    return _stepwise(steps[named], meanings[named].astype(np.int16), 0, size)


def _layers(
    steps: IntArray,
    meanings: IntArray,
    kind: NDArray[np.int8],
    z_mm: FloatArray,
    *,
    by_mark: bool,
) -> NDArray[np.int32]:
    if by_mark:
        marks = steps[meanings == LAYER_MARK]
        layer = _stepwise(marks, np.arange(marks.size, dtype=np.int32), -1, kind.size)
    else:
        layer = layers_by_height(kind, z_mm, MIN_LAYER_MM)
    if layer.size and layer[-1] >= MAX_LAYERS:
        raise BadInput("too many layers", value=int(layer[-1]) + 1, limit=MAX_LAYERS)
    return layer


@njit(cache=True)
def layers_by_height(
    kind: NDArray[np.int8], z_mm: FloatArray, least_mm: float
) -> NDArray[np.int32]:
    """Layer of every step, shape (n,): a new one where extrusion ends `least_mm` higher or lower.

    Hops between extrusions do not count; steps before the first extrusion are -1.
    """
    layer = np.empty(kind.size, dtype=np.int32)
    current, at_mm = -1, -1e30
    for i in range(kind.size):
        if kind[i] == s.EXTRUDE and abs(z_mm[i] - at_mm) >= least_mm:
            current += 1
            at_mm = z_mm[i]
        layer[i] = current
    return layer


def _pieces(source: Source) -> Iterator[bytes | memoryview]:
    if isinstance(source, bytes | bytearray | memoryview):
        view = memoryview(source)
        yield from (view[i : i + CHUNK_BYTES] for i in range(0, len(view), CHUNK_BYTES))
    else:
        yield from source


def whole_lines(source: Source) -> Iterator[bytes]:
    """The text in chunks that end at line ends; a line without end is refused early.

    Errors: BadInput for a line longer than words.MAX_LINE_BYTES.
    """
    rest = b""
    for piece in _pieces(source):
        data = rest + bytes(piece)
        cut = data.rfind(b"\n") + 1
        if cut:
            yield data[:cut]
        rest = data[cut:]
        if len(rest) > max(w.MAX_LINE_BYTES, CHUNK_BYTES if cut else 0):
            raise BadInput(*_ERRORS[s.LONG_LINE][:1], remedy=_ERRORS[s.LONG_LINE][1])
    if rest:
        yield rest


def read_timeline(source: Source, patterns: CommentPatterns = NO_PATTERNS) -> Timeline:
    """The job's steps from its text, whole or in chunks of any size.

    Memory is bounded by the columns (about 100 bytes a move), not by the text.
    Errors: BadInput, with the line, for anything that cannot be read without guessing.
    """
    reader = _Reader(patterns)
    for chunk in whole_lines(source):
        first = s.lines_read(reader.state) == 0
        reader.feed(chunk.removeprefix(_BYTE_ORDER_MARK) if first else chunk)
    return reader.timeline()
