"""Compiled G-code machine: follows positions, units, feeds and temperatures block by block."""

import math

import numpy as np
from numba import njit

from hotbench.jobs import words as w
from hotbench.jobs.words import ByteArray, Floats, IntArray, bit

Vector = tuple[float, float, float]
Past = tuple[float, float, Vector]
"""Filament fed, the most of it yet, and the direction of the last move, zero from rest."""

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

_POS, _SEEN, _SCALE, _ABSOLUTE, _E_ABSOLUTE, _FEED, _MOTION, _DIRECTION = 0, 4, 8, 9, 10, 11, 12, 13
_FED_TOTAL, _FED_TOP, _LINE_NO, STATE_SIZE = 16, 17, 18, 19
"""Places in the state: position X Y Z E, which of them are known, unit scale, modes, feed, ..."""

_E, _F, _I, _J, _P, _R, _S, _T, _X, _Y, _Z = 4, 5, 8, 9, 15, 17, 18, 19, 23, 24, 25
_XYZ = 1 << _X | 1 << _Y | 1 << _Z
_XYZE = _XYZ | 1 << _E
_NUMBERED = _XYZE | 1 << _F | 1 << _I | 1 << _J | 1 << _R
_ACTING = _XYZE | 1 << _F | 1 << _I | 1 << _J
_MM_PER_INCH = 25.4
_ARC_SLACK_MM, _ARC_SLACK = 0.05, 0.002
_NOWHERE = (0.0, 0.0, 0.0)


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
def _home(state: Floats, given: int) -> None:
    every = not given & _XYZ
    for axis in range(3):
        if every or given & bit(_axis_letter(axis)):
            state[_POS + axis], state[_SEEN + axis] = 0.0, 0.0
    _rest(state)


@njit(cache=True, error_model="numpy")
def _reset(state: Floats, words: Floats, given: int) -> None:
    every = not given & _XYZE
    for axis in range(4):
        letter = _axis_letter(axis)
        if every or given & bit(letter):
            state[_POS + axis] = 0.0 if every else words[letter] * state[_SCALE]
            state[_SEEN + axis] = 1.0


@njit(cache=True, error_model="numpy")
def _shift(state: Floats, words: Floats, given: int, axis: int, letter: int) -> float:
    """Move the position along an axis by its word; returns the known displacement."""
    if not given & bit(letter):
        return 0.0
    value: float = words[letter] * state[_SCALE]
    if state[_E_ABSOLUTE if axis == 3 else _ABSOLUTE] == 0.0:
        state[_POS + axis] += value
        return value
    delta = value - state[_POS + axis] if state[_SEEN + axis] else 0.0
    state[_POS + axis], state[_SEEN + axis] = value, 1.0
    return delta


@njit(cache=True, error_model="numpy")
def _record(
    steps: Floats,
    n: int,
    past: Past,
    fed: float,
    length: float,
    start: Vector,
    stop: Vector,
) -> Past:
    """Kind, lengths, newly melted filament and corner of column n; returns the past after it.

    Filament beyond the furthest yet is new: what follows a retraction only refills it. The corner
    is the cosine between the last direction and `start`, -1 from rest.
    """
    total, top, heading = past
    total += fed
    net = max(0.0, total - top)
    steps[LENGTH, n], steps[FED, n], steps[NET, n] = length, fed, net
    if length == 0.0:
        steps[KIND, n], steps[CORNER, n] = FILAMENT, -1.0
        return total, top + net, _NOWHERE
    steps[KIND, n] = EXTRUDE if net > 0.0 else TRAVEL
    cosine = heading[0] * start[0] + heading[1] * start[1] + heading[2] * start[2]
    rested = heading[0] == 0.0 and heading[1] == 0.0 and heading[2] == 0.0
    steps[CORNER, n] = -1.0 if rested else cosine
    return total, top + net, stop


@njit(cache=True, error_model="numpy")
def _past(state: Floats) -> Past:
    heading = state[_DIRECTION], state[_DIRECTION + 1], state[_DIRECTION + 2]
    return state[_FED_TOTAL], state[_FED_TOP], heading


@njit(cache=True, error_model="numpy")
def _keep(state: Floats, past: Past) -> None:
    state[_FED_TOTAL], state[_FED_TOP] = past[0], past[1]
    state[_DIRECTION], state[_DIRECTION + 1], state[_DIRECTION + 2] = past[2]


@njit(cache=True, error_model="numpy")
def _rest(state: Floats) -> None:
    """The next move starts from rest: there is no last direction."""
    state[_DIRECTION : _DIRECTION + 3] = 0.0


