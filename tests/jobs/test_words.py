"""The compiled reader of numbers, words and comments, word by word."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.jobs import scan as s
from hotbench.jobs import words as w

SLOW_START = settings(deadline=None)
"""The first example compiles."""


def as_bytes(text: str) -> w.ByteArray:
    return np.frombuffer(text.encode("latin-1"), dtype=np.uint8)


def number(text: str) -> tuple[float, int]:
    value, after = w.read_number(as_bytes(text), 0, len(text))
    return float(value), int(after)


digits = st.text("0123456789", min_size=1, max_size=9)
decimals = st.builds(
    lambda sign, whole, part: f"{sign}{whole}.{part}",
    st.sampled_from(["", "-", "+"]), digits, st.text("0123456789", max_size=6),
)  # fmt: skip


@SLOW_START
@given(decimals)
def test_up_to_fifteen_digits_are_read_to_the_last_bit(text: str) -> None:
    assert number(text) == (float(text), len(text))


@SLOW_START
@given(st.text("0123456789", min_size=19, max_size=40), st.text("0123456789", max_size=20))
def test_longer_numbers_are_read_to_within_rounding(whole: str, part: str) -> None:
    value, after = number(f"{whole}.{part}")
    assert after == len(whole) + 1 + len(part)
    assert value == pytest.approx(float(Fraction(f"{whole}.{part}0")), rel=1e-14)


@pytest.mark.parametrize(
    ("text", "value", "after"),
    [
        ("", 0.0, 0), ("-", 0.0, 0), (".", 0.0, 0), ("+.", 0.0, 0), ("x", 0.0, 0), ("--1", 0.0, 0),
        (".5", 0.5, 2), ("5.", 5.0, 2), ("-.5", -0.5, 3), ("1.2.3", 1.2, 3), ("7e3", 7.0, 1),
        ("12 3", 12.0, 2), ("0007", 7.0, 4),
    ],
)  # fmt: skip
def test_where_a_number_begins_and_ends(text: str, value: float, after: int) -> None:
    assert number(text) == (value, after)


def test_more_digits_than_a_float_holds_are_infinite() -> None:
    assert number("9" * 400) == (math.inf, 400)


@pytest.mark.parametrize(
    ("text", "value"),
    [("", 0xCBF29CE484222325), ("a", 0xAF63DC4C8601EC8C), ("foobar", 0x85944171F73967E8)],
)
def test_comments_are_told_apart_by_the_published_hash(text: str, value: int) -> None:
    # FNV-1a, 64 bits, RFC 9923; the test vectors of its reference suite, from memory.
    assert int(w.comment_hash(as_bytes(text), 0, len(text))) == value


@given(st.sampled_from("GMT"), st.integers(0, 999), st.integers(0, 9))
def test_code_names_read_back(letter: str, whole: int, sub: int) -> None:
    name = f"{letter}{whole}" + (f".{sub}" if sub else "")
    assert s.code_name(s.key(name)) == name


def plain(text: str) -> tuple[int, dict[str, float]]:
    values = np.zeros(26)
    after, given_bits = w.read_plain_move(as_bytes(text), 0, len(text), values)
    letters = [chr(65 + k) for k in range(26) if given_bits >> k & 1]
    return int(after), {name: float(values[ord(name) - 65]) for name in letters}


def test_a_plain_move_ends_after_its_line() -> None:
    line = "G1 X1.5 Y-2 E0.25 F600\r\n"
    assert plain(line + "G1 X9\n") == (len(line), {"X": 1.5, "Y": -2.0, "E": 0.25, "F": 600.0})
    assert plain("G0 Z.2X3\n") == (9, {"Z": 0.2, "X": 3.0})
    assert plain("G1 \n") == (4, {})


@pytest.mark.parametrize(
    "text",
    [
        "", "G", "G1", "G1\n", "G1 X1", "g1 X1\n", "G01 X1\n", "G2 X1\n", "G10 X1\n", "M104 S200\n",
        "G1 X\n", "G1 X 1\n", "G1 X1 X2\n", "G1 X1 I2\n", "G1 X1 ;note\n", "G1 X1 (note)\n",
        "G1 X1*71\n", "G1 X99999999\n", " G1 X1\n", "N1 G1 X1\n", "G1 X1\x00\n", "\n",
    ],
)  # fmt: skip
def test_everything_else_is_left_to_the_general_reader(text: str) -> None:
    assert plain(text)[0] == -1


def test_a_block_names_its_letters_and_the_bare_ones() -> None:
    text = as_bytes("G28 X Y5 ; home\n")
    values, codes = np.zeros(26), np.zeros(w.MAX_CODES, dtype=np.int64)
    notes, counts = np.zeros((2, 3), dtype=np.int64), np.zeros(3, dtype=np.int64)
    found = w.read_block(text, 0, text.size - 1, 1, s.KNOWN, values, codes, notes, counts)
    assert found == (w.OK, 1, w.bit(23) | w.bit(24), w.bit(23))
    assert s.code_name(int(codes[0])) == "G28"
    assert values[24] == 5.0
    start, stop = notes[0, :2]
    assert bytes(text[start:stop]) == b" home"
