"""What people are told while and after something runs: progress, advice, plain values."""

import io
import json
import math
import sys
from collections.abc import Callable
from contextlib import redirect_stderr
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hotbench.bench.advice import ADVICE, ELSE, FAULTED, LOST, REFUSED, STOPPED, advice_for
from hotbench.bench.plain import plain, to_yaml, write_yaml
from hotbench.bench.progress import DELAY_S, progress, silent, unhindered
from hotbench.core.errors import BadInput, ControllerFault, LinkLost, NoReply, Stopped


class Terminal(io.StringIO):
    """Standard error as a terminal has it."""

    def isatty(self) -> bool:
        return True


def shown(act: Callable[[Any], None], times_s: list[float]) -> str:
    """What a bar writes to a terminal; the clock reads `times_s` in turn."""
    screen = Terminal()
    clock = iter(times_s)
    with redirect_stderr(screen), progress("fit", lambda: next(clock)) as step:
        act(step)
    return screen.getvalue()


def test_nothing_is_shown_within_the_first_second() -> None:
    assert shown(lambda step: step(0.5, "reading"), [0.0, 0.5 * DELAY_S]) == ""


def test_a_bar_with_its_title_appears_after_that() -> None:
    text = shown(lambda step: step(0.5, "reading runs"), [0.0, 2.0 * DELAY_S])
    assert "fit" in text
    assert "50 %" in text
    assert "reading runs" in text


def test_no_bar_wipes_away_what_a_person_types() -> None:
    screen, clock, before = Terminal(), iter([0.0, 2.0, 3.0, 4.0]), []
    with redirect_stderr(screen), progress("extrude", lambda: next(clock)) as step:
        step(0.4, "hold 200")

        def ask(question: str) -> str:
            before.append(screen.getvalue())
            step(0.5, "hold 210")
            assert screen.getvalue() == before[0]
            return "0.29"

        assert unhindered(ask, step)("mass") == "0.29"
        step(0.6, "hold 220")
    assert "hold 200" in before[0]
    after = screen.getvalue().removeprefix(before[0])
    assert "hold 220" in after
    assert "hold 210" not in after


def test_without_a_bar_a_question_is_asked_as_it_is() -> None:
    assert unhindered(input, silent) is input


def test_a_pipe_gets_no_bar() -> None:
    screen = io.StringIO()
    with redirect_stderr(screen), progress("fit") as step:
        step(1.0, "done")
    assert step is silent
    assert screen.getvalue() == ""
    assert sys.stderr is not screen


@pytest.mark.parametrize(
    ("error", "advice"),
    [
        (Stopped("x"), STOPPED),
        (ControllerFault("x"), FAULTED),
        (LinkLost("x"), LOST),
        (NoReply("x"), LOST),
        (BadInput("x"), REFUSED),
        (ValueError("x"), ELSE),
    ],
)
def test_every_end_has_its_advice(error: Exception, advice: str) -> None:
    assert advice_for(error) == advice


def test_the_cause_counts_more_than_what_it_was_wrapped_in() -> None:
    outer = BadInput("recording ended")
    outer.__cause__ = ControllerFault("thermal")
    assert advice_for(outer) == FAULTED


def test_no_advice_tells_to_switch_a_protection_off() -> None:
    for _, text in ADVICE:
        assert "disable" not in text
        assert "raise the limit" not in text
    assert "leave it on" in FAULTED


@dataclass(frozen=True)
class Inner:
    value: float
    where: Path


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(VALUES)
def test_plain_values_are_json_of_the_standard(value: object) -> None:
    text = json.dumps(plain(value), allow_nan=False)
    assert json.loads(text) == plain(value)


@given(VALUES)
def test_plain_is_done_once(value: object) -> None:
    assert plain(plain(value)) == plain(value)


def test_arrays_dataclasses_and_paths_become_plain() -> None:
    value = {1: Inner(np.float64(2.5), Path("a/b")), "n": np.array([1.0, math.nan, math.inf])}
    assert plain(value) == {"1": {"value": 2.5, "where": "a/b"}, "n": [1.0, None, None]}
    assert plain({"s": {3}, "t": (True, np.int64(4))}) == {"s": [3], "t": [True, 4]}


def test_yaml_is_read_back_and_replaces_the_file_in_one_step(tmp_path: Path) -> None:
    value = {"b": 1.5, "a": ["°C", None, "yes"], "c": {"on": "off"}}
    write_yaml(value, tmp_path / "x.yaml")
    write_yaml(value, tmp_path / "x.yaml")
    assert YAML(typ="safe").load((tmp_path / "x.yaml").read_text("utf-8")) == value
    assert list(tmp_path.iterdir()) == [tmp_path / "x.yaml"]
    assert to_yaml(value).index("b:") < to_yaml(value).index("a:")
