"""The adaptive ladder on boards without randomness; the statistics are in tests/studies."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.fitting.ramps import RampTrial
from hotbench.fitting.rate_choice import GROWTH, LOADS, LadderPlan, next_rate
from hotbench.fitting.slew import REACH, fit_slew

LEVEL_K = 9.0


def ramp(rate: float, trail_s: float, level_K: float = LEVEL_K, noise_K: float = 0.05) -> RampTrial:
    """Deviation = rate × trail; a fault at the level."""
    deviation_K = rate * trail_s
    return RampTrial(
        direction="heating",
        rate_K_per_s=rate,
        deviation_K=min(deviation_K, level_K),
        noise_K=noise_K,
        fault="tracking lost" if deviation_K > level_K else None,
    )


def climb(plan: LadderPlan, trail_s: float = 1.0, level_K: float = LEVEL_K, noise_K: float = 0.05):
    trials: list[RampTrial] = []
    stages: list[str] = []
    while (choice := next_rate(trials, plan)) is not None:
        trials.append(ramp(choice.rate_K_per_s, trail_s, level_K, noise_K))
        stages.append(choice.stage)
    return trials, stages


@pytest.mark.parametrize("trail_s", [0.3, 1.0, 6.0])
def test_ladder_ends_confirmed_and_without_a_fault(trail_s: float) -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=0.3, fault_deviation_K=LEVEL_K)
    trials, stages = climb(plan, trail_s)
    assert len(trials) <= 15
    assert all(trial.clean for trial in trials)
    found = fit_slew(trials, LEVEL_K).of("heating")
    assert found.confirmed
    assert stages[0] == "climb"
    assert "confirm" in stages
    assert 0.7 < found.rate.value * trail_s / LEVEL_K < 0.8


def test_steps_up_are_bounded() -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=0.1, fault_deviation_K=LEVEL_K)
    rates = [trial.rate_K_per_s for trial in climb(plan)[0]]
    highest = [max(rates[: i + 1]) for i in range(len(rates))]
    steps = [b / a for a, b in pairwise(highest)]
    assert max(steps) <= GROWTH + 1e-9


def test_cap_is_never_exceeded_and_claimed_at_most() -> None:
    plan = LadderPlan(
        direction="heating", first_K_per_s=0.5, highest_K_per_s=2.0, fault_deviation_K=LEVEL_K
    )
    trials, _ = climb(plan)
    assert max(trial.rate_K_per_s for trial in trials) <= 2.0
    assert len(trials) < 15


def test_backs_off_after_a_fault() -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=0.5, fault_deviation_K=LEVEL_K)
    trials = [ramp(2.0, 1.0), ramp(20.0, 1.0)]
    choice = next_rate(trials, plan)
    assert choice is not None
    assert choice.rate_K_per_s == 2.0
    assert "back off" in choice.reason


def test_other_direction_does_not_count() -> None:
    plan = LadderPlan(direction="cooling", first_K_per_s=0.2, fault_deviation_K=LEVEL_K)
    choice = next_rate([ramp(2.0, 1.0)], plan)
    assert choice is not None
    assert choice.rate_K_per_s == 0.2


def test_invisible_deviation_takes_the_cautious_ladder() -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=0.5, highest_K_per_s=20.0)
    trials, stages = climb(plan, trail_s=1e-4, noise_K=0.5)
    assert set(stages[1:]) == {"pass-fault"}
    rates = [trial.rate_K_per_s for trial in trials]
    assert len(rates) <= 15
    assert max(b / a for a, b in pairwise(rates)) < GROWTH
    found = fit_slew(trials).of("heating")
    assert found.method == "pass-fault ladder"


def test_impossible_plan_is_refused() -> None:
    with pytest.raises(BadInput, match="first rate"):
        LadderPlan(direction="heating", first_K_per_s=2.0, highest_K_per_s=1.0)


def test_nothing_is_tried_near_an_abandoned_ramp() -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=0.5, fault_deviation_K=LEVEL_K)
    trials = [ramp(rate, 1.0) for rate in (1.0, 1.6, 2.6, 4.0)]
    lost = replace(ramp(5.0, 1.4), fault=None, abandoned=True)
    rates = []
    history = [*trials, lost]
    while (choice := next_rate(history, plan)) is not None:
        rates.append(choice.rate_K_per_s)
        history.append(ramp(choice.rate_K_per_s, 1.0))
    assert rates
    assert max(rates) <= 0.9 * 5.0 + 1e-9
    assert len(history) <= 15


def test_an_abandoned_first_ramp_is_followed_by_slower_ones() -> None:
    plan = LadderPlan(direction="heating", first_K_per_s=5.0, fault_deviation_K=LEVEL_K)
    choice = next_rate([replace(ramp(5.0, 1.0), abandoned=True)], plan)
    assert choice is not None
    assert choice.rate_K_per_s == pytest.approx(3.5)


def test_a_claim_that_only_the_fastest_ramp_holds_back_is_tried_next() -> None:
    """Little spread, all declared: slow ramps could claim 1.1 of their rate and no more."""
    plan = LadderPlan(
        direction="heating", first_K_per_s=0.5, fault_deviation_K=LEVEL_K, fault_spread=0.0
    )
    trials, _ = climb(plan)
    found = fit_slew(trials, LEVEL_K, fault_spread=0.0).of("heating")
    assert found.confirmed
    assert found.rate.value / LEVEL_K > REACH * max(LOADS)
    assert max(trial.rate_K_per_s for trial in trials) < LEVEL_K


@given(
    trail_s=st.floats(0.2, 10.0),
    first=st.floats(0.05, 2.0),
    spread=st.floats(0.0, 0.3),
    highest=st.floats(2.0, 100.0),
)
@settings(max_examples=25, deadline=None)
def test_a_board_that_follows_in_proportion_is_never_made_to_fault(
    trail_s: float, first: float, spread: float, highest: float
) -> None:
    plan = LadderPlan(
        direction="heating",
        first_K_per_s=min(first, 0.5 * LEVEL_K / trail_s),
        highest_K_per_s=highest,
        fault_deviation_K=LEVEL_K,
        fault_spread=spread,
    )
    trials, _ = climb(plan, trail_s)
    assert len(trials) <= plan.ramps
    assert all(trial.clean for trial in trials)
    assert max(trial.rate_K_per_s for trial in trials) <= highest
    claimed = fit_slew(trials, LEVEL_K, fault_spread=spread).of("heating").rate
    assert claimed is None or claimed.value * trail_s < LEVEL_K
