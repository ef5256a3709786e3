"""Commands survive encoding and decoding, and a damaged line is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.wire.commands import BadLine, Numbering, checksum, decode, encode


def test_checksum_is_exclusive_or_of_all_bytes() -> None:
    # By hand: 'N' 0x4E ^ '1' 0x31 = 0x7F; ^ ' ' 0x20 = 0x5F; ^ 'M' 0x4D = 0x12.
    assert checksum("N1 M") == 0x12


@given(st.integers(0, 10**6), st.integers(0, 300))
def test_round_trip(line_number: int, setpoint_C: int) -> None:
    command = decode(encode(f"M104 S{setpoint_C}", line_number).decode())
    assert (command.code, command.line_number) == ("M104", line_number)
    assert command.get("S", -1.0) == setpoint_C


@given(st.integers(0, 10**6), st.data())
def test_one_flipped_bit_never_passes_as_another_command(
    line_number: int, data: st.DataObject
) -> None:
    sent = encode("M104 S220", line_number)
    position = data.draw(st.integers(0, len(sent) - 2))
    damaged = bytearray(sent)
    damaged[position] ^= 1 << data.draw(st.integers(0, 6))
    if sent.index(b"*") <= position:
        return
    with pytest.raises(BadLine):
        decode(damaged.decode("ascii"))


@pytest.mark.parametrize("line", ["", "hello", "; only a comment", "M", "N5", "M105*7", "M105*x"])
def test_lines_without_a_command_are_refused(line: str) -> None:
    with pytest.raises(BadLine):
        decode(line)


def test_words_without_numbers_and_comments() -> None:
    command = decode("G1 X E-2.5 F.5 ; feed")
    assert command.words == {"X": None, "E": -2.5, "F": 0.5}
    assert command.get("X", 7.0) == 7.0


def numbered(count: int) -> Numbering:
    numbering = Numbering()
    numbering.restart()
    for i in range(count):
        numbering.encode(f"M104 S{i}")
    return numbering


def test_numbers_count_up_from_a_restart() -> None:
    numbering = numbered(0)
    assert numbering.encode("M105") == encode("M105", 1)
    assert numbering.encode("M105") == encode("M105", 2)
    assert numbering.restart() == b"M110 N0\n"
    assert numbering.encode("M105") == encode("M105", 1)


def test_what_a_board_lacks_is_sent_again() -> None:
    numbering = numbered(5)
    last, before = encode("M104 S4", 5), encode("M104 S3", 4)
    assert numbering.again() == last
    assert numbering.lines_from(5) == last
    assert numbering.lines_from(4) == before + last
    assert numbering.lines_from(6) == b""


@pytest.mark.parametrize("wanted", [0, 1, 3, 7])
def test_any_other_number_means_that_the_board_lost_count(wanted: int) -> None:
    assert numbered(5).lines_from(wanted) is None


def test_the_first_line_has_none_before_it() -> None:
    assert numbered(1).lines_from(1) == encode("M104 S0", 1)
    assert numbered(1).lines_from(0) is None


def test_without_numbers_the_last_line_is_sent_again() -> None:
    numbering = Numbering(enabled=False)
    assert numbering.encode("M105") == b"M105\n"
    assert numbering.lines_from(7) == b"M105\n"
