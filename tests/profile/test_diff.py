"""Differences, their intervals against independent figures, and their words."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.quantity import Quantity
from hotbench.profile.diff import compare, ratio_percent, subtract
from hotbench.profile.types import MachineProfile


def quantity(value: float, low: float, high: float, unit: str = "K/s") -> Quantity:
    return Quantity(value=value, unit=unit, low=low, high=high, confidence=0.95, basis="fitted")


def two(plain: dict[str, Any], changed: dict[str, Any]) -> Any:
    return compare(MachineProfile.model_validate(plain), MachineProfile.model_validate(changed))


@pytest.fixture(name="changed")
def changed_fixture(plain: dict[str, Any]) -> dict[str, Any]:
    """The same machine after a change of hot end, from other runs."""
    heater, melt = dict(plain["heater"]), dict(plain["melt"])
    heater["heating_rate"] = [
        {**row, "rate_K_per_s": 1.12 * row["rate_K_per_s"], **scaled(row, 1.12)}
        for row in heater["heating_rate"]
    ]
    melt["flow_limit"] = [
        {**row, "flow_mm3_per_s": 12.0, "low_mm3_per_s": 11.6, "high_mm3_per_s": 12.4}
        for row in melt["flow_limit"]
    ]
    slew = [{**plain["slew"][0], "limiting_cause": "power"}, plain["slew"][1]]
    runs = [{**row, "run": f"new-{row['run']}"} for row in plain["provenance"]["runs"]]
    slew = [{**row, "evidence": {**row["evidence"], "runs": ["new-ramp-1"]}} for row in slew]
    provenance = {**plain["provenance"], "runs": runs}
    new = {"heater": heater, "melt": melt, "slew": slew, "provenance": provenance}
    return {**plain, **new, "dips": []}


def scaled(row: dict[str, Any], factor: float) -> dict[str, float]:
    return {name: factor * row[name] for name in ("low_K_per_s", "high_K_per_s")}


def test_symmetric_intervals_combine_by_the_root_of_squares() -> None:
    change = subtract(quantity(20.0, 17.0, 23.0), quantity(18.0, 14.0, 22.0))
    assert (change.value, change.low, change.high) == (2.0, -3.0, 7.0)


def test_difference_of_two_proportions_as_published() -> None:
    """Newcombe (Statistics in Medicine 17, 1998), table II (a), method 10: 56/70 less 48/80.

    Wilson intervals 0.6923..0.8768 and 0.4906..0.7000 give 0.0524 to 0.3339.
    """
    first = quantity(56 / 70, *wilson(56, 70), unit="share")
    second = quantity(48 / 80, *wilson(48, 80), unit="share")
    change = subtract(first, second)
    assert change.low == pytest.approx(0.0524, abs=5e-5)
    assert change.high == pytest.approx(0.3339, abs=5e-5)


def wilson(count: int, total: int) -> tuple[float, float]:
    z, share = 1.959963985, count / total
    centre = (share + z * z / (2 * total)) / (1 + z * z / total)
    spread = z * math.sqrt(share * (1 - share) / total + (z / (2 * total)) ** 2)
    half = spread / (1 + z * z / total)
    return centre - half, centre + half


def test_ratio_covers_on_simulated_log_normal_estimates() -> None:
    rng, n = np.random.default_rng(5), 2000
    truth, spread_a, spread_b = 1.12, 0.03, 0.02
    a = truth * np.exp(spread_a * rng.standard_normal(n))
    b = np.exp(spread_b * rng.standard_normal(n))
    inside = [
        covers(x, spread_a, y, spread_b, 100.0 * (truth - 1.0)) for x, y in zip(a, b, strict=True)
    ]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.015)


def covers(a: float, spread_a: float, b: float, spread_b: float, percent: float) -> bool:
    first, second = log_normal(a, spread_a), log_normal(b, spread_b)
    found = ratio_percent(first, second)
    assert found is not None
    assert found.low is not None
    assert found.high is not None
    return found.low <= percent <= found.high


def log_normal(value: float, spread: float) -> Quantity:
    arm = math.exp(1.959963985 * spread)
    return quantity(float(value), float(value / arm), float(value * arm))


def test_a_weaker_confidence_is_stretched_to_the_stronger() -> None:
    narrow = Quantity(value=0.0, unit="K", low=-1.0, high=1.0, confidence=0.6826895, basis="fitted")
    exact = quantity(0.0, 0.0, 0.0, "K")
    change = subtract(narrow, exact)
    assert change.high == pytest.approx(1.959964, rel=1e-5)
    assert change.confidence == 0.95


def test_overlapping_intervals_may_still_differ() -> None:
    """18..20 and 19.8..21.8 overlap, yet 1.8 +- 1.41 leaves out zero."""
    change = subtract(quantity(20.8, 19.8, 21.8), quantity(19.0, 18.0, 20.0))
    assert change.low == pytest.approx(1.8 - math.sqrt(2.0))


def test_ratio_is_left_out_where_it_says_nothing() -> None:
    assert (
        ratio_percent(quantity(210.0, 200.0, 220.0, "°C"), quantity(200.0, 190, 210, "°C")) is None
    )
    assert ratio_percent(quantity(0.0, -1.0, 1.0), quantity(1.0, 0.5, 1.5)) is None
    reaching_zero = ratio_percent(quantity(2.0, -1.0, 5.0), quantity(1.0, 0.5, 1.5))
    assert reaching_zero == Quantity(value=pytest.approx(100.0), unit="%", basis="fitted")


def test_a_profile_equals_itself(plain: dict[str, Any]) -> None:
    comparison = two(plain, plain)
    assert not comparison.significant
    same = "heats about the same at 220 °C, cold (-3 to 3.1 %)"
    assert same in [row.words for row in comparison.differences]
    assert len(comparison.differences) == 38
    assert comparison.shared_runs == ("step-1", "ramp-1", "extrude-1")
    assert comparison.for_prints == ["nothing that the intervals do not explain"]


def test_words_of_what_changed(plain: dict[str, Any], changed: dict[str, Any]) -> None:
    comparison = two(plain, changed)
    words = [row.words for row in comparison.significant]
    assert "heats 12 % faster (8.6 to 15) at 220 °C, cold" in words
    assert "melts 23 % less (19 to 27) at 220 °C" in words
    assert comparison.shared_runs == ()
    assert {name.split("[")[0] for name in comparison.only_before} == {"dips"}


def test_limits_come_in_plain_words_with_the_tighter_first(
    plain: dict[str, Any], changed: dict[str, Any]
) -> None:
    lines = two(plain, changed).for_prints
    assert lines[0] == "tighter: melts 15 to 23 % less at 200 to 220 °C"
    assert lines[-1] == "heating, 220 °C, fan 0: now limited by power, was controller fault"
    back = two(changed, plain).for_prints
    assert back[0].startswith("wider: melts")


def test_rows_that_go_different_ways_do_not_share_a_line(plain: dict[str, Any]) -> None:
    melt = dict(plain["melt"])
    first, second = melt["flow_limit"]
    less = {**first, "flow_mm3_per_s": 11.0, "low_mm3_per_s": 10.6, "high_mm3_per_s": 11.4}
    more = {**second, "flow_mm3_per_s": 19.0, "low_mm3_per_s": 18.5, "high_mm3_per_s": 19.5}
    melt["flow_limit"] = [less, more]
    lines = two(plain, {**plain, "melt": melt}).for_prints
    assert [line.partition(" (")[0] for line in lines] == [
        "tighter: melts 23 % less",
        "wider: melts 22 % more",
    ]


def test_dips_of_one_fan_share_a_line(plain: dict[str, Any]) -> None:
    (dip,) = plain["dips"]
    other = {**dip, "from_C": 230.0}
    slow = quantity(9.0, 8.8, 9.2, unit="s")
    before = {**plain, "dips": [dip, other]}
    after = {**plain, "dips": [{**dip, "time_down": slow}, {**other, "time_down": slow}]}
    assert two(before, after).for_prints == ["tighter: dips 73 % slower at fan 1, each of 2 dips"]


def even(plain: dict[str, Any], reference: float) -> dict[str, Any]:
    """A profile whose even surface keeps to the row of one flow."""
    rows = [
        {
            "flow_mm3_per_s": flow,
            "temperature_C": 220.0 + 4.0 * (flow - reference),
            "low_C": 180.0,
            "high_C": 290.0,
            "confidence": 0.95,
            "basis": "extrapolated",
            "reference": flow == reference,
        }
        for flow in (6.0, 8.0, 10.0)
    ]
    return {**plain, "melt": {**plain["melt"], "even_surface": rows}}


def test_even_surfaces_are_compared_under_one_reference_only(plain: dict[str, Any]) -> None:
    same = two(even(plain, 8.0), even(plain, 8.0))
    assert sum("even_surface" in row.where for row in same.differences) == 3
    other = two(even(plain, 6.0), even(plain, 8.0))
    assert not any("even_surface" in row.where for row in other.differences)
    assert sum("even_surface" in where for where in other.only_after) == 3


def test_needed_temperature_is_compared_in_kelvin(plain: dict[str, Any]) -> None:
    melt = dict(plain["melt"])
    row = melt["minimum_temperature"][0]
    hotter = {**row, "temperature_C": 233.0, "low_C": 225.0, "high_C": 241.0}
    melt["minimum_temperature"] = [hotter]
    changed = two(plain, {**plain, "melt": melt}).limits_changed
    assert [r.words for r in changed] == ["needs 30 K hotter (18 to 42) at 14.5 mm3/s"]
    assert changed[0].tighter


def test_without_an_interval_nothing_is_called_significant(plain: dict[str, Any]) -> None:
    heater = {**plain["heater"], "combined_lag": {"value": 1.24, "unit": "s", "basis": "measured"}}
    rows = two(plain, {**plain, "heater": heater}).differences
    lag = next(row for row in rows if row.kind == "heater.combined_lag")
    assert lag.significant is None
    assert lag.words == "senses with 100 % more lag (no interval)"


def test_units_that_differ_are_not_subtracted(plain: dict[str, Any]) -> None:
    heater = {**plain["heater"], "combined_lag": {"value": 600, "unit": "ms", "basis": "measured"}}
    comparison = two(plain, {**plain, "heater": heater})
    assert comparison.only_before == comparison.only_after == ("heater.combined_lag",)


def test_other_melts_are_compared_under_their_material(plain: dict[str, Any]) -> None:
    """A second material's limits are numbers like the first's, and never mixed up with them."""
    other = {**plain["melt"], "material": "PETG", "nozzle": "0.4 mm"}
    slow = dict(other)
    slow["flow_limit"] = [
        {**row, "flow_mm3_per_s": 10.0, "low_mm3_per_s": 9.7, "high_mm3_per_s": 10.3}
        for row in other["flow_limit"]
    ]
    found = two({**plain, "other_melts": [other]}, {**plain, "other_melts": [slow]})
    assert [row.where for row in found.limits_changed] == [
        "other_melts[PETG, 0.4 mm].flow_limit[200 °C]",
        "other_melts[PETG, 0.4 mm].flow_limit[220 °C]",
    ]
    assert found.for_prints == ["tighter: melts 30 to 36 % less at PETG, 0.4 mm, 200 to 220 °C"]


def claims(plain: dict[str, Any], **stated: Any) -> dict[str, Any]:
    """The profile with other numbers in its first safe ramp, from runs of its own."""
    first, *rest = plain["slew"]
    return {**plain, "slew": [{**first, **stated}, *rest]}


BARE = {"low_K_per_s": None, "high_K_per_s": None}


def test_a_claim_without_an_interval_is_stated_but_not_proven(plain: dict[str, Any]) -> None:
    """A safe rate is chosen from scattered trials: another one is no change of the machine."""
    before, after = (claims(plain, rate_K_per_s=rate, **BARE) for rate in (8.0, 10.0))
    found = two(before, after)
    assert found.limits_changed == ()
    assert [row.change.value for row in found.claims_changed] == [2.0]
    assert found.for_prints == [
        "nothing that the intervals do not explain",
        "claimed, not proven: may ramp 25 % faster (no interval) at heating, 220 °C, fan 0",
    ]


@pytest.mark.parametrize("assumed", ["before", "after", "both"])
def test_an_assumption_is_never_significant(assumed: str, plain: dict[str, Any]) -> None:
    """Its interval holds what the model says, not the doubt whether the assumption is right."""
    wider = {"rate_K_per_s": 19.0, "low_K_per_s": 18.0, "high_K_per_s": 20.0}
    bases = [
        {"basis": "assumed"} if assumed in (side, "both") else {} for side in ("before", "after")
    ]
    before, after = claims(plain, **bases[0]), claims(plain, **wider, **bases[1])
    (row,) = (d for d in two(before, after).differences if d.where.startswith("slew[heating"))
    assert row.significant is None
    assert row.percent is not None
    assert row.percent.low is not None


def test_jumps_and_rests_are_limits_too(plain: dict[str, Any]) -> None:
    jump = {
        "direction": "heating", "temperature_C": 220.0, "size_K": 20.0, "low_K": 19.0,
        "high_K": 21.0, "confidence": 0.95, "basis": "fitted",
    }  # fmt: skip
    rest = {
        "from_C": 220.0, "to_C": 190.0, "rest_s": 10.0, "low_s": 9.5, "high_s": 10.5,
        "confidence": 0.95, "basis": "fitted",
    }  # fmt: skip
    before = {**plain, "jumps": [jump], "repetition": [rest]}
    after = {
        **plain,
        "jumps": [{**jump, "size_K": 30.0, "low_K": 28.0, "high_K": 32.0}],
        "repetition": [{**rest, "rest_s": 15.0, "low_s": 14.0, "high_s": 16.0}],
    }
    lines = [line.partition(" (")[0] for line in two(before, after).for_prints]
    assert lines == ["tighter: needs 50 % more rest between dips", "wider: may jump 50 % further"]


def test_causes_of_several_temperatures_share_a_line(plain: dict[str, Any]) -> None:
    first = plain["slew"][0]
    before = [{**first, "temperature_C": at_C} for at_C in (200.0, 220.0, 240.0)]
    after = [{**row, "limiting_cause": "power"} for row in before[:2]]
    found = two({**plain, "slew": before}, {**plain, "slew": [*after, before[2]]})
    assert found.causes == (
        "heating, 200 to 220 °C, fan 0: now limited by power, was controller fault",
    )


positive = st.floats(0.01, 1e3)


@given(positive, positive, st.floats(0.001, 0.3), st.floats(0.001, 0.3))
def test_comparing_the_other_way_round_turns_every_sign(
    first: float, second: float, share_a: float, share_b: float
) -> None:
    """The change's interval turns over; its verdict does not depend on which side is before."""
    a = quantity(first, first * (1.0 - share_a), first * (1.0 + share_a))
    b = quantity(second, second * (1.0 - share_b), second * (1.0 + share_b))
    there, back = subtract(b, a), subtract(a, b)
    assert there.value == pytest.approx(-back.value)
    assert (there.low, there.high) == pytest.approx((-back.high, -back.low))  # type: ignore[operator]
    percent, inverse = ratio_percent(b, a), ratio_percent(a, b)
    assert percent is not None
    assert inverse is not None
    assert (1.0 + percent.value / 100.0) * (1.0 + inverse.value / 100.0) == pytest.approx(1.0)


