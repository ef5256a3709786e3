"""Lines come out whole whatever the pieces, in bounded memory."""

from hypothesis import given
from hypothesis import strategies as st

from hotbench.wire.lines import DAMAGED, LineSplitter


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=8))
def test_pieces_do_not_matter(data: bytes, cuts: list[int]) -> None:
    whole = LineSplitter(limit=50).feed(data)
    splitter, lines, start = LineSplitter(limit=50), [], 0
    for cut in [*sorted(cuts), len(data)]:
        lines += splitter.feed(data[start:cut])
        start = max(start, cut)
        assert splitter.pending <= 50
    assert lines == whole


@given(st.binary(max_size=400))
def test_no_line_is_longer_than_the_limit(data: bytes) -> None:
    assert all(len(line) <= 51 for line in LineSplitter(limit=50).feed(data + b"\n"))


def test_line_ends_blanks_and_leading_nuls() -> None:
    heard = LineSplitter().feed(b"\0\0ok\r\n\n \t\nT:1\rT:2\n\0\n")
    assert heard == ["ok", "T:1", "T:2"]


def test_damage_stays_visible() -> None:
    assert LineSplitter().feed(b"T:2\0\xff1\n") == [f"T:2\0{DAMAGED}1"]


def test_an_endless_line_comes_out_once_and_marked() -> None:
    splitter = LineSplitter(limit=10)
    assert splitter.feed(b"x" * 10**6) == []
    assert splitter.feed(b"y\nok\n") == ["x" * 10 + DAMAGED, "ok"]


def test_reset_forgets_the_unfinished_line() -> None:
    splitter = LineSplitter()
    splitter.feed(b"T:20")
    splitter.reset()
    assert splitter.feed(b"ok\n") == ["ok"]
