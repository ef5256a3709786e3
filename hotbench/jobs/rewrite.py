"""A copy of a job with a schedule's commands and feeds inserted, and the way back."""

import hashlib
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from hotbench.core.errors import BadInput, FellShort
from hotbench.jobs import scan as s
from hotbench.jobs.emit import Row
from hotbench.jobs.schedule import Schedule
from hotbench.jobs.timeline import Source, read_timeline, whole_lines

ADDED = b" ;hotbench+"
OFF = b";hotbench-off "
WAS = b" ;hotbench-was F"
_ADDED_LINE = re.compile(rb"[^\n]*;hotbench\+\r?(?:\n|\Z)")
_OFF_LINE = re.compile(rb"(?m)^;hotbench-off ")
_FEED_LINE = re.compile(
    rb"(?m)^(?P<head>(?:[^\n;(Ff]|\([^)\n]*\))*[Ff])[ \t]*[-+.\d]+"
    rb"(?P<tail>[^\n]*?) ;hotbench-was F(?P<was>[-+.\d \t]+?)(?P<end>\r?)$"
)
_NOTE = re.compile(rb"\([^)]*\)|;.*|\(.*")
_FEED_WORD = re.compile(rb"[Ff]([ \t]*[-+]?[.\d]+)")
_MOTION_WORD = re.compile(rb"[Gg]0*[0-3](?![.\d])")
_NUMBERED = re.compile(rb"\s*[Nn]\d|[^;(]*\*")
_FEED_TOLERANCE = 1e-3
_SMALLEST_FEED = 1e-3


@dataclass
class _Edit:
    """What happens at one line."""

    before: list[str] = field(default_factory=list)
    feed: str | None = None
    off: bool = False


def rewrite(source: Source, schedule: Schedule, rows: Sequence[Row]) -> Iterator[bytes]:
    """The job's text with the schedule in it, in chunks.

    Added lines end in ";hotbench+". A feed word that changes keeps its old text in a trailing
    comment. The job's own temperature words between the first and the last print move would fight
    the schedule and are commented out. Nothing else changes; `restore` gives the job back.
    Errors: BadInput for numbered lines, for a move without a G word where one is needed, and for
    a job that was rewritten before.
    """
    edits = _edits(schedule, rows)
    lines = np.array(sorted(edits), dtype=np.int64)
    first_line = 1
    for chunk in whole_lines(source):
        if b";hotbench" in chunk:
            raise BadInput("this job was rewritten before", remedy="restore it first")
        ends = np.flatnonzero(np.frombuffer(chunk, dtype=np.uint8) == 10) + 1
        starts = np.concatenate([[0], ends])
        count = ends.size + (not chunk.endswith(b"\n"))
        here = lines[(lines >= first_line) & (lines < first_line + count)]
        yield b"".join(_pieces(chunk, starts, first_line, here, edits))
        first_line += count


def _pieces(
    chunk: bytes,
    starts: np.ndarray[tuple[int], np.dtype[np.int64]],
    first_line: int,
    here: np.ndarray[tuple[int], np.dtype[np.int64]],
    edits: dict[int, _Edit],
) -> Iterator[bytes]:
    done = 0
    for line in here:
        k = int(line) - first_line
        start = int(starts[k])
        end = int(starts[k + 1]) if k + 1 < starts.size else len(chunk)
        yield chunk[done:start]
        yield _edited(chunk[start:end], edits[int(line)], int(line))
        done = end
    yield chunk[done:]


def _edited(text: bytes, edit: _Edit, line: int) -> bytes:
    body = text.rstrip(b"\r\n")
    ending = text[len(body) :]
    if _NUMBERED.match(body):
        remedy = "take the numbers and checksums out first"
        raise BadInput("numbered lines cannot be rewritten", where=f"line {line}", remedy=remedy)
    if any("F" in command for command in edit.before) and not _MOTION_WORD.search(body):
        raise BadInput("a move without its G word cannot be slowed", where=f"line {line}")
    newline = ending or b"\n"
    added = b"".join(command.encode("ascii") + ADDED + newline for command in edit.before)
    if edit.off:
        body = OFF + body
    if edit.feed is not None:
        body = _with_feed(body, edit.feed, line)
    return added + body + ending


def _with_feed(body: bytes, feed: str, line: int) -> bytes:
    word = _FEED_WORD.search(_NOTE.sub(lambda note: b" " * len(note[0]), body))
    if word is None:
        raise BadInput("the feed word was not found again", where=f"line {line}")
    new = body[: word.start(1)] + feed.encode("ascii") + body[word.end(1) :]
    return new + WAS + word.group(1)


