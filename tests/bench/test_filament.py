"""Unit help against known filament and ISO 1133."""

import pytest

from hotbench.bench import filament
from hotbench.core.errors import BadInput


def test_a_metre_of_usual_filament() -> None:
    facts = filament.filament(1.75, 1.24, 1000.0).plain()
    assert facts["section_mm2"] == pytest.approx(2.40528, abs=1e-5)
    assert facts["mass_g"] == pytest.approx(2.98255, abs=1e-4)


def test_feed_and_flow_are_two_ways() -> None:
    there = filament.feed(1.75, flow_mm3_per_s=12.0).plain()
    back = filament.feed(1.75, feed_mm_per_s=there["feed_mm_per_s"]).plain()
    assert there["feed_mm_per_s"] == pytest.approx(4.98903, abs=1e-5)
    assert there["feed_mm_per_min"] == pytest.approx(60.0 * there["feed_mm_per_s"])
    assert back["flow_mm3_per_s"] == pytest.approx(12.0)


def test_line_and_its_speed() -> None:
    assert filament.line(0.45, 0.2, speed_mm_per_s=100.0).plain()[
        "flow_mm3_per_s"
    ] == pytest.approx(9.0)
    assert filament.line(0.45, 0.2, flow_mm3_per_s=9.0).plain()["speed_mm_per_s"] == pytest.approx(
        100.0
    )


def test_melt_rate_says_that_it_is_no_limit() -> None:
    # Source: ISO 1133, MFR = MVR · density of the melt.
    facts = filament.melt_rate(1.1, mass_rate_g_per_10min=11.0).plain()
    assert facts["mvr_cm3_per_10min"] == pytest.approx(10.0)
    assert facts["flow_mm3_per_s"] == pytest.approx(16.6667, abs=1e-4)
    assert "no substitute" in facts["remark"]
    again = filament.melt_rate(1.1, volume_rate_cm3_per_10min=10.0).plain()
    assert again["mfr_g_per_10min"] == pytest.approx(11.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: filament.feed(1.75), "either --flow or --feed"),
        (lambda: filament.feed(1.75, flow_mm3_per_s=1.0, feed_mm_per_s=1.0), "either --flow"),
        (lambda: filament.line(0.4, 0.2), "either --speed or --flow"),
        (lambda: filament.melt_rate(1.1), "either --mfr or --mvr"),
        (lambda: filament.line(0.0, 0.2, flow_mm3_per_s=1.0), "line section must be positive"),
    ],
)
def test_too_little_or_too_much_is_refused(call, message: str) -> None:
    with pytest.raises(BadInput, match=message):
        call()
