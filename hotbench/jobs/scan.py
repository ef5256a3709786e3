"""Compiled G-code machine: follows positions, units, feeds and temperatures block by block."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from hotbench.jobs import words as w
from hotbench.jobs.words import ByteArray, IntArray

Floats = NDArray[np.float64]

TRAVEL, EXTRUDE, FILAMENT, DWELL, WAIT = range(5)
"""Kinds of step: without and with newly melted plastic, filament only, dwell, heater wait."""

LINE, KIND, LENGTH, CLIMB, FED, NET, FEED, CORNER, RADIUS, Z_END, UNIT = range(11)
STEP_COLUMNS = 11
"""Step columns: mm, s and mm/s; DWELL keeps its seconds in LENGTH.

UNIT is the length of the block's unit, negative where the block states no feed.
"""

SET_HEAT, SET_HEAT_WAIT, SET_FAN = range(3)
EVENT_COLUMNS = 4
"""Event columns: line, step it precedes, kind, value (degrees C or fraction)."""

BAD_ARC, BAD_PLANE, UNKNOWN_START, BAD_FEED, BAD_DWELL, LONG_LINE, BAD_VALUE = range(10, 17)
TWO_ACTIONS, NO_MOTION = 17, 18
MAX_LINE_BYTES = 65_536

_POS, _SEEN, _SCALE, _ABSOLUTE, _E_ABSOLUTE, _FEED, _MOTION, _DIRECTION = 0, 4, 8, 9, 10, 11, 12, 13
_HAS_DIRECTION, _FED_TOTAL, _FED_TOP, _LINE_NO, STATE_SIZE = 16, 17, 18, 19, 20
"""Places in the state: position X Y Z E, which of them are known, unit scale, modes, feed, ..."""

_E, _F, _I, _J, _P, _R, _S, _T, _X, _Y, _Z = 4, 5, 8, 9, 15, 17, 18, 19, 23, 24, 25
_MM_PER_INCH = 25.4
_ARC_SLACK_MM, _ARC_SLACK = 0.05, 0.002


def key(code: str) -> int:
    """The counting key of a code such as 'G1' or 'G92.1'."""
    return (ord(code[0]) - 65) * w.CODE_SLOTS + round(float(code[1:]) * 10)


def code_name(slot: int) -> str:
    """The code of a counting key, such as 'M486'."""
    letter, number = divmod(slot, w.CODE_SLOTS)
    whole, sub = divmod(number, 10)
    return f"{chr(65 + letter)}{whole}" + (f".{sub}" if sub else "")


KNOWN_CODES = (
    *("G0", "G1", "G2", "G3", "G4", "G17", "G18", "G19", "G20", "G21", "G28", "G90", "G91", "G92"),
    *("M82", "M83", "M104", "M109", "M106", "M107"),
)
KNOWN = np.zeros(26 * w.CODE_SLOTS, dtype=np.uint8)
KNOWN[[key(code) for code in KNOWN_CODES]] = 1

_G = 6 * w.CODE_SLOTS
_M = 12 * w.CODE_SLOTS
_G4, _G17, _G18, _G19, _G20, _G21, _G28 = (
    _G + 40,
    _G + 170,
    _G + 180,
    _G + 190,
    _G + 200,
    _G + 210,
    _G + 280,
)
_G90, _G91, _G92, _M82, _M83 = _G + 900, _G + 910, _G + 920, _M + 820, _M + 830
_M104, _M106, _M107, _M109 = _M + 1040, _M + 1060, _M + 1070, _M + 1090


def fresh_state() -> Floats:
    """The machine at the start of a job: mm, absolute, nothing known about where it stands."""
    state = np.zeros(STATE_SIZE)
    state[_SCALE], state[_ABSOLUTE], state[_E_ABSOLUTE] = 1.0, 1.0, 1.0
    state[_SEEN + 3], state[_FEED], state[_MOTION] = 1.0, math.inf, -1.0
    return state


def lines_read(state: Floats) -> int:
    """Lines consumed so far."""
    return int(state[_LINE_NO])


@njit(cache=True, error_model="numpy")
def count_marks(text: ByteArray) -> tuple[int, int]:
    """Line feeds, and places where a comment may begin."""
    lines, notes = 0, 0
    for byte in text:
        lines += byte == 10
        notes += byte == 59 or byte == 40
    return lines, notes


@njit(cache=True, error_model="numpy")
def _modal(state: Floats, code: int) -> bool:
    """Apply a mode word; False when `code` is none."""
    if code in (_G20, _G21):
        state[_SCALE] = _MM_PER_INCH if code == _G20 else 1.0
    elif code in (_G90, _G91):
        state[_ABSOLUTE] = 1.0 if code == _G90 else 0.0
    elif code in (_M82, _M83):
        state[_E_ABSOLUTE] = 1.0 if code == _M82 else 0.0
    else:
        return False
    return True


@njit(cache=True, error_model="numpy")
def _axis_letter(axis: int) -> int:
    return _X + axis if axis < 3 else _E


@njit(cache=True, error_model="numpy")
def _home(state: Floats, flags: ByteArray) -> None:
    every = not (flags[_X] or flags[_Y] or flags[_Z])
    for axis in range(3):
        if every or flags[_axis_letter(axis)]:
            state[_POS + axis], state[_SEEN + axis] = 0.0, 0.0
    state[_HAS_DIRECTION] = 0.0


@njit(cache=True, error_model="numpy")
def _reset(state: Floats, words: Floats, flags: ByteArray) -> None:
    every = not (flags[_X] or flags[_Y] or flags[_Z] or flags[_E])
    for axis in range(4):
        letter = _axis_letter(axis)
        if every or flags[letter]:
            state[_POS + axis] = words[letter] * state[_SCALE] if flags[letter] == 1 else 0.0
            state[_SEEN + axis] = 1.0


@njit(cache=True, error_model="numpy")
def _target(state: Floats, words: Floats, flags: ByteArray, delta: Floats) -> None:
    """Move the position by the axis words; delta gets the known displacement."""
    for axis in range(4):
        delta[axis] = 0.0
        letter = _axis_letter(axis)
        if not flags[letter]:
            continue
        value = words[letter] * state[_SCALE]
        if state[_E_ABSOLUTE if axis == 3 else _ABSOLUTE] == 0.0:
            delta[axis] = value
            state[_POS + axis] += value
        else:
            delta[axis] = value - state[_POS + axis] if state[_SEEN + axis] else 0.0
            state[_POS + axis], state[_SEEN + axis] = value, 1.0


@njit(cache=True, error_model="numpy")
def _net_fed(state: Floats, fed_mm: float) -> float:
    """Filament beyond the furthest yet: what follows a retraction only refills it."""
    state[_FED_TOTAL] += fed_mm
    net: float = max(0.0, state[_FED_TOTAL] - state[_FED_TOP])
    state[_FED_TOP] += net
    return net


@njit(cache=True, error_model="numpy")
def _corner(state: Floats, start: Floats, stop: Floats) -> float:
    """Cosine between the last direction and `start`; -1 from rest. Keeps `stop` for the next."""
    cosine = -1.0
    if state[_HAS_DIRECTION]:
        cosine = 0.0
        for axis in range(3):
            cosine += state[_DIRECTION + axis] * start[axis]
    for axis in range(3):
        state[_DIRECTION + axis] = stop[axis]
    state[_HAS_DIRECTION] = 1.0
    return cosine


@njit(cache=True, error_model="numpy")
def _radius_centre(chord: Floats, radius: float, clockwise: bool) -> tuple[float, float]:
    """Centre, relative to the start, of the arc of signed radius over the chord; NaN if none."""
    length = math.hypot(chord[0], chord[1])
    squared = radius * radius - 0.25 * length * length
    if length == 0.0 or squared < -_ARC_SLACK * radius * radius:
        return math.nan, math.nan
    side = math.sqrt(max(0.0, squared)) / length
    if clockwise == (radius > 0.0):
        side = -side
    return 0.5 * chord[0] - side * chord[1], 0.5 * chord[1] + side * chord[0]


@njit(cache=True, error_model="numpy")
def _arc(
    delta: Floats, i: float, j: float, clockwise: bool, start: Floats, stop: Floats
) -> tuple[float, float]:
    """Path length and radius of the arc about (i, j) from its start; unit tangents are filled.

    The length is NaN when the end lies off the circle.
    """
    radius = math.hypot(i, j)
    end_x, end_y = delta[0] - i, delta[1] - j
    off = abs(math.hypot(end_x, end_y) - radius)
    if not radius > 0.0 or off > max(_ARC_SLACK_MM, _ARC_SLACK * radius):
        return math.nan, radius
    sign = -1.0 if clockwise else 1.0
    sweep = sign * (math.atan2(end_y, end_x) - math.atan2(-j, -i))
    if sweep <= 1e-9:
        sweep += 2.0 * math.pi
    length = math.hypot(sweep * radius, delta[2])
    flat, climb = sweep * radius / length, delta[2] / length
    angle = math.atan2(-j, -i)
    start[0], start[1], start[2] = (
        -sign * math.sin(angle) * flat,
        sign * math.cos(angle) * flat,
        climb,
    )
    angle += sign * sweep
    stop[0], stop[1], stop[2] = -sign * math.sin(angle) * flat, sign * math.cos(angle) * flat, climb
    return length, radius


@njit(cache=True, error_model="numpy")
def _line(delta: Floats, start: Floats) -> float:
    length = math.sqrt(delta[0] ** 2 + delta[1] ** 2 + delta[2] ** 2)
    if length > 0.0:
        for axis in range(3):
            start[axis] = delta[axis] / length
    return length


@njit(cache=True, error_model="numpy")
def _bare_words(flags: ByteArray) -> bool:
    axes = flags[_X] == 2 or flags[_Y] == 2 or flags[_Z] == 2 or flags[_E] == 2
    rest = flags[_F] == 2 or flags[_I] == 2 or flags[_J] == 2 or flags[_R] == 2
    return bool(axes or rest)


@njit(cache=True, error_model="numpy")
def _path(
    state: Floats, words: Floats, flags: ByteArray, vectors: Floats, seen: bool
) -> tuple[int, float, float]:
    """(error, path length, radius) of the motion in `state`; fills the tangents in vectors."""
    delta, start, stop = vectors[0], vectors[1], vectors[2]
    clockwise = state[_MOTION] == 2.0
    if state[_MOTION] < 2.0:
        length = _line(delta, start)
        stop[:3] = start[:3]
        return w.OK, length, math.inf
    if not seen:
        return UNKNOWN_START, 0.0, 0.0
    i = words[_I] * state[_SCALE] if flags[_I] else 0.0
    j = words[_J] * state[_SCALE] if flags[_J] else 0.0
    if flags[_R]:
        i, j = _radius_centre(delta, words[_R] * state[_SCALE], clockwise)
    length, radius = _arc(delta, i, j, clockwise, start, stop)
    return (BAD_ARC if math.isnan(length) else w.OK), length, radius


@njit(cache=True, error_model="numpy")
def _move(state: Floats, words: Floats, flags: ByteArray, vectors: Floats, row: Floats) -> int:
    """One motion block into `row`; KIND stays -1 when nothing moves. Returns an error code."""
    row[KIND] = -1.0
    if _bare_words(flags):
        return w.NO_NUMBER
    if flags[_F]:
        state[_FEED] = words[_F] * state[_SCALE] / 60.0
        if not state[_FEED] > 0.0:
            return BAD_FEED
    seen = state[_SEEN] > 0.0 and state[_SEEN + 1] > 0.0
    _target(state, words, flags, vectors[0])
    error, length, radius = _path(state, words, flags, vectors, seen)
    if error:
        return error
    fed = vectors[0, 3]
    if length == 0.0 and fed == 0.0:
        return w.OK
    net = _net_fed(state, fed)
    row[LINE], row[LENGTH], row[CLIMB], row[FED] = state[_LINE_NO], length, vectors[0, 2], fed
    row[NET], row[FEED], row[RADIUS], row[Z_END] = net, state[_FEED], radius, state[_POS + 2]
    row[UNIT] = state[_SCALE] if flags[_F] else -state[_SCALE]
    if length == 0.0:
        state[_HAS_DIRECTION] = 0.0
        row[KIND], row[CORNER] = FILAMENT, -1.0
        return w.OK
    row[KIND] = EXTRUDE if net > 0.0 else TRAVEL
    row[CORNER] = _corner(state, vectors[1], vectors[2])
    return w.OK


@njit(cache=True, error_model="numpy")
def _pause(state: Floats, seconds: float, kind: int, row: Floats) -> None:
    row[:] = 0.0
    row[LINE], row[KIND], row[LENGTH] = state[_LINE_NO], kind, seconds
    row[FEED], row[CORNER], row[RADIUS], row[Z_END] = math.inf, -1.0, math.inf, state[_POS + 2]
    state[_HAS_DIRECTION] = 0.0


@njit(cache=True, error_model="numpy")
def _dwell(state: Floats, words: Floats, flags: ByteArray, row: Floats) -> int:
    if flags[_P] == 2 or flags[_S] == 2:
        return w.NO_NUMBER
    seconds = words[_S] if flags[_S] else (words[_P] / 1000.0 if flags[_P] else 0.0)
    _pause(state, seconds, DWELL, row)
    return BAD_DWELL if seconds < 0.0 else w.OK


@njit(cache=True, error_model="numpy")
def _set(
    state: Floats, code: int, words: Floats, flags: ByteArray, event: Floats
) -> tuple[int, bool]:
    """Temperature and fan words into `event`: (error, whether it applies to this hot end)."""
    heat = code in (_M104, _M109)
    if (flags[_T] == 1 and words[_T] != 0.0 and heat) or (flags[_P] and not heat and words[_P]):
        return w.OK, False
    value = 1.0 if code == _M106 else 0.0
    given = flags[_S] == 1 or (code == _M109 and flags[_R] == 1)
    if given and code != _M107:
        value = words[_S] if flags[_S] == 1 else words[_R]
        value = value if heat else value / 255.0
    if (heat and not given) or flags[_S] == 2:
        return w.NO_NUMBER, False
    if value < 0.0 or value > (1000.0 if heat else 1.0):
        return BAD_VALUE, False
    kind = SET_FAN if not heat else (SET_HEAT_WAIT if code == _M109 else SET_HEAT)
    event[0], event[2], event[3] = state[_LINE_NO], kind, value
    return w.OK, True


@njit(cache=True, error_model="numpy")
def _axis_words(flags: ByteArray) -> bool:
    return bool(
        flags[_X] or flags[_Y] or flags[_Z] or flags[_E] or flags[_F] or flags[_I] or flags[_J]
    )


@njit(cache=True, error_model="numpy")
def _act(
    state: Floats,
    code: int,
    words: Floats,
    flags: ByteArray,
    steps: Floats,
    events: Floats,
    fill: IntArray,
) -> int:
    """Carry out the block's one action that is neither motion nor mode; returns an error code."""
    if code in (_G28, _G92):
        if code == _G28:
            _home(state, flags)
        else:
            _reset(state, words, flags)
        return w.OK
    if code in (_G18, _G19):
        return BAD_PLANE
    if _axis_words(flags):
        return TWO_ACTIONS
    if code == _G4:
        fill[0] += 1
        return _dwell(state, words, flags, steps[:, fill[0] - 1])
    error, applies = _set(state, code, words, flags, events[:, fill[1]])
    if error or not applies:
        return error
    events[1, fill[1]] = fill[0]
    fill[1] += 1
    if code == _M109:
        _pause(state, 0.0, WAIT, steps[:, fill[0]])
        fill[0] += 1
    return w.OK


