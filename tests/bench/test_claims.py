"""Jumps, repeated dips and smoothing: from runs to tables and profile rows."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench.choosing import abandon_share, choosers
from hotbench.bench.claims import (
    claim_tables,
    jump_rows,
    jumps_of,
    repetition_of,
    repetition_rows,
    slowest_rate,
    smoothing_rows,
)
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.fitting.jumps import JumpTrial, fit_jumps
from hotbench.profile import types as p


def run(samples: list[Sample], procedure: str) -> Run:
    return Run.from_samples(RunInfo(run_id="one", procedure=procedure, created=""), samples)


def jump_run(sizes_K: tuple[float, ...]) -> Run:
    samples, at_s = [], 0.0
    for size_K in sizes_K:
        for way, to_C in (("up", 190.0 + size_K), ("down", 190.0)):
            start_C = 190.0 if way == "up" else 190.0 + size_K
            for k in range(40):
                at_s += 0.1
                here_C = to_C + (start_C - to_C) * np.exp(-k / 8.0)
                samples.append(
                    Sample(at_s, float(here_C), to_C, 0.5, 0.0, 0.0, f"jump {way} {size_K:g}")
                )
            samples += [Sample(at_s + 0.1, to_C, to_C, 0.5, 0.0, 0.0, f"hold {to_C:g}")]
            at_s += 0.1
    return run(samples, "jump")


def slew(direction: str, *pairs: tuple[float, float], **changed: object) -> list[p.SlewRate]:
    return [
        p.SlewRate(
            direction=direction,
            temperature_C=at_C,
            rate_K_per_s=rate,
            limiting_cause="power",
            basis="fitted",
            **changed,
        )
        for at_C, rate in pairs
    ]


def test_jumps_go_from_the_run_to_table_and_profile() -> None:
    fits = jumps_of([jump_run((5.0, 10.0, 20.0))], None)
    assert [fit.direction for fit in fits] == ["heating", "cooling"]
    (table,) = claim_tables(fits, None)
    assert table.rows[0][0] == "single change, heating"
    assert table.rows[0][3:6] == ("pass-fault ladder", "3", "0")
    rows = jump_rows(fits)
    assert all(0.0 < row.size_K < 20.0 and row.evidence.runs == ("one",) for row in rows)
    assert rows[0].temperature_C == 190.0


def test_nothing_recorded_states_nothing() -> None:
    ramps = run(
        [Sample(0.1 * i, 190.0, 190.0, 0.5, 0.0, 0.0, "hold 190") for i in range(9)], "ramp"
    )
    assert jumps_of([ramps], None) == ()
    assert repetition_of([ramps], 9.0) is None
    assert claim_tables((), None) == []
    assert repetition_rows(None) == ()


def test_an_unidentified_jump_is_shown_but_claimed_nowhere() -> None:
    fault = JumpTrial(
        direction="heating", size_K=5.0, from_C=190.0, deviation_K=5.0, fault="too far"
    )
    fits = fit_jumps([fault])
    (table,) = claim_tables(fits, None)
    assert table.rows[0][1] == "unidentified"
    assert jump_rows(fits) == ()


def test_least_look_ahead_takes_the_slowest_rate_on_the_way() -> None:
    rates = slew("heating", (180.0, 1.0), (200.0, 4.0), (210.0, 2.0), (240.0, 5.0))
    rows = {(row.from_C, row.to_C): row for row in smoothing_rows(rates)}
    assert set(rows) == {(200.0, 220.0), (190.0, 220.0)}
    assert rows[200.0, 220.0].look_ahead_s == pytest.approx(10.0)
    assert rows[190.0, 220.0].look_ahead_s == pytest.approx(30.0)
    assert rows[190.0, 220.0].cost_without_s == pytest.approx(30.0)
    assert rows[190.0, 220.0].basis == "fitted"


def test_an_uncertain_rate_gives_an_interval() -> None:
    rates = slew(
        "cooling",
        (180.0, 2.0),
        (220.0, 2.0),
        low_K_per_s=1.6,
        high_K_per_s=2.5,
        confidence=0.95,
    )
    row = smoothing_rows(rates)[0]
    assert (row.from_C, row.to_C) == (220.0, 200.0)
    assert (row.low_s, row.look_ahead_s, row.high_s) == pytest.approx((8.0, 10.0, 12.5))


@settings(deadline=None)
@given(
    rates=st.lists(st.tuples(st.floats(150.0, 260.0), st.floats(0.1, 20.0)), max_size=8),
    fan=st.sampled_from([0.0, 1.0]),
)
def test_look_ahead_never_asks_for_more_than_a_known_rate(
    rates: list[tuple[float, float]], fan: float
) -> None:
    known = slew("cooling", *rates, fan=fan)
    for row in smoothing_rows(known):
        assert fan == 0.0
        assert row.slope_K_per_s in [r.rate_K_per_s for r in known]
        assert row.look_ahead_s * row.slope_K_per_s == pytest.approx(row.from_C - row.to_C)
        assert min(r.temperature_C for r in known) <= row.to_C


def test_a_step_beyond_the_known_rates_has_none() -> None:
    assert slowest_rate(slew("heating", (200.0, 1.0)), 200.0, 220.0) is None
    assert slowest_rate([], 200.0, 220.0) is None


@pytest.mark.parametrize(
    ("sizes_K", "expected"),
    [((2.0, 5.0, 20.0), (2.0, 5.0)), ((20.0, 30.0), (3.0, 5.0, 7.0)), (None, (3.0, 5.0, 7.0))],
)
def test_a_stated_level_keeps_single_changes_below_it(sizes_K, expected) -> None:
    given_ = {"fault_deviation_K": 10.0} | ({"sizes_K": sizes_K} if sizes_K else {})
    settings, injected = choosers("jump", given_, 1.24)
    assert settings == {"fault_deviation_K": 10.0, "sizes_K": expected}
    assert injected == {}


def test_a_wide_declared_spread_keeps_changes_and_dips_further_below() -> None:
    """1 % quantile at a spread of 0.2: exp(-2.3263 x 0.2) = 0.628 of the level."""
    wide = {"fault_deviation_K": 10.0, "fault_spread": 0.2}
    sizes_K = choosers("jump", wide, 1.24)[0]["sizes_K"]
    assert sizes_K == (2.7, 4.5, 6.3)
    assert choosers("repeat", wide, 1.24)[0]["abandon_deviation_K"] == pytest.approx(6.28, abs=0.01)


def test_a_stated_level_stops_repeated_dips_in_time() -> None:
    settings, _ = choosers("repeat", {"fault_deviation_K": 10.0, "count": 3}, 1.24)
    assert settings == {"fault_deviation_K": 10.0, "abandon_deviation_K": 7.0, "count": 3}
    assert choosers("repeat", {"count": 3}, 1.24)[0] == {"count": 3}


def test_ramps_are_abandoned_where_one_board_in_a_hundred_faults() -> None:
    # 1 % quantile of the standard normal distribution is -2.3263 (any table); spread 0.1.
    assert abandon_share(None) == pytest.approx(np.exp(-0.23263), rel=1e-4)
    assert abandon_share(0.05) == pytest.approx(np.exp(-0.11632), rel=1e-4)
    settings, _ = choosers("ramp", {"fault_deviation_K": 10.0}, 1.24)
    assert settings["abandon_deviation_K"] == pytest.approx(7.924, abs=0.001)
