"""Compiled reading of one G-code block: numbers, words, comments and codes."""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
Floats = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

MAX_CODES = 8
"""Most G, M and T words that one block may hold."""
CODE_SLOTS = 10_000
"""Codes are counted per letter and number times ten plus subcode, below this."""
MAX_NUMBER = 1e7
MAX_LINE_BYTES = 65_536

OK, NO_NUMBER, TWICE, TOO_MANY, NOT_TEXT, TOO_LARGE, NO_WORD = range(7)

_LF, _CR, _TAB, _SPACE, _SEMICOLON, _OPEN, _CLOSE = 10, 13, 9, 32, 59, 40, 41
_STAR, _PERCENT, _PLUS, _MINUS, _POINT, _ZERO = 42, 37, 43, 45, 46, 48
_G, _M, _N, _T = 6, 12, 13, 19
_BIG_A, _BIG_G = 65, 71
_PLAIN = sum(1 << ord(letter) - _BIG_A for letter in "EFXYZ")

_SAFE_DIGITS = 18
_POWERS = 10.0 ** np.arange(_SAFE_DIGITS + 1)

_FNV_OFFSET = np.uint64(14695981039346656037)
_FNV_PRIME = np.uint64(1099511628211)


@njit(cache=True, error_model="numpy")
def skip_blanks(text: ByteArray, at: int, end: int) -> int:
    """First position from `at` that is no blank."""
    while at < end and (text[at] == _SPACE or text[at] == _TAB or text[at] == _CR):
        at += 1
    return at


@njit(cache=True, error_model="numpy")
def line_end(text: ByteArray, at: int, end: int) -> int:
    """Position of the line feed that ends the line holding `at`, or `end`."""
    while at < end and text[at] != _LF:
        at += 1
    return at


@njit(cache=True, error_model="numpy")
def letter_at(text: ByteArray, at: int, end: int) -> int:
    """0 to 25 for a letter of either case at `at`, else -1."""
    if at >= end:
        return -1
    lower = text[at] | 32
    return lower - 97 if 97 <= lower <= 122 else -1


@njit(cache=True, error_model="numpy")
def _long_number(text: ByteArray, at: int, end: int) -> tuple[float, int]:
    """Digits and a point beyond what fits an integer, to within rounding."""
    value, scale, point = 0.0, 1.0, False
    while at < end and (48 <= text[at] <= 57 or (text[at] == _POINT and not point)):
        if text[at] == _POINT:
            point = True
        else:
            value = value * 10.0 + (text[at] - _ZERO)
            scale *= 10.0 if point else 1.0
        at += 1
    return value / scale if value < math.inf else value, at


@njit(cache=True, error_model="numpy")
def read_number(text: ByteArray, at: int, end: int) -> tuple[float, int]:
    """The decimal number at `at` and the position after it; that is `at` when there is none.

    Correctly rounded up to 15 digits: digits and power of ten are then exact (IEEE 754).
    """
    start = at
    sign = 1.0
    if at < end and (text[at] == _MINUS or text[at] == _PLUS):
        sign = -1.0 if text[at] == _MINUS else 1.0
        at += 1
    first, digits, value, point = at, 0, 0, -1
    while at < end:
        digit = int(text[at]) - _ZERO
        if 0 <= digit <= 9:
            value = value * 10 + digit
            digits += 1
        elif digit == _POINT - _ZERO and point < 0:
            point = at
        else:
            break
        at += 1
    if digits == 0:
        return 0.0, start
    if digits > _SAFE_DIGITS:
        size, at = _long_number(text, first, end)
        return sign * size, at
    places = at - point - 1 if point >= 0 else 0
    return sign * (value / _POWERS[places]), at


@njit(cache=True, error_model="numpy")
def comment_hash(text: ByteArray, at: int, end: int) -> np.uint64:
    """64-bit FNV-1a of the comment's bytes (Fowler, Noll, Vo; RFC 9923)."""
    value = _FNV_OFFSET
    for i in range(at, end):
        value = (value ^ np.uint64(text[i])) * _FNV_PRIME
    return value


@njit(cache=True, error_model="numpy")
def _note(text: ByteArray, start: int, stop: int, notes: IntArray, counts: IntArray) -> None:
    while stop > start and (text[stop - 1] == _CR or text[stop - 1] == _SPACE):
        stop -= 1
    row = counts[0]
    notes[row, 0], notes[row, 1] = start, stop
    notes[row, 2] = np.int64(comment_hash(text, start, stop))
    counts[0] = row + 1


@njit(cache=True, error_model="numpy")
def _skip_comment(text: ByteArray, at: int, end: int, notes: IntArray, counts: IntArray) -> int:
    if text[at] == _SEMICOLON:
        _note(text, at + 1, end, notes, counts)
        return end
    stop = at + 1
    while stop < end and text[stop] != _CLOSE:
        stop += 1
    _note(text, at + 1, stop, notes, counts)
    return min(stop + 1, end)