@njit(cache=True, error_model="numpy")
def _sort_codes(
    state: Floats, codes: IntArray, n_codes: int, known: ByteArray, unknown: IntArray
) -> tuple[int, int]:
    """Apply the block's mode words: (error, its action or -1). Motion words are modes too."""
    action = -1
    for k in range(n_codes):
        code = codes[k]
        if not known[code]:
            unknown[code] += 1
        elif _G <= code <= _G + 30 and code % 10 == 0:
            state[_MOTION] = (code - _G) // 10
        elif not _modal(state, code) and code != _G17:
            if action >= 0:
                return TWO_ACTIONS, action
            action = code
    return w.OK, action


@njit(cache=True, error_model="numpy")
def _run_block(
    state: Floats,
    codes: IntArray,
    n_codes: int,
    words: Floats,
    flags: ByteArray,
    known: ByteArray,
    unknown: IntArray,
    vectors: Floats,
    steps: Floats,
    events: Floats,
    fill: IntArray,
) -> int:
    """Carry out a block, which adds at most one step and one event; returns an error code."""
    error, action = _sort_codes(state, codes, n_codes, known, unknown)
    if error:
        return error
    if action >= 0:
        return _act(state, action, words, flags, steps, events, fill)
    if not _axis_words(flags):
        return w.OK
    if state[_MOTION] < 0.0:
        return NO_MOTION
    error = _move(state, words, flags, vectors, steps[:, fill[0]])
    fill[0] += steps[KIND, fill[0]] >= 0.0
    return error


