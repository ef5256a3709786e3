import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.jobs.follower import Ramps, follow_words
from hotbench.jobs.limits import (
    GUARD_K,
    SETTLE_LAGS,
    SLEW_MARGIN,
    FlowTable,
    HeaterFacts,
    Limits,
    SlewTable,
    limits_of,
    margin_of,
)
from hotbench.jobs.motion import plan_motion
from hotbench.jobs.timeline import read_timeline
from hotbench.profile.types import MachineProfile


def stated(value: float, unit: str) -> dict[str, object]:
    return {"value": value, "unit": unit, "basis": "declared"}


def slew(direction: str, at_C: float, rate: float, fan: float = 0.0) -> dict[str, object]:
    return {
        "direction": direction, "temperature_C": at_C, "fan": fan, "rate_K_per_s": rate,
        "limiting_cause": "power", "basis": "fitted",
    }  # fmt: skip


def flow(at_C: float, limit: float, low: float | None = None) -> dict[str, object]:
    interval = {"low_mm3_per_s": low, "high_mm3_per_s": 2 * limit - low, "confidence": 0.95}
    return {"temperature_C": at_C, "flow_mm3_per_s": limit, "basis": "fitted"} | (
        interval if low is not None else {}
    )


def document() -> dict[str, object]:
    return {
        "machine": {"name": "invented", "limit_temperature_C": 235.0},
        "heater": {
            "model": "one-node",
            "parameters": {"heating_K_per_s": stated(4.0, "K/s")},
            "ambient": stated(21.0, "°C"),
            "combined_lag": stated(1.5, "s"),
        },
        "slew": [
            slew("heating", 200.0, 4.0), slew("heating", 240.0, 2.0),
            slew("cooling", 200.0, 1.0, 0.0), slew("cooling", 200.0, 2.0, 1.0),
        ],
        "melt": {
            "material": "PLA", "filament_diameter_mm": 2.85, "criterion": "5 %",
            "evidence_kind": "delivered mass",
            "flow_limit": [flow(240.0, 14.0, 13.0), flow(200.0, 10.0, 9.0)],
            "alpha_L_eff": stated(2.0, "mm3/s"),
            "softening_temperature": stated(150.0, "°C"),
        },
        "control": {
            "rule": "x", "form": "ideal", "at_temperature_C": 220.0, "duty_full_scale": 100.0,
            "gains": {"Kc": stated(5.0, ""), "Ti": stated(10.0, "s"), "Td": stated(2.0, "s")},
        },
        "provenance": {"software_version": "0", "date": "2026-01-01"},
    }  # fmt: skip


def profile(**changes: object) -> MachineProfile:
    return MachineProfile.model_validate({**document(), **changes})


def test_limits_come_from_the_profile() -> None:
    limits = limits_of(profile(), margin=0.0)
    assert limits.flow.temperature_C.tolist() == [200.0, 240.0]
    assert limits.flow.low_mm3_per_s.tolist() == [9.0, 13.0]
    assert limits.slew_down.rate_K_per_s.tolist() == [1.0]
    assert (limits.low_C, limits.high_C, limits.lag_s) == (200.0, 235.0, 1.5)
    assert limits.filament_area_mm2 == pytest.approx(math.pi / 4.0 * 2.85**2)
    assert limits.heater is not None
    assert (limits.heater.ambient_C, limits.heater.model) == (21.0, "one-node")
    assert limits.melt is not None
    assert limits.melt.softening_C == 150.0
    assert limits.control is not None
    gains = (limits.control.Kp, limits.control.Ki, limits.control.Kd)
    assert gains == pytest.approx((0.05, 0.005, 0.1))


def test_series_gains_are_multiplied_out() -> None:
    control = {**document()["control"], "form": "series"}
    facts = limits_of(profile(control=control)).control
    assert facts is not None
    assert (facts.Kp, facts.Ki, facts.Kd) == pytest.approx((0.06, 0.005, 0.1))


def test_a_margin_lowers_the_slew() -> None:
    assert limits_of(profile(), margin=0.25).slew_up.rate_K_per_s.tolist() == [3.0, 1.5]
    assert limits_of(profile()).slew_down.rate_K_per_s[0] == pytest.approx(1.0 - SLEW_MARGIN)
    with pytest.raises(BadInput, match="margin"):
        limits_of(profile(), margin=1.0)


def constant(rate_K_per_s: float) -> SlewTable:
    return SlewTable(np.array([200.0]), np.array([rate_K_per_s]))


@given(st.floats(0.1, 10.0), st.floats(0.1, 10.0), st.floats(0.1, 20.0))
def test_ramps_there_and_back_stay_within_the_claim(up: float, down: float, trail_s: float) -> None:
    """The claim's level is up times trail_s; a swing and the ramp that follows it add up."""
    kept = margin_of(constant(up), constant(down), trail_s)
    used = 1.0 - kept.value
    assert used * (up + down) * trail_s <= up * trail_s * (1.0 + 1e-9)
    assert kept.value >= SLEW_MARGIN
    assert (kept.basis == "assumed") == (kept.value == SLEW_MARGIN)


