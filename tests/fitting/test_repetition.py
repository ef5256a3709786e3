"""The shortest safe rest between dips."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.records import Event, Run, RunInfo, Sample
from hotbench.fitting.ramps import ABANDONED
from hotbench.fitting.repetition import RepeatedDip, fit_repetition, repeated_dips

INFO = RunInfo(run_id="one", procedure="repeat", created="")
RESTS_s = (20.0, 10.0, 5.0, 2.0)


def dip(rest_s: float, deviation_K: float = 4.0, **changed: object) -> RepeatedDip:
    made = RepeatedDip(
        rest_s=rest_s,
        from_C=220.0,
        to_C=200.0,
        deviation_K=deviation_K,
        noise_K=0.1,
        peak_K=deviation_K,
        movement_K=40.0 * 60.0 / (40.0 + rest_s),
        run_id="one",
    )
    return replace(made, **changed)


def dips(deviations_K: dict[float, float], count: int = 5, seed: int = 0) -> list[RepeatedDip]:
    random = np.random.default_rng(seed)
    return [
        dip(rest_s, deviation_K * float(np.exp(0.03 * random.standard_normal())))
        for rest_s, deviation_K in deviations_K.items()
        for _ in range(count)
    ]


def samples(phase: str, at_s: float, lag_s: float = 1.5) -> list[Sample]:
    """Down 20 K and back at 2 K/s, the temperature following with a first-order lag."""
    made, here_C = [], 220.0
    for k in range(200):
        setpoint_C = 220.0 - 0.2 * k if k < 100 else 200.0 + 0.2 * (k - 100)
        here_C += (setpoint_C - here_C) * 0.1 / lag_s
        made.append(Sample(at_s + 0.1 * k, here_C, setpoint_C, 0.5, 0.25, 0.0, phase))
    return made


def run(parts: list[list[Sample]], events: list[Event] | None = None) -> Run:
    return Run.from_samples(INFO, [s for part in parts for s in part], events=events or [])


def test_dips_are_read_with_rest_deviation_and_travel() -> None:
    first, second = repeated_dips(
        run([samples("repeat 1 rest 5", 0.0), samples("repeat 2 rest 5", 25.0)])
    )
    assert (first.rest_s, first.from_C, first.to_C, first.fan) == (5.0, 220.0, 200.0, 0.25)
    assert first.deviation_K == pytest.approx(3.0, abs=0.3)
    assert first.movement_K == pytest.approx(40.0, abs=0.5)
    assert second.movement_K == pytest.approx(80.0, abs=1.0)
    assert first.clean


def test_abandoned_and_faulted_dips_are_told_apart() -> None:
    parts = [samples("repeat 1 rest 5", 0.0), samples("repeat 2 rest 2", 25.0)]
    events = [
        Event(10.0, "note", f"{ABANDONED}: the dip deviates"),
        Event(44.0, "fault", "Error:lost"),
    ]
    first, second = repeated_dips(run(parts, events))
    assert (first.abandoned, first.fault) == (True, None)
    assert (second.abandoned, second.fault) == (False, "Error:lost")
    assert not first.clean
    assert not second.clean


def test_rests_and_short_stretches_are_no_dips() -> None:
    short = samples("repeat 1 rest 5", 0.0)[:3]
    assert repeated_dips(run([short, samples("hold 220", 1.0), samples("dip 220-200", 30.0)])) == []
    assert fit_repetition([]) is None


def test_the_shortest_rest_below_the_level_is_claimed() -> None:
    fit = fit_repetition(dips({20.0: 3.5, 10.0: 4.0, 5.0: 5.0, 2.0: 7.9}), 9.0)
    assert fit is not None
    assert fit.claim.method == "tolerance bound"
    assert fit.claim.quantity.value == 5.0
    assert (fit.claim.trials, fit.claim.faults, fit.claim.confirmed) == (20, 0, True)
    assert fit.movement_K_per_min == pytest.approx(40.0 * 60.0 / 45.0)


def test_a_shorter_rest_never_counts_beyond_a_longer_one_that_failed() -> None:
    fit = fit_repetition(dips({20.0: 4.0, 10.0: 8.5, 5.0: 4.0}), 9.0)
    assert fit.claim.quantity.value == 20.0


def test_even_the_longest_rest_may_be_too_short() -> None:
    fit = fit_repetition(dips({20.0: 8.5, 10.0: 8.7}), 9.0)
    assert fit.claim.quantity is None
    assert fit.claim.method == "none"
    assert fit.movement_K_per_min is None


def test_a_fault_or_an_abandoned_dip_closes_its_rest() -> None:
    clean = dips(dict.fromkeys(RESTS_s, 4.0))
    for spoiled in ({"fault": "lost"}, {"abandoned": True}):
        fit = fit_repetition([*clean, dip(5.0, 6.0, **spoiled)], 9.0)
        assert fit.claim.quantity.value == 10.0


def test_two_dips_at_a_rest_are_too_few_for_a_bound() -> None:
    assert fit_repetition(dips({20.0: 4.0}, count=2), 9.0).claim.quantity is None
    assert fit_repetition(dips({20.0: 4.0}, count=3), 9.0).claim.quantity is not None


def test_noise_peaks_count_against_the_level() -> None:
    quiet = dips({20.0: 6.6})
    noisy = [replace(one, peak_K=one.deviation_K + 2.5) for one in quiet]
    assert fit_repetition(quiet, 9.0).claim.quantity is not None
    assert fit_repetition(noisy, 9.0).claim.quantity is None


@pytest.mark.parametrize("deviation_K", [0.2, 4.0])
def test_without_level_or_visible_deviation_travel_is_counted(deviation_K: float) -> None:
    level_K = 9.0 if deviation_K < 0.3 else None
    fit = fit_repetition([dip(r, deviation_K) for r in RESTS_s for _ in range(5)], level_K)
    assert fit.claim.method in ("pass-fault ladder", "none")
    if fit.claim.quantity is not None:
        assert fit.claim.quantity.basis == "assumed"
        assert "travel" in fit.claim.assumptions[0]


@settings(deadline=None)
@given(
    deviations_K=st.lists(st.floats(1.0, 12.0), min_size=4, max_size=4),
    level_K=st.floats(2.0, 20.0),
)
def test_typical_deviation_at_the_claim_keeps_its_distance(
    deviations_K: list[float], level_K: float
) -> None:
    by_rest = dict(zip(RESTS_s, deviations_K, strict=True))
    fit = fit_repetition(dips(by_rest), level_K)
    if fit.claim.quantity is not None:
        # 1 % quantile of the level at its assumed spread of 0.1.
        assert by_rest[fit.claim.quantity.value] < level_K * np.exp(-2.326 * 0.1) * 1.05
        longer = [k for rest_s, k in by_rest.items() if rest_s >= fit.claim.quantity.value]
        assert max(longer) < level_K


def test_claims_are_safe_on_boards_that_weigh_travel() -> None:
    """Fault level spread 0.1 as assumed; the deviations rise as rests shrink."""
    safe = []
    for seed in range(200):
        random = np.random.default_rng(62_000 + seed)
        first, growth = random.uniform(3.0, 6.0), random.uniform(1.0, 1.5)
        typical = {rest_s: first * growth**k for k, rest_s in enumerate(RESTS_s)}
        fit = fit_repetition(dips(typical, seed=seed), 9.0)
        if fit.claim.quantity is None:
            continue
        spread = float(np.hypot(0.03, 0.1))
        z = np.log(9.0 / typical[fit.claim.quantity.value]) / spread
        safe.append(z >= 2.326)
    assert len(safe) > 100
    assert np.mean(safe) >= 0.95