@njit(cache=True, error_model="numpy")
def scan(
    text: ByteArray,
    state: Floats,
    known: ByteArray,
    unknown: IntArray,
    steps: Floats,
    events: Floats,
    notes: IntArray,
    note_steps: IntArray,
    counts: IntArray,
) -> tuple[int, int, int, int, int]:
    """Read whole lines of `text`: (error, steps, events, start and end of the line in error).

    `state` is carried on; steps and events get one column per step and event; notes (start, stop,
    hash) and note_steps (the step each comment precedes) are filled from counts[0] on; see
    words.read_block for counts.
    """
    words, flags = np.zeros(26), np.zeros(26, dtype=np.uint8)
    codes, fill = np.zeros(w.MAX_CODES, dtype=np.int64), np.zeros(2, dtype=np.int64)
    vectors = np.zeros((3, 4))
    at, size = 0, text.size
    while at < size:
        end = w.line_end(text, at, size)
        state[_LINE_NO] += 1.0
        if end - at > MAX_LINE_BYTES:
            return LONG_LINE, fill[0], fill[1], at, end
        before = counts[0]
        error, n_codes = w.read_block(
            text, at, end, int(state[_LINE_NO]), known, words, flags, codes, notes, counts
        )
        note_steps[before : counts[0]] = fill[0]
        if not error:
            error = _run_block(
                state, codes, n_codes, words, flags, known, unknown, vectors, steps, events, fill
            )
        if error:
            return error, fill[0], fill[1], at, end
        at = end + 1
    return w.OK, fill[0], fill[1], 0, 0
