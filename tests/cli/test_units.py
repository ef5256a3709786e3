"""The units command: both ways of each conversion, people's tables, and what it refuses."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench import filament
from hotbench.cli import run
from hotbench.core.errors import BadInput

SIZES = st.floats(0.05, 50.0)


def facts(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, float]:
    assert run(["units", *map(str, words), "--json"]) == 0
    found: dict[str, float] = json.loads(capsys.readouterr().out)
    return found


def test_thick_filament_weighs_by_its_section(capsys: pytest.CaptureFixture[str]) -> None:
    thin = facts(capsys, "filament", "--diameter", 1.75)["mass_g"]
    thick = facts(capsys, "filament", "--diameter", 2.85)["mass_g"]
    assert thick / thin == pytest.approx((2.85 / 1.75) ** 2)


def test_a_printed_line_and_its_feed(capsys: pytest.CaptureFixture[str]) -> None:
    flow = facts(capsys, "line", "--width", 0.45, "--height", 0.2, "--speed", 100)["flow_mm3_per_s"]
    assert flow == pytest.approx(9.0)
    feed = facts(capsys, "feed", "--flow", flow)
    assert feed["feed_mm_per_s"] == pytest.approx(9.0 / 2.40528, rel=1e-5)


def test_melt_rates_go_both_ways_and_are_no_limit(capsys: pytest.CaptureFixture[str]) -> None:
    mass = facts(capsys, "melt-rate", "--melt-density", 1.1, "--mvr", 10)["mfr_g_per_10min"]
    volume = facts(capsys, "melt-rate", "--melt-density", 1.1, "--mfr", mass)
    assert volume["mvr_cm3_per_10min"] == pytest.approx(10.0)
    assert "no substitute" in volume["remark"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("feed",), "give either --flow or --feed"),
        (("feed", "--flow", "3", "--feed", "2"), "give either --flow or --feed"),
        (("line", "--width", "0.4", "--height", "0.2"), "give either --speed or --flow"),
        (("line", "--width", "0.4", "--speed", "9"), "--height"),
        (("melt-rate", "--melt-density", "1.1"), "--mfr"),
        (("melt-rate", "--mfr", "3"), "--melt-density"),
        (("filament", "--diameter", "0"), "--diameter"),
        (("filament", "--density", "-1"), "--density"),
        (("filament", "--length", "long"), "--length"),
        (("filamnt",), "did you mean 'filament'"),
    ],
)
def test_what_cannot_be_converted_is_one_line(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str
) -> None:
    assert run(["units", *words]) == 2
    shown = capsys.readouterr()
    assert message in shown.err
    assert (shown.out, shown.err.count("\n")) == ("", 1)


@pytest.mark.parametrize("words", [("filament",), ("feed", "--flow", "12")])
def test_people_get_a_table(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    assert run(["units", *words]) == 0
    assert "filament of 1.75 mm" in capsys.readouterr().out


@settings(derandomize=True)
@given(diameter_mm=SIZES, flow=SIZES)
def test_feed_inverts(diameter_mm: float, flow: float) -> None:
    there = filament.feed(diameter_mm, flow_mm3_per_s=flow).plain()
    back = filament.feed(diameter_mm, feed_mm_per_s=there["feed_mm_per_s"]).plain()
    assert back["flow_mm3_per_s"] == pytest.approx(flow)


@settings(derandomize=True)
@given(width=SIZES, height=SIZES, flow=SIZES)
def test_lines_invert(width: float, height: float, flow: float) -> None:
    speed = filament.line(width, height, flow_mm3_per_s=flow).plain()["speed_mm_per_s"]
    back = filament.line(width, height, speed_mm_per_s=speed).plain()
    assert back["flow_mm3_per_s"] == pytest.approx(flow)


def test_both_or_none_is_refused_below_the_command_too() -> None:
    for given_ in ({}, {"mass_rate_g_per_10min": 1.0, "volume_rate_cm3_per_10min": 1.0}):
        with pytest.raises(BadInput, match="either"):
            filament.melt_rate(1.1, **given_)
