"""Plain moves are read by a short path; a leading blank sends a line down the general one."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.words import MAX_LINE_BYTES

HEAD = "G21\nG92 X0 Y0 Z0 E0\nG1 X1 F600\n"
numbers = st.one_of(
    st.floats(-200.0, 200.0).map(lambda value: f"{value:.4f}"),
    st.integers(-99, 99).map(str),
    st.sampled_from(["", ".", "-.5", "+3.", "1.2.3", "1e3", "9999999999", "0.1234567890123456789"]),
)
words = st.tuples(st.sampled_from("XYZEFIJSQxe"), st.sampled_from(["", " "]), numbers).map("".join)
gaps = st.sampled_from([" ", "", "  ", "\t"])
ends = st.sampled_from(["", " ", "\r", " ; role: wall", "(note)", "*71", "\x00"])
heads = st.sampled_from(["G1", "G0", "g1", "G01", "G1.", "G12", "G2", "G92", "M106", "G1\t"])
lines = st.builds(
    lambda head, gap, parts, end: head + gap + gap.join(parts) + end,
    heads, gaps, st.lists(words, max_size=5), ends,
)  # fmt: skip


def outcome(text: str) -> Timeline | str:
    try:
        return read_timeline(text.encode("latin-1"))
    except BadInput as error:
        return f"{error.where}: {error.what}"


def assert_alike(one: Timeline | str, other: Timeline | str) -> None:
    if isinstance(one, str) or isinstance(other, str):
        assert one == other
        return
    for item in fields(Timeline):
        a, b = getattr(one, item.name), getattr(other, item.name)
        if isinstance(a, np.ndarray):
            np.testing.assert_array_equal(a, b, err_msg=item.name)
        else:
            assert a == b, item.name


def indented(text: str) -> str:
    return "".join(f" {line}\n" for line in text.split("\n"))


@settings(deadline=None)
@given(st.lists(lines, min_size=1, max_size=12))
@example(["G1 X5 X6"])
@example(["G1"])
@example(["G1 "])
@example(["G1 F0"])
@example(["G91", "G1 X5 Y5", "G1 X5 E1", "M83", "G1 X1 E1", "G20", "G1 X1 F10"])
@example(["G28", "G1 X7", "G1 X9", "G2 X9 Y9 I0 J4", "G1 X10", "X12"])
def test_both_paths_read_alike(job: list[str]) -> None:
    text = HEAD + "\n".join(job)
    assert_alike(outcome(text), outcome(indented(text)))


@pytest.mark.parametrize("more", [0, 1])
def test_the_longest_line_is_the_same_on_both_paths(more: int) -> None:
    move = "G1 X2"
    text = HEAD + move + " " * (MAX_LINE_BYTES - len(move) + more)
    assert isinstance(outcome(text + "\n"), str) is (more == 1)
    assert_alike(outcome(text + "\n"), outcome(HEAD + " " + text[len(HEAD) : -1] + "\n"))


@settings(deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_after_a_move_word(data: bytes) -> None:
    rest = data.replace(b"\n", b"").decode("latin-1")
    assert_alike(outcome(f"{HEAD}G1 {rest}"), outcome(f"{HEAD} G1 {rest}"))