@njit(cache=True, error_model="numpy")
def _skip_text(text: ByteArray, at: int, end: int, notes: IntArray, counts: IntArray) -> int:
    """Past words that are kept unread, up to the comment that may follow them."""
    while at < end:
        if text[at] == _SEMICOLON:
            return _skip_comment(text, at, end, notes, counts)
        at += 1
    return end


@njit(cache=True, error_model="numpy")
def code_key(letter: int, number: float) -> int:
    """One integer for a command word: letter, number and one digit of subcode."""
    slot = round(number * 10.0)
    return letter * CODE_SLOTS + min(max(slot, 0), CODE_SLOTS - 1)


@njit(cache=True, error_model="numpy")
def _is_code(letter: int, bare: bool, n_codes: int) -> bool:
    """G and M words, and a leading T; a later T is an argument (which tool a command is for)."""
    return not bare and (letter in (_G, _M) or (letter == _T and n_codes == 0))


@njit(cache=True, error_model="numpy")
def bit(letter: int) -> int:
    """The bit of a letter in a set of letters."""
    return 1 << letter


@njit(cache=True, error_model="numpy")
def _word_error(letter: int, value: float, no_number: bool, given: int) -> int:
    if abs(value) > MAX_NUMBER:
        return TOO_LARGE
    return TWICE if given & bit(letter) and not no_number else OK


@njit(cache=True, error_model="numpy")
def read_plain_move(text: ByteArray, at: int, size: int, words: Floats) -> tuple[int, int]:
    """A line of "G0 " or "G1 " and X Y Z E F words only, as most are: (position after it, letters).

    The position is -1 for any other line, whatever it is, which is read_block's to read.
    """
    if at + 3 >= size or text[at] != _BIG_G or text[at + 1] >> 1 != _ZERO >> 1:
        return -1, 0
    if text[at + 2] != _SPACE:
        return -1, 0
    start, given = at, 0
    at += 3
    while at < size and at - start <= MAX_LINE_BYTES:
        byte = int(text[at])
        if byte == _LF:
            return at + 1, given
        letter = byte - _BIG_A
        if 0 <= letter < 26 and _PLAIN >> letter & 1 and not given >> letter & 1:
            value, after = read_number(text, at + 1, size)
            if after == at + 1 or abs(value) > MAX_NUMBER:
                return -1, 0
            words[letter] = value
            given |= 1 << letter
            at = after
        elif byte in (_SPACE, _CR, _TAB):
            at += 1
        else:
            return -1, 0
    return -1, 0


@njit(cache=True, error_model="numpy")
def _unread(
    text: ByteArray, at: int, end: int, notes: IntArray, counts: IntArray, line: int
) -> int:
    """Keep a line without a leading word unread; control and high bytes mean it is no text."""
    if text[at] < 32 or text[at] >= 127:
        return NOT_TEXT
    if text[at] != _PERCENT:
        counts[1] += 1
        counts[2] = line if counts[1] == 1 else counts[2]
    _skip_text(text, at, end, notes, counts)
    return OK


@njit(cache=True, error_model="numpy")
def _is_note(byte: int) -> bool:
    return byte in (_SEMICOLON, _OPEN)


@njit(cache=True, error_model="numpy")
def read_block(
    text: ByteArray,
    at: int,
    end: int,
    line: int,
    known: ByteArray,
    words: Floats,
    codes: IntArray,
    notes: IntArray,
    counts: IntArray,
) -> tuple[int, int, int, int]:
    """One block from `at` to its line's `end`: (error, number of codes, letters, bare letters).

    Letters are sets of bits, see bit; the bare ones have no number. words[26] is filled at the
    letters given, codes[MAX_CODES] from its start; comments are appended to notes (start, stop,
    hash) at counts[0]. A line that does not begin with a word, and what follows an unknown first
    code, is kept unread: counts[1] counts the former and counts[2] holds the first such line.
    `known` marks the codes that are understood.
    """
    n_codes, first, given, bare = 0, True, 0, 0
    at = skip_blanks(text, at, end)
    while at < end and text[at] != _STAR:
        if _is_note(text[at]):
            at = skip_blanks(text, _skip_comment(text, at, end, notes, counts), end)
            continue
        letter = letter_at(text, at, end)
        start = skip_blanks(text, at + 1, end)
        value, after = read_number(text, start, end)
        no_number = after == start
        if first and (letter < 0 or no_number):
            return _unread(text, at, end, notes, counts, line), n_codes, given, bare
        if letter < 0:
            return NO_WORD, n_codes, given, bare
        numbering = first and letter == _N
        if _is_code(letter, no_number, n_codes):
            if n_codes == MAX_CODES:
                return TOO_MANY, n_codes, given, bare
            codes[n_codes] = code_key(letter, value)
            n_codes += 1
        elif not numbering:
            error = _word_error(letter, value, no_number, given)
            if error:
                return error, n_codes, given, bare
            words[letter] = value
            given |= bit(letter)
            bare |= bit(letter) * no_number
        if n_codes == 1 and not known[codes[0]]:
            break
        first = numbering
        at = skip_blanks(text, after, end)
    _skip_text(text, at, end, notes, counts)
    return OK, n_codes, given, bare
