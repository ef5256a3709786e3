"""A quantity refuses intervals that contradict themselves and prints with its unit."""

import pytest

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