@njit(cache=True, error_model="numpy")
def _radius_centre(chord: Vector, radius: float, clockwise: bool) -> tuple[float, float]:
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
def _arc(delta: Vector, i: float, j: float, clockwise: bool) -> tuple[float, float, Vector, Vector]:
    """Path length, radius and unit tangents at both ends of the arc about (i, j) from its start.

    The length is NaN when the end lies off the circle.
    """
    radius = math.hypot(i, j)
    end_x, end_y = delta[0] - i, delta[1] - j
    off = abs(math.hypot(end_x, end_y) - radius)
    if not radius > 0.0 or off > max(_ARC_SLACK_MM, _ARC_SLACK * radius):
        return math.nan, radius, _NOWHERE, _NOWHERE
    sign = -1.0 if clockwise else 1.0
    begin = math.atan2(-j, -i)
    sweep = sign * (math.atan2(end_y, end_x) - begin)
    if sweep <= 1e-9:
        sweep += 2.0 * math.pi
    length = math.hypot(sweep * radius, delta[2])
    flat, climb = sign * sweep * radius / length, delta[2] / length
    end = begin + sign * sweep
    start = (-flat * math.sin(begin), flat * math.cos(begin), climb)
    stop = (-flat * math.sin(end), flat * math.cos(end), climb)
    return length, radius, start, stop


@njit(cache=True, error_model="numpy")
def _line(delta: Vector) -> tuple[float, Vector]:
    """Length and unit tangent."""
    x, y, z = delta
    length = math.sqrt(x * x + y * y + z * z)
    if length > 0.0:
        return length, (x / length, y / length, z / length)
    return length, _NOWHERE


@njit(cache=True, error_model="numpy")
def _turn(
    state: Floats, words: Floats, given: int, delta: Vector
) -> tuple[float, float, Vector, Vector]:
    """The arc of the motion in `state`; see _arc."""
    clockwise = state[_MOTION] == 2.0
    i = words[_I] * state[_SCALE] if given & bit(_I) else 0.0
    j = words[_J] * state[_SCALE] if given & bit(_J) else 0.0
    if given & bit(_R):
        i, j = _radius_centre(delta, words[_R] * state[_SCALE], clockwise)
    return _arc(delta, i, j, clockwise)


@njit(cache=True, error_model="numpy")
def _move(state: Floats, words: Floats, given: int, steps: Floats, fill: IntArray) -> int:
    """One motion block into the next column, unless nothing moves. Returns an error code."""
    if given & bit(_F):
        state[_FEED] = words[_F] * state[_SCALE] / 60.0
        if not state[_FEED] > 0.0:
            return BAD_FEED
    seen = state[_SEEN] > 0.0 and state[_SEEN + 1] > 0.0
    x, y = _shift(state, words, given, 0, _X), _shift(state, words, given, 1, _Y)
    z, fed = _shift(state, words, given, 2, _Z), _shift(state, words, given, 3, _E)
    delta = (x, y, z)
    if state[_MOTION] < 2.0:
        radius = math.inf
        length, start = _line(delta)
        stop = start
    elif not seen:
        return UNKNOWN_START
    else:
        length, radius, start, stop = _turn(state, words, given, delta)
        if math.isnan(length):
            return BAD_ARC
    if length == 0.0 and fed == 0.0:
        return w.OK
    n = fill[0]
    _keep(state, _record(steps, n, _past(state), fed, length, start, stop))
    steps[LINE, n], steps[CLIMB, n], steps[FEED, n] = state[_LINE_NO], z, state[_FEED]
    steps[RADIUS, n], steps[Z_END, n] = radius, state[_POS + 2]
    steps[UNIT, n] = state[_SCALE] if given & bit(_F) else -state[_SCALE]
    fill[0] = n + 1
    return w.OK


@njit(cache=True, error_model="numpy")
def _placed(state: Floats) -> bool:
    """Whether motion is absolute and every axis' place is known."""
    known = state[_SEEN] * state[_SEEN + 1] * state[_SEEN + 2] * state[_SEEN + 3]
    return bool(known * state[_ABSOLUTE] > 0.0)


@njit(cache=True, error_model="numpy")
def _plain_moves(
    text: ByteArray, at: int, state: Floats, words: Floats, steps: Floats, fill: IntArray
) -> int:
    """Plain moves from `at` as _move makes them, up to the first line of another kind: its place.

    Only for absolute motion from a known place. It is most of a job, so the machine is kept in
    registers meanwhile.
    """
    x, y, z, e = state[_POS], state[_POS + 1], state[_POS + 2], state[_POS + 3]
    scale, feed, line, n = state[_SCALE], state[_FEED], state[_LINE_NO], fill[0]
    past, winding, motion, size = _past(state), state[_E_ABSOLUTE] == 0.0, state[_MOTION], text.size
    while at < size:
        after, given = w.read_plain_move(text, at, size, words)
        stated = given & bit(_F)
        if after < 0 or (stated and not words[_F] > 0.0):
            break
        motion = float(text[at + 1] - 48)
        at, line = after, line + 1.0
        feed = words[_F] * scale / 60.0 if stated else feed
        to_x = words[_X] * scale if given & bit(_X) else x
        to_y = words[_Y] * scale if given & bit(_Y) else y
        to_z = words[_Z] * scale if given & bit(_Z) else z
        fed = 0.0
        if given & bit(_E):
            value = words[_E] * scale
            fed = value if winding else value - e
            e = e + value if winding else value
        climb = to_z - z
        length, along = _line((to_x - x, to_y - y, climb))
        x, y, z = to_x, to_y, to_z
        if length > 0.0 or fed != 0.0:
            past = _record(steps, n, past, fed, length, along, along)
            steps[LINE, n], steps[CLIMB, n], steps[FEED, n] = line, climb, feed
            steps[RADIUS, n], steps[Z_END, n] = math.inf, z
            steps[UNIT, n] = scale if stated else -scale
            n += 1
    _keep(state, past)
    state[_POS], state[_POS + 1], state[_POS + 2], state[_POS + 3] = x, y, z, e
    state[_FEED], state[_LINE_NO], state[_MOTION], fill[0] = feed, line, motion, n
    return at


