"""Errors read as one line and suggest the nearest known key."""

import pytest

from hotbench.core.errors import BadInput, ControllerFault, Stopped, nearest, unknown_key


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
