"""The safe reader reads what a YAML reader reads, and nothing breaks it."""

import contextlib
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hotbench.core.errors import BadInput
from hotbench.profile.plain import canonical
from hotbench.profile.safe_yaml import LIMIT_BYTES, Document, clipped, dotted, load, read_bytes
from hotbench.profile.yaml_io import dumps, parse

VALID = (Path(__file__).parents[2] / "data_demo" / "example_machine.yaml").read_bytes()

words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**15), 10**15),
    st.floats(allow_nan=False, allow_infinity=False),
    words,
)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(words, inner, max_size=4)),
    max_leaves=12,
)


@given(trees)
def test_reads_json_as_json_does(tree: Any) -> None:
    """JSON is YAML 1.2; the standard library is the judge."""
    text = json.dumps(tree, ensure_ascii=True)
    assert load(text.encode(), "x").data == json.loads(text)


WORDS = (
    "1 -1 +1 1. .5 1.5e3 1e3 1E-3 007 0.0 -0.0 true True FALSE null ~ yes on y 1_000 12:30:00 "
    "2026-03-02 0x1f = 1.2.3 e5 - . + '1' \"true\" nan inf <<"
)


@pytest.mark.parametrize("text", [*WORDS.split(), "", "1 2"])
def test_plain_words_mean_what_the_core_schema_says(text: str) -> None:
    """YAML 1.2.2 section 10.3.2; hexadecimal and octal numbers stay text, they have no place."""
    by_hand: dict[str, object] = {"0x1f": "0x1f", "12:30:00": "12:30:00", "1_000": "1_000"}
    by_hand |= {"2026-03-02": "2026-03-02", "007": 7, "=": "=", "<<": "<<", "-": [None]}
    found = load(f"a: {text}\n".encode() if text != "-" else b"a:\n  -\n", "x").data["a"]
    expected = (
        by_hand[text] if text in by_hand else YAML(typ="safe", pure=True).load(f"a: {text}")["a"]
    )
    assert found == expected
    assert type(found) is type(expected)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, len(VALID) - 1), st.binary(max_size=6), st.integers(0, 40))
def test_any_damage_is_read_or_refused_but_never_breaks(
    place: int, inserted: bytes, removed: int
) -> None:
    profile = None
    with contextlib.suppress(BadInput):
        profile = parse(VALID[:place] + inserted + VALID[place + removed :], "m.yaml")
    if profile is not None:
        assert parse(dumps(profile).encode(), "again") == canonical(profile)


def test_lines_are_those_of_the_keys() -> None:
    document = load(b"a:\n  b: 1\n  c:\n    - {d: 2}\n    - 3\n", "x")
    assert document.data == {"a": {"b": 1, "c": [{"d": 2}, 3]}}
    assert document.where(("a", "c", 0, "d")) == "x line 4, a.c[0].d"
    assert document.where(("a", "c", 1)) == "x line 5, a.c[1]"
    assert document.where(("a", "c", 7, "e")) == "x line 3, a.c[7].e"
    assert document.where() == "x line 1"


def test_places_and_values_are_shown_short_and_printable() -> None:
    assert dotted(("a", 2, "b")) == "a[2].b"
    assert clipped("é\n" + "x" * 100) == "\\xe9\\n" + "x" * 51 + "..."
    assert Document(None, {}, "x").where(("a",)) == "x, a"


def test_no_more_than_the_limit_is_read(tmp_path: Path) -> None:
    (tmp_path / "big.yaml").write_bytes(b"#" * (LIMIT_BYTES * 3))
    assert len(read_bytes(tmp_path / "big.yaml")) == LIMIT_BYTES + 1