@njit(cache=True, error_model="numpy")
def _pause(state: Floats, seconds: float, kind: int, row: Floats) -> None:
    row[:] = 0.0
    row[LINE], row[KIND], row[LENGTH] = state[_LINE_NO], kind, seconds
    row[FEED], row[CORNER], row[RADIUS], row[Z_END] = math.inf, -1.0, math.inf, state[_POS + 2]
    _rest(state)


@njit(cache=True, error_model="numpy")
def _dwell(state: Floats, words: Floats, given: int, bare: int, row: Floats) -> int:
    if bare & (bit(_P) | bit(_S)):
        return w.NO_NUMBER
    seconds = 0.0
    if given & bit(_S):
        seconds = words[_S]
    elif given & bit(_P):
        seconds = words[_P] / 1000.0
    _pause(state, seconds, DWELL, row)
    return BAD_DWELL if seconds < 0.0 else w.OK


@njit(cache=True, error_model="numpy")
def _set(
    state: Floats, code: int, words: Floats, given: int, bare: int, event: Floats
) -> tuple[int, bool]:
    """Temperature and fan words into `event`: (error, whether it applies to this hot end)."""
    heat = code in (_M104, _M109)
    other = bit(_T) if heat else bit(_P)
    if given & other and words[_T if heat else _P] != 0.0:
        return w.OK, False
    by_R = code == _M109 and given & ~bare & bit(_R) and not given & bit(_S)
    stated = given & bit(_S) or by_R
    if bare & bit(_S) or (heat and not stated):
        return w.NO_NUMBER, False
    value = 1.0 if code == _M106 else 0.0
    if stated and code != _M107:
        value = words[_R] if by_R else words[_S]
        value = value if heat else value / 255.0
    if value < 0.0 or value > (1000.0 if heat else 1.0):
        return BAD_VALUE, False
    kind = SET_FAN if not heat else (SET_HEAT_WAIT if code == _M109 else SET_HEAT)
    event[0], event[2], event[3] = state[_LINE_NO], kind, value
    return w.OK, True


@njit(cache=True, error_model="numpy")
def _act(
    state: Floats,
    code: int,
    words: Floats,
    given: int,
    bare: int,
    steps: Floats,
    events: Floats,
    fill: IntArray,
) -> int:
    """Carry out the block's one action that is neither motion nor mode; returns an error code."""
    if code in (_G28, _G92):
        if code == _G28:
            _home(state, given)
        else:
            _reset(state, words, given)
        return w.OK
    if code in (_G18, _G19):
        return BAD_PLANE
    if given & _ACTING:
        return TWO_ACTIONS
    if code == _G4:
        fill[0] += 1
        return _dwell(state, words, given, bare, steps[:, fill[0] - 1])
    error, applies = _set(state, code, words, given, bare, events[:, fill[1]])
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
    given: int,
    bare: int,
    known: ByteArray,
    unknown: IntArray,
    steps: Floats,
    events: Floats,
    fill: IntArray,
) -> int:
    """Carry out a block, which adds at most one step and one event; returns an error code."""
    error, action = _sort_codes(state, codes, n_codes, known, unknown)
    if error:
        return error
    if action >= 0:
        return _act(state, action, words, given, bare, steps, events, fill)
    if not given & _ACTING:
        return w.OK
    if state[_MOTION] < 0.0:
        return NO_MOTION
    if bare & _NUMBERED:
        return w.NO_NUMBER
    return _move(state, words, given, steps, fill)


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
    words, fill = np.zeros(26), np.zeros(2, dtype=np.int64)
    codes = np.zeros(w.MAX_CODES, dtype=np.int64)
    at, size = 0, text.size
    while at < size:
        if _placed(state):
            at = _plain_moves(text, at, state, words, steps, fill)
            if at >= size:
                break
        state[_LINE_NO] += 1.0
        end = w.line_end(text, at, size)
        if end - at > w.MAX_LINE_BYTES:
            return LONG_LINE, fill[0], fill[1], at, end
        before = counts[0]
        error, n_codes, given, bare = w.read_block(
            text, at, end, int(state[_LINE_NO]), known, words, codes, notes, counts
        )
        note_steps[before : counts[0]] = fill[0]
        if not error:
            error = _run_block(
                state, codes, n_codes, words, given, bare, known, unknown, steps, events, fill
            )
        if error:
            return error, fill[0], fill[1], at, end
        at = end + 1
    return w.OK, fill[0], fill[1], 0, 0