@given(positive, st.floats(0.001, 0.5))
def test_a_number_never_differs_from_itself(value: float, share: float) -> None:
    same = quantity(value, value * (1.0 - share), value * (1.0 + share))
    change = subtract(same, same)
    assert change.low is not None
    assert change.high is not None
    assert change.low <= 0.0 <= change.high


def test_a_ratio_without_bounds_has_no_interval() -> None:
    """An end a hair above zero would make the change a number with hundreds of digits."""
    wide, narrow = quantity(4.0, 1e-300, 5.0), quantity(2.0, 1.9, 2.1)
    assert ratio_percent(wide, narrow) == Quantity(
        value=pytest.approx(100.0), unit="%", basis="fitted"
    )
    assert ratio_percent(quantity(1e-300, 1e-301, 1e-299), narrow) is None
    assert ratio_percent(narrow, quantity(1e-300, 1e-301, 1e-299)) is None


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (2.4 * 9.6, "may ramp 140 % faster (100 to 186) at heating, 220 °C, fan 0"),
        (8.0 * 9.6, "may ramp faster, 8 times what it was (6.7 to 9.5) at heating, 220 °C, fan 0"),
    ],
)
def test_large_changes_are_told_as_people_tell_them(
    rate: float, said: str, plain: dict[str, Any]
) -> None:
    after = claims(plain, rate_K_per_s=rate, low_K_per_s=rate * 0.84, high_K_per_s=rate * 1.18)
    (row,) = (d for d in two(plain, after).differences if d.where.startswith("slew[heating"))
    assert row.words == said