def test_without_a_claim_the_margin_is_the_assumed_one() -> None:
    kept = margin_of(constant(1.0), constant(9.0), 0.0)
    assert (kept.value, kept.basis) == (SLEW_MARGIN, "assumed")


def test_a_stated_margin_is_declared() -> None:
    assert limits_of(profile(), margin=0.1).margin.basis == "declared"
    assert limits_of(profile()).margin.basis == "assumed"


def test_the_slew_is_read_at_the_lower_end_of_its_interval() -> None:
    ends = {"low_K_per_s": 3.0, "high_K_per_s": 5.0, "confidence": 0.95}
    rows = [slew("heating", 200.0, 4.0) | ends, slew("cooling", 200.0, 1.0)]
    limits = limits_of(profile(slew=rows), margin=0.0)
    assert limits.slew_up.rate_K_per_s.tolist() == [3.0]
    assert limits.slew_down.rate_K_per_s.tolist() == [1.0]


def test_the_guard_grows_with_what_the_heater_model_missed(limits: Limits) -> None:
    assert (limits.guard.value, limits.guard.basis) == (GUARD_K, "assumed")
    poor = replace(limits, heater=HeaterFacts("one-node", {}, 21.0, error_K=3.0), trail_s=4.0)
    rest_K = 4.0 * 2.0 * math.exp(-SETTLE_LAGS)
    assert poor.guard.value == pytest.approx(3.0 + rest_K)
    assert poor.guard.basis == "fitted"
    good = replace(limits, heater=HeaterFacts("one-node", {}, 21.0, error_K=0.2))
    assert good.guard.value == GUARD_K


@pytest.mark.parametrize("section", ["melt", "heater", "slew"])
def test_what_the_profile_does_not_state_is_named(section: str) -> None:
    absent = () if section == "slew" else None
    with pytest.raises(BadInput, match="profile"):
        limits_of(profile(**{section: absent}))


def test_flow_reads_logarithmically_and_extrapolates_only_downwards() -> None:
    table = limits_of(profile()).flow
    at = table.at(np.array([200.0, 220.0, 240.0, 300.0, 180.0]))
    assert at == pytest.approx([10.0, math.sqrt(140.0), 14.0, 14.0, 10.0 * math.sqrt(10.0 / 14.0)])


@given(st.floats(9.0, 13.0))
def test_least_temperature_inverts_the_lower_limit(wanted: float) -> None:
    table = limits_of(profile()).flow
    least = table.least_temperature_C(np.array([wanted]))
    assert table.low_at(least)[0] == pytest.approx(wanted)


def test_least_temperature_outside_the_table() -> None:
    table = limits_of(profile()).flow
    assert table.least_temperature_C(np.array([0.0, 5.0, 13.5])).tolist() == [
        200.0,
        200.0,
        math.inf,
    ]


def test_ramp_clock_integrates_the_slew() -> None:
    # Rate 1 + (T - 100)/100 between 100 and 200: integral of dT / rate = 100 ln 2.
    table = SlewTable(np.array([100.0, 200.0]), np.array([1.0, 2.0]))
    clock = table.clock_s(np.array([0.0, 100.0, 200.0]))
    assert clock == pytest.approx([0.0, 100.0, 100.0 + 100.0 * math.log(2.0)], rel=1e-5)


def test_ramps_end_where_their_time_is_up(limits: Limits) -> None:
    ramps = Ramps(limits)
    total = ramps.duration_s(200.0, 230.0)
    halfway = ramps.after(200.0, 230.0, total / 2.0)
    assert ramps.duration_s(200.0, halfway) == pytest.approx(total / 2.0, rel=1e-6)
    assert ramps.after(200.0, 230.0, total + 1.0) == 230.0
    assert ramps.duration_s(230.0, 200.0) > total
    assert ramps.after(230.0, 200.0, 3.0) < 230.0


def test_waits_take_the_rest_of_the_ramp(limits: Limits) -> None:
    text = b"M104 S200\nG1 X0 Y0 F600\nG1 X100\nM109 S200\nG1 X0 E1\nM109 S200\nG1 X9 E2\n"
    job = read_timeline(text)
    duration_s = plan_motion(job).duration_s
    words = follow_words(job, duration_s, limits)
    ramp_s = Ramps(limits).duration_s(25.0, 200.0)
    assert words.wait_s[1] == pytest.approx(ramp_s - duration_s[0] + limits.lag_s)
    assert words.wait_s[3] == pytest.approx(limits.lag_s)


def test_a_single_point_holds_everywhere() -> None:
    one = np.array([10.0])
    table = FlowTable(np.array([210.0]), one, one, one)
    assert table.at(np.array([150.0, 300.0])).tolist() == pytest.approx([10.0, 10.0])
