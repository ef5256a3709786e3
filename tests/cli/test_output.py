"""Questions, cautions and JSON on the way out."""

import json

import pytest

from hotbench.cli.output import CAUTIONS, PAGE, announcer, confirmer, emit
from hotbench.core.errors import BadInput


def test_heating_needs_a_person_or_an_explicit_yes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(BadInput, match=r"nobody at a terminal .* --yes"):
        confirmer(yes=False)(["heat to 240 °C"])
    assert CAUTIONS in " ".join(capsys.readouterr().err.split())


def test_cautions_are_shown_even_where_scripts_say_yes(capsys: pytest.CaptureFixture[str]) -> None:
    confirmer(yes=True)(["heat to 240 °C", "hold 60 s"])
    said = capsys.readouterr()
    assert said.out == ""
    first, second, *cautions = said.err.splitlines()
    assert (first, second) == ("heat to 240 °C", "hold 60 s")
    assert " ".join(cautions) == CAUTIONS
    assert max(map(len, cautions)) <= PAGE


def test_announcements_are_lines_or_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    announcer(as_json=False)({"port": "socket://localhost:1", "speed": 20})
    assert capsys.readouterr().out == "port: socket://localhost:1\nspeed: 20\n"
    announcer(as_json=True)({"port": "x"})
    assert json.loads(capsys.readouterr().out) == {"port": "x"}


def test_json_never_holds_what_json_does_not_know() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        emit({"value": float("nan")}, as_json=True)
