"""Numbers and tables read as a person would write them."""

import io
import json
from collections import Counter
from contextlib import redirect_stdout
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hotbench.bench.plain import plain, to_yaml, write_yaml
from hotbench.bench.progress import progress
from hotbench.bench.tables import (
    GAP,
    PAGE,
    Table,
    fitted_widths,
    number,
    print_tables,
    quantity_cells,
)
from hotbench.core.quantity import Quantity
from hotbench.core.records import Sample


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (18.523, "18.5"),
        (0.0, "0"),
        (1234.0, "1230"),
        (-0.00123, "-0.00123"),
        (2e-7, "2e-07"),
        (240.0, "240"),
    ],
)
def test_numbers(value: float, text: str) -> None:
    assert number(value) == text


@given(st.floats(-1e9, 1e9, allow_nan=False))
def test_numbers_keep_three_digits(value: float) -> None:
    assert float(number(value)) == pytest.approx(value, rel=6e-3, abs=1e-300)


def test_quantity_cells() -> None:
    rate = Quantity(value=18.523, unit="K/s", low=17.9, high=19.1, confidence=0.95, basis="fitted")
    assert quantity_cells(rate) == ("18.5", "17.9 to 19.1", "K/s", "fitted, 95%")
    assert quantity_cells(Quantity(value=24.0, unit="°C", basis="declared"))[1] == "-"


def test_printed_table(capsys: pytest.CaptureFixture[str]) -> None:
    table = Table("heating rate", ("at", "rate"), (("220 °C", "18.5"),), frozenset({1}))
    print_tables([table])
    printed = capsys.readouterr().out
    assert "heating rate" in printed
    assert "220 °C" in printed
    assert table.plain() == [{"at": "220 °C", "rate": "18.5"}]


def test_plain_values_are_json() -> None:
    value = {"a": np.array([1.0, np.nan]), "b": Sample(0.0, 24.0), 3: {np.float64(2.0)}}
    result = plain(value)
    assert result["a"] == [1.0, None]
    assert result["b"]["duty"] is None
    assert result["3"] == [2.0]
    json.dumps(result, allow_nan=False)


def test_yaml_reads_back(tmp_path: Path) -> None:
    write_yaml({"rate": 18.5, "text": "a: b", "none": None}, tmp_path / "fit.yaml")
    read = YAML(typ="safe").load((tmp_path / "fit.yaml").read_text())
    assert read == {"rate": 18.5, "text": "a: b", "none": None}
    assert [p.name for p in tmp_path.iterdir()] == ["fit.yaml"]
    assert to_yaml({"z": 1, "a": 2}).startswith("z: 1")


def test_no_progress_bar_away_from_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("fit") as step:
        step(0.5, "half")
    assert capsys.readouterr().err == ""


CELL = st.text(st.characters(codec="ascii", categories=("L", "N")), min_size=1, max_size=9)
TEXT = st.lists(CELL, min_size=1, max_size=9).map(" ".join)


@st.composite
def tables(draw: st.DrawFn) -> Table:
    columns = draw(st.integers(1, 7))
    heads = tuple(draw(TEXT) for _ in range(columns))
    rows = tuple(tuple(draw(TEXT) for _ in heads) for _ in range(draw(st.integers(1, 3))))
    return Table("caption", heads, rows, frozenset(draw(st.sets(st.integers(0, columns - 1)))))


@given(tables(), st.integers(20, 200))
def test_columns_keep_to_the_page_unless_a_word_or_a_number_needs_more(
    table: Table, page: int
) -> None:
    widths = fitted_widths(table, page)
    for i, (head, width) in enumerate(zip(table.heads, widths, strict=True)):
        cells = [row[i] for row in table.rows]
        whole = cells if i in table.numeric else [w for cell in cells for w in cell.split()]
        assert width >= max(map(len, whole))
        assert width <= max(map(len, [head, *cells]))
    if sum(widths) + GAP * (len(widths) - 1) > page:
        least = [fitted_widths(table, 1)[i] for i in range(len(widths))]
        assert widths == least


@given(tables())
def test_a_page_wide_enough_breaks_nothing(table: Table) -> None:
    cells = list(zip(*table.rows, strict=True))
    widths = fitted_widths(table, 10_000)
    assert all(width >= max(map(len, column)) for width, column in zip(widths, cells, strict=True))


@given(tables())
def test_printed_lines_keep_to_eighty_characters_and_lose_no_word(table: Table) -> None:
    with redirect_stdout(io.StringIO()) as out:
        print_tables([table])
    printed = out.getvalue()
    need = sum(fitted_widths(table, PAGE)) + GAP * (len(table.heads) - 1)
    assert max(map(len, printed.splitlines())) <= max(PAGE, need)
    words = [word for row in table.rows for cell in row for word in cell.split()]
    assert Counter(words) - Counter(printed.split()) == Counter()


def test_a_long_caption_is_broken_at_spaces_and_a_path_is_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = "/a/" + "folder-" * 14
    print_tables([Table(f"written to {path} {'and ' * 20}", ("a", "b"), (("1", "2"),))])
    lines = capsys.readouterr().out.splitlines()
    assert path in lines
    assert all(len(line) <= PAGE for line in lines if line != path)