def _edits(schedule: Schedule, rows: Sequence[Row]) -> dict[int, _Edit]:
    edits: dict[int, _Edit] = {}
    for row in rows:
        edits.setdefault(row.line, _Edit()).before.append(row.command)
    _feed_edits(schedule, edits)
    job, (begin, end) = schedule.job, schedule.span
    heat = np.isin(job.event_kind, (s.SET_HEAT, s.SET_HEAT_WAIT))
    inside = heat & (job.event_step > begin) & (job.event_step < end)
    for line in job.event_line[inside]:
        edits.setdefault(int(line), _Edit()).off = True
    return edits


def _feed_edits(schedule: Schedule, edits: dict[int, _Edit]) -> None:
    """State the feed at every slowed move, and again at the first that is not slowed any more.

    A slowed move right after another of the same feed, on the next line, needs no word of its own.
    """
    job = schedule.job
    moves = np.flatnonzero(job.kind <= s.FILAMENT)
    feed, line, stated = schedule.feed_mm_per_s[moves], job.line[moves], job.states_feed[moves]
    changed = feed < job.feed_mm_per_s[moves] * (1.0 - _FEED_TOLERANCE)
    was_changed = np.concatenate([[False], changed[:-1]])
    steady = np.concatenate([[False], (feed[1:] == feed[:-1]) & (np.diff(line) == 1)])
    due = np.where(changed, stated | ~(steady & was_changed), was_changed & ~stated)
    reachable = np.where(np.isfinite(feed), feed, schedule.motion.cruise_mm_per_s[moves])
    for k in np.flatnonzero(due):
        edit = edits.setdefault(int(line[k]), _Edit())
        text = _feed_text(float(reachable[k]), float(job.unit_mm[moves[k]]))
        if stated[k]:
            edit.feed = text
        else:
            edit.before.append(f"G1 F{text}")


def _feed_text(feed_mm_per_s: float, unit_mm: float) -> str:
    """A feed word's number, rounded down so that no limit is passed."""
    value = feed_mm_per_s * 60.0 / unit_mm
    places = 1 if value >= 100.0 else 4
    floored = math.floor(value * 10**places) / 10**places
    return f"{max(floored, _SMALLEST_FEED):.{places}f}".rstrip("0").rstrip(".")


def restore(source: Source) -> Iterator[bytes]:
    """The original text of a rewritten job, byte for byte, in chunks."""
    for chunk in whole_lines(source):
        kept = _ADDED_LINE.sub(b"", chunk)
        kept = _OFF_LINE.sub(b"", kept)
        yield _FEED_LINE.sub(rb"\g<head>\g<was>\g<tail>\g<end>", kept)


def digest(source: Source) -> str:
    """SHA-256 of a text in chunks."""
    total = hashlib.sha256()
    for chunk in whole_lines(source):
        total.update(chunk)
    return total.hexdigest()


def verify(original: Source, rewritten: Sequence[bytes], schedule: Schedule) -> None:
    """Re-read a rewritten job: it restores to the original, moves alike, and is as slow as meant.

    Errors: FellShort that names the first difference.
    """
    if digest(restore(rewritten)) != digest(original):
        raise FellShort("the rewritten job does not restore to the original")
    again, job = read_timeline(rewritten), schedule.job
    kept, own = again.kind <= s.FILAMENT, job.kind <= s.FILAMENT
    for name in ("length_mm", "fed_mm", "climb_mm"):
        if not np.array_equal(getattr(again, name)[kept], getattr(job, name)[own]):
            raise FellShort(f"the rewritten job moves differently: {name}")
    paused_s = float(again.dwell_s.sum() - job.dwell_s.sum())
    if not math.isclose(paused_s, float(schedule.pause_s.sum()), abs_tol=1.0, rel_tol=0.01):
        raise FellShort(f"the rewritten job pauses {paused_s:g} s, not as scheduled")
    wanted, got = schedule.feed_mm_per_s[own], again.feed_mm_per_s[kept]
    if not np.all(got <= wanted * (1.0 + _FEED_TOLERANCE)):
        line = int(job.line[own][np.argmax(got > wanted * (1.0 + _FEED_TOLERANCE))])
        raise FellShort(f"the rewritten job is faster than scheduled at line {line}")
