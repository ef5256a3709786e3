"""Errors read as one line and suggest the nearest known key."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import (
    BadInput,
    ControllerFault,
    FellShort,
    HotbenchError,
    Stopped,
    nearest,
    unknown_key,
)


def test_all_parts_in_one_line() -> None:
    error = BadInput(
        "temperature above the limit",
        where="--to",
        value="300 °C",
        limit="260 °C",
        remedy="raise --limit-temperature only if the maker allows it",
    )
    assert str(error) == (
        "--to: temperature above the limit (got 300 °C, limit 260 °C); "
        "raise --limit-temperature only if the maker allows it"
    )


def test_absent_parts_are_left_out() -> None:
    assert str(BadInput("file is empty")) == "file is empty"


def test_line_breaks_never_reach_the_screen() -> None:
    assert "\n" not in str(BadInput("two\nlines", remedy="one\r\n  line"))


@pytest.mark.parametrize(
    ("error", "code"), [(BadInput("x"), 2), (ControllerFault("x"), 1), (Stopped("x"), 130)]
)
def test_exit_codes(error: Exception, code: int) -> None:
    assert error.exit_code == code


def test_unknown_key_suggests_the_nearest() -> None:
    assert "did you mean 'heater'?" in str(unknown_key("heatr", ["heater", "slew"], where="m.yaml"))


def test_unknown_key_lists_what_is_known_when_nothing_is_near() -> None:
    assert str(unknown_key("zzz", ["slew", "heater"])).endswith("known: heater, slew")


def test_nearest_of_nothing() -> None:
    assert nearest("heater", []) is None


@pytest.mark.parametrize(
    ("kind", "text", "advice", "line"),
    [
        ("unknown", " Error:x \n", "", "control board fault: Error:x"),
        ("halted", "Error:x", "wait", "control board fault: Error:x; wait"),
    ],
)
def test_a_fault_keeps_its_line_and_kind(kind: str, text: str, advice: str, line: str) -> None:
    fault = ControllerFault(text, advice, kind)
    assert (fault.text, fault.kind, str(fault)) == (text, kind, line)


@given(what=st.text(min_size=1), where=st.text(), value=st.text() | st.floats(), remedy=st.text())
def test_whatever_is_in_it_the_line_is_one(
    what: str, where: str, value: object, remedy: str
) -> None:
    line = str(BadInput(what, where=where, value=value, remedy=remedy))
    assert len(line.splitlines()) <= 1
    assert line == " ".join(line.split())


@given(st.lists(st.text(st.characters(codec="ascii", categories=["L"]), min_size=3), min_size=1))
def test_a_known_word_is_nearest_to_itself(words: list[str]) -> None:
    assert all(nearest(word, words) == word for word in words)


def test_every_kind_says_how_the_shell_hears_of_it() -> None:
    kinds = [HotbenchError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    assert {kind.exit_code for kind in kinds} <= {1, 2, 130}
    assert all(kind.exit_code == 1 for kind in kinds if issubclass(kind, FellShort))
