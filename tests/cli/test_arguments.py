"""Kinds of value on the command line: what is taken, and the one line when it is not."""

import math

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.cli.arguments import (
    AMBIENT,
    NUMBER,
    NUMBERS,
    POSITIVE,
    Dip,
    Number,
    in_options,
    options,
)
from hotbench.core.errors import BadInput

FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(FINITE)
def test_any_finite_number_is_taken_as_it_is(number: float) -> None:
    assert NUMBER.convert(repr(number), None, None) == number
    assert NUMBER.convert(f" {number!r} ", None, None) == number


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "-inf", "1,5", "0x10", "1 2", "220C"])
@pytest.mark.parametrize("kind", [NUMBER, POSITIVE, AMBIENT])
def test_what_is_no_number(kind: Number, text: str) -> None:
    with pytest.raises(click.BadParameter) as caught:
        kind.convert(text, None, None)
    point = "; decimals have a point" if "," in text else ""
    assert caught.value.message == f"{text!r} is not a number{point}"


@given(FINITE, FINITE, FINITE)
def test_limits_belong_to_the_range(one: float, other: float, number: float) -> None:
    low, high = min(one, other), max(one, other)
    kind = Number(low, high)
    assert kind.convert(low, None, None) == low
    assert kind.convert(high, None, None) == high
    if low <= number <= high:
        assert kind.convert(number, None, None) == number
    else:
        with pytest.raises(click.BadParameter, match="is outside"):
            kind.convert(number, None, None)


@given(st.lists(FINITE, min_size=1, max_size=8))
def test_a_list_is_read_back(numbers: list[float]) -> None:
    assert NUMBERS.convert(",".join(map(repr, numbers)), None, None) == tuple(numbers)
    assert NUMBERS.convert(tuple(numbers), None, None) == tuple(numbers)


@pytest.mark.parametrize(
    ("text", "numbers"), [("0,0.5,1", (0.0, 0.5, 1.0)), ("7,", (7.0,)), (" 1 , 2 ", (1.0, 2.0))]
)
def test_lists_as_people_type_them(text: str, numbers: tuple[float, ...]) -> None:
    assert NUMBERS.convert(text, None, None) == numbers


@pytest.mark.parametrize("text", ["", ",", "a", "1;2", "1,nan", "1,inf", "0.5,x"])
def test_what_is_no_list(text: str) -> None:
    with pytest.raises(click.BadParameter, match=r"is not a list of numbers such as 0,0\.5,1"):
        NUMBERS.convert(text, None, None)


@given(st.floats(0.0, 400.0), st.floats(0.0, 400.0))
def test_a_dip_is_two_temperatures(high_C: float, low_C: float) -> None:
    text = f"{high_C:.6f}-{low_C:.6f}"
    assert Dip().convert(text, None, None) == pytest.approx((high_C, low_C), abs=1e-6)
    assert Dip().convert((high_C, low_C), None, None) == (high_C, low_C)


@pytest.mark.parametrize("text", ["", "220", "220-", "-190", "a-b", "220-nan", "220 190"])
def test_what_is_no_dip(text: str) -> None:
    with pytest.raises(click.BadParameter, match="is not two temperatures such as 220-190"):
        Dip().convert(text, None, None)


@given(st.text(max_size=12))
def test_any_text_is_a_value_or_one_line(text: str) -> None:
    for kind in (NUMBER, NUMBERS, Dip()):
        try:
            value = kind.convert(text, None, None)
        except click.BadParameter:
            continue
        parts = value if isinstance(value, tuple) else (value,)
        assert all(map(math.isfinite, parts))


def test_shared_options_keep_their_reading_order() -> None:
    @click.command()
    @options(click.option("--first"), click.option("--second"))
    def command(**_: object) -> None: ...

    assert [option.name for option in command.params] == ["first", "second"]


@pytest.mark.parametrize("text", ["0", "-1", "1e-9"])
def test_what_must_be_above_zero_says_so(text: str) -> None:
    with pytest.raises(click.BadParameter) as caught:
        POSITIVE.convert(text, None, None)
    assert caught.value.message == f"{float(text):g} is not above 0"


@click.command()
@click.option("--from", "low_C")
@click.option("--fan", "fans")
def moves(low_C: str, fans: str) -> None:
    """A command whose options are called otherwise than its settings."""


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (BadInput("outside its range", where="low_C", value=-20), "--from: outside its range"),
        (BadInput("must be above low_C", where="x.csv"), "x.csv: must be above --from"),
        (BadInput("outside", where="fans", remedy="see low_C"), "--fan: outside; see --from"),
        (BadInput("the fans of other_C stay", limit="low_C"), "the fans of other_C stay ("),
    ],
    ids=lambda part: str(part)[:20],
)
def test_settings_are_called_by_their_options(error: BadInput, line: str) -> None:
    told = in_options(error, moves)
    assert str(told).startswith(line)
    assert (told.value, told.limit) == (error.value, error.limit)
