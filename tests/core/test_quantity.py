"""A quantity refuses intervals that contradict themselves and prints with its unit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.quantity import Quantity


def test_text_with_interval() -> None:
    rate = Quantity(value=18.52, unit="K/s", low=17.9, high=19.14, confidence=0.95, basis="fitted")
    assert rate.text() == "18.5 (17.9 to 19.1) K/s"
    assert rate.half_width == pytest.approx(0.62)


def test_text_without_interval() -> None:
    assert Quantity(value=24.0, unit="°C", basis="declared").text() == "24 °C"
    assert Quantity(value=24.0, unit="°C", basis="declared").half_width is None


@pytest.mark.parametrize(
    "parts",
    [
        {"low": 1.0},
        {"low": 1.0, "high": 3.0},
        {"confidence": 0.95},
        {"low": 1.0, "high": 3.0, "confidence": 1.0},
        {"low": 2.5, "high": 3.0, "confidence": 0.95},
    ],
)
def test_contradictions_are_refused(parts: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"interval|together|confidence"):
        Quantity(value=2.0, unit="K", basis="fitted", **parts)


finite = st.floats(-1e6, 1e6)


@given(ends=st.lists(finite, min_size=3, max_size=3).map(sorted), share=st.floats(0.01, 0.99))
def test_any_interval_around_its_value_is_taken(ends: list[float], share: float) -> None:
    low, value, high = ends
    made = Quantity(value=value, unit="K", low=low, high=high, confidence=share, basis="fitted")
    assert made.half_width == pytest.approx((high - low) / 2.0)
    assert made.text().endswith(" K")


@given(value=finite, high=finite, width=st.floats(1e-3, 1e3))
def test_an_interval_that_lies_elsewhere_is_refused(
    value: float, high: float, width: float
) -> None:
    low = high - width
    outside = not low <= value <= high
    if not outside:
        value = high + 1.0 + abs(high) * 1e-6
    with pytest.raises(ValueError, match="does not hold the value"):
        Quantity(value=value, unit="K", low=low, high=high, confidence=0.9, basis="fitted")
