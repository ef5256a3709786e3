"""The largest safe single change, by deviation where a level is stated, else by passes."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from hotbench.core.records import Event, Run, RunInfo, Sample
from hotbench.fitting.jumps import JumpTrial, fit_jumps, jump_trials
from hotbench.fitting.pass_fault import STEEPNESS

INFO = RunInfo(run_id="one", procedure="jump", created="")


def jump(size_K: float, **changed: object) -> JumpTrial:
    made = JumpTrial(
        direction="heating", size_K=size_K, from_C=190.0, deviation_K=size_K, run_id="one"
    )
    return replace(made, **changed)


def samples(way: str, size_K: float, at_s: float = 0.0, noise_K: float = 0.0) -> list[Sample]:
    to_C, from_C = (190.0 + size_K, 190.0) if way == "up" else (190.0, 190.0 + size_K)
    noise = np.random.default_rng(3).standard_normal(60) * noise_K
    before = [Sample(at_s + 0.1 * k, from_C, from_C, 0.3, 0.0, 0.0, "hold") for k in range(5)]
    return before + [
        Sample(
            at_s + 0.5 + 0.1 * k,
            float(to_C + (from_C - to_C) * np.exp(-0.1 * k) + noise[k]),
            to_C,
            0.5,
            0.0,
            0.0,
            f"jump {way} {size_K:g}",
        )
        for k in range(60)
    ]


def test_trials_name_direction_size_and_start() -> None:
    up, down = jump_trials(Run.from_samples(INFO, samples("up", 10.0) + samples("down", 10.0, 9.0)))
    assert (up.direction, up.size_K, up.from_C) == ("heating", 10.0, 190.0)
    assert (down.direction, down.from_C) == ("cooling", 200.0)
    assert up.deviation_K == pytest.approx(10.0, abs=0.2)
    assert (up.fault, up.run_id) == (None, "one")


def test_noise_hardly_moves_the_deviation() -> None:
    (trial,) = jump_trials(Run.from_samples(INFO, samples("up", 10.0, noise_K=0.2)))
    assert trial.deviation_K == pytest.approx(10.0, abs=0.5)


def test_a_fault_at_once_keeps_its_line() -> None:
    part = samples("up", 20.0)[:7]
    fault = Event(part[-1].time_s, "fault", "Error:too far at once")
    (trial,) = jump_trials(Run.from_samples(INFO, part, events=[fault]))
    assert trial.fault == "Error:too far at once"
    assert trial.size_K == 20.0


def test_other_phases_are_no_jumps() -> None:
    ramp = [replace(s, phase="ramp up 2.0") for s in samples("up", 10.0)]
    held_out = [replace(s, phase=f"validate {s.phase}") for s in samples("up", 10.0, 9.0)]
    assert jump_trials(Run.from_samples(INFO, ramp + held_out)) == []
    assert fit_jumps([]) == ()


def test_below_a_stated_level_the_deviation_bounds_the_size() -> None:
    (fit,) = fit_jumps([jump(size) for size in (3.0, 4.5, 6.3, 6.3)], 9.0)
    assert fit.claim.method == "tolerance bound"
    assert fit.claim.quantity is not None
    # Level times exp(-2.326 times the assumed spread of 0.1), less the sample's own doubt; and
    # never more than a tenth above the largest that passed.
    assert 6.0 < fit.claim.quantity.value < 9.0 * np.exp(-2.326 * 0.1)
    assert fit.claim.quantity.value <= 1.1 * 6.3
    assert "10 %" in fit.claim.assumptions[0]
    assert fit.temperature_C == 190.0


def test_changes_beyond_the_level_show_that_it_does_not_govern_them() -> None:
    (fit,) = fit_jumps([jump(size) for size in (5.0, 10.0, 20.0, 30.0)], 9.0)
    assert fit.claim.method == "pass-fault ladder"
    assert fit.claim.quantity is not None
    assert 9.0 < fit.claim.quantity.value < 30.0
    assert fit.claim.quantity.basis == "assumed"
    assert "K" in fit.claim.assumptions[0]


def test_a_fault_lowers_the_claim() -> None:
    sizes = (5.0, 10.0, 15.0, 20.0)
    (clean,) = fit_jumps([jump(size) for size in sizes])
    (faulted,) = fit_jumps([*(jump(size) for size in sizes), jump(22.0, fault="lost")])
    assert faulted.claim.quantity.value < clean.claim.quantity.value
    assert (faulted.claim.faults, faulted.claim.trials) == (1, 5)


def test_nothing_but_faults_claims_nothing() -> None:
    (fit,) = fit_jumps([jump(5.0, fault="lost"), jump(4.0, fault="lost")], 9.0)
    assert fit.claim.quantity is None
    assert (fit.claim.method, fit.claim.confirmed) == ("none", False)


def test_directions_are_kept_apart() -> None:
    down = [jump(size, direction="cooling", from_C=190.0 + size) for size in (5.0, 10.0, 20.0)]
    fits = fit_jumps([*down, jump(5.0)])
    assert [fit.direction for fit in fits] == ["heating", "cooling"]
    assert fits[1].temperature_C == 190.0
    assert fits[1].largest_clean_K == 20.0


@settings(deadline=None)
@given(
    sizes=st.lists(st.floats(1.0, 60.0), min_size=1, max_size=12),
    limit_K=st.floats(1.0, 80.0),
    level_K=st.one_of(st.none(), st.floats(1.0, 80.0)),
)
def test_no_claim_reaches_a_size_that_faulted(
    sizes: list[float], limit_K: float, level_K: float | None
) -> None:
    trials = [jump(size, fault="lost" if size > limit_K else None) for size in sizes]
    (fit,) = fit_jumps(trials, level_K)
    passed = [size for size in sizes if size <= limit_K]
    if not passed:
        assert fit.claim.quantity is None
        return
    assert 0.0 < fit.claim.quantity.value <= 1.1 * max(passed)
    assert fit.claim.quantity.value < min((s for s in sizes if s > limit_K), default=np.inf)
    assert fit.largest_clean_K == max(passed)


def test_claims_are_safe_on_boards_whose_limit_is_as_steep_as_assumed() -> None:
    """200 boards with limits drawn at random: at most 1 % of changes at the claim would fault."""
    safe = []
    for seed in range(200):
        random = np.random.default_rng(61_000 + seed)
        limit_K = float(np.exp(random.uniform(np.log(12.0), np.log(80.0))))
        trials = []
        for size in np.repeat((5.0, 10.0, 15.0, 20.0, 30.0), 2):
            faulted = size > limit_K * np.exp(STEEPNESS * random.standard_normal())
            trials.append(jump(float(size), fault="lost" if faulted else None))
            if faulted:
                break
        (fit,) = fit_jumps(trials)
        chance = ndtr(np.log(fit.claim.quantity.value / limit_K) / STEEPNESS)
        safe.append(chance <= 0.01)
    assert np.mean(safe) >= 0.95
