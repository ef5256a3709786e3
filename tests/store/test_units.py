"""Units of imported columns, and what a foreign table looks like."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.store.sniffing import read_text_table
from hotbench.store.units import ColumnSpec, celsius, fractions, is_unit, seconds, unit_error

numbers = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20).map(np.array)


@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [("C", 25.0, 25.0), ("", 25.0, 25.0), ("K", 273.15, 0.0), ("F", 212.0, 100.0)],
)
def test_temperatures(unit: str, value: float, expected: float) -> None:
    """Ice and steam point as the units are defined (BIPM, SI brochure, 2.3.1)."""
    assert celsius(np.array([value]), unit)[0] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("", 1.0), ("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("min", 60.0), ("h", 3600.0)],
)
def test_times(unit: str, factor: float) -> None:
    assert seconds(np.array([2.0]), unit)[0] == pytest.approx(2.0 * factor)


@given(
    share=numbers,
    low=st.integers(-100, 100),
    span=st.integers(1, 1000),
)
def test_a_stated_range_is_undone(share: np.ndarray, low: int, span: int) -> None:  # type: ignore[type-arg]
    spec = ColumnSpec("duty", "pwm", f"{low}-{low + span}")
    found = fractions(low + span * share, spec)
    np.testing.assert_allclose(found.values, share, atol=1e-9)
    assert found.meaning == f"range {spec.unit}"


@given(share=numbers.filter(lambda values: values.max() > 1e-3), top=st.floats(0.1, 1e3))
def test_volts_are_taken_over_their_own_maximum(share: np.ndarray, top: float) -> None:  # type: ignore[type-arg]
    found = fractions(share * top, ColumnSpec("duty", "u", "volts"))
    np.testing.assert_allclose(found.values, share / share.max(), atol=1e-9)
    assert found.meaning.startswith("volts over their own maximum")


@pytest.mark.parametrize(
    ("values", "unit", "words"),
    [
        ([0.0, 64.0], "", r"duty outside its range \(got 64, limit 0 to 1\)"),
        ([0.0, 120.0], "percent", "limit 0 to 100"),
        ([-1.0], "0-255", "got -1, limit 0 to 255"),
        ([0.0, 0.0], "watts", "never exceeds zero"),
        ([0.5], "5-5", "range is empty"),
    ],
)
def test_values_that_contradict_their_unit(values: list[float], unit: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        fractions(np.array(values), ColumnSpec("duty", "pwm", unit))


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("time", ["s", "ms", "iso"], ["C", "days"]),
        ("temperature", ["C", "K", "F"], ["R", "percent"]),
        ("duty", ["fraction", "percent", "0-127", "volts"], ["iso", "0-"]),
        ("fan", ["percent", "0-255"], ["volts"]),
        ("flow", ["mm3/s"], ["ml/s"]),
        ("phase", [], ["none", "x"]),
    ],
)
def test_which_units_a_field_has(field: str, good: list[str], bad: list[str]) -> None:
    assert all(is_unit(field, text) for text in good)
    assert not any(is_unit(field, text) for text in bad)
    error = unit_error(ColumnSpec(field, "x"), "furlong")
    assert str(error).startswith(f"unknown unit 'furlong' for {field}; known: ")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "file is empty"),
        (b"# only a remark\n", "file is empty"),
        (b"t,x\n", "a header and no rows"),
        (b"1,2\n3,4\n", "first row is no header; name the columns there"),
        (b"t,x\n1,2,3\n", "line 2 has 3 cells, header 2"),
        (b"t,x\n\xff,2\n", "not UTF-8"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=words):
        read_text_table(path)
    with pytest.raises(BadInput, match="cannot be read: Is a directory"):
        read_text_table(tmp_path)


def test_the_row_of_a_bad_cell_is_that_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("# a remark\nt;x\n0;1,5\n1;warm\n2;\n")
    table = read_text_table(path)
    with pytest.raises(BadInput, match=r"row 4, column 'x': not a number \(got 'warm'\)"):
        table.numbers("x", empty_allowed=True)
    with pytest.raises(BadInput, match=r"no column 'xx'; did you mean 'x'\?"):
        table.numbers("xx", empty_allowed=True)
    assert list(table.numbers("t", empty_allowed=False)) == [0.0, 1.0, 2.0]
