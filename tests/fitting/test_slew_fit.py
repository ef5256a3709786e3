"""The safe rate from ramp trials."""

from dataclasses import replace

import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.fitting.pass_fault import limit_belief, safe_rate_from_faults
from hotbench.fitting.ramps import RampTrial
from hotbench.fitting.slew import RateCap, fault_level_K, fault_share, fit_slew

LEVEL_K = 9.0


def trial(rate: float, deviation_K: float, **changed: object) -> RampTrial:
    made = RampTrial(direction="heating", rate_K_per_s=rate, deviation_K=deviation_K, noise_K=0.1)
    return replace(made, **changed)


def ladder(
    rates: object, factor: float = 1.0, spread: float = 0.03, seed: int = 0, bend_from: float = 99.0
) -> list[RampTrial]:
    random = np.random.default_rng(seed)
    return [
        trial(
            float(rate),
            float(
                factor
                * rate
                * (1.0 + max(rate / bend_from - 1.0, 0.0))
                * np.exp(spread * random.standard_normal())
            ),
        )
        for rate in np.asarray(rates)
    ]


RATES = np.array([3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.3, 6.6, 7.0])


def test_safe_rate_lies_under_the_level_with_margin() -> None:
    found = fit_slew(ladder(RATES), LEVEL_K).of("heating")
    assert found is not None
    assert found.rate is not None
    assert (found.method, found.cause) == ("tolerance bound", "controller fault")
    assert found.limit_K_per_s == pytest.approx(9.0, rel=0.05)
    assert 5.5 < found.rate.value < 9.0 * np.exp(-2.326 * 0.1)
    assert found.slope == pytest.approx(1.0, abs=0.15)
    assert (found.trials, found.faults, found.curved) == (10, 0, False)
    at_rate = np.interp(found.rate.value, found.curve.rate_K_per_s, found.curve.bound_K)
    assert at_rate <= LEVEL_K * 1.01
    assert fault_share(found, found.rate.value) < 0.01


def test_assumptions_are_stated_and_priced() -> None:
    plain, steady, falling = (
        fit_slew(ladder(RATES), LEVEL_K, **options).of("heating")
        for options in ({}, {"fault_spread": 0.0}, {"level_fall": 0.1})
    )
    assert steady.rate.value > plain.rate.value > falling.rate.value
    assert "assumed to vary by 10 % from ramp to ramp" in plain.assumptions[0]
    assert "declare it where it varies by more" in plain.assumptions[0]
    assert "varies by 0 % from ramp to ramp, as declared" in steady.assumptions[0]
    assert "moves no more within a minute" in plain.assumptions[1]
    assert "lowers it by up to 10 %" in falling.assumptions[1]


def test_a_bend_near_saturation_is_followed() -> None:
    bent = fit_slew(ladder(RATES, spread=0.01, bend_from=5.0), LEVEL_K).of("heating")
    straight = fit_slew(ladder(RATES, spread=0.01), LEVEL_K).of("heating")
    assert bent.curved
    assert bent.rate.value < 0.85 * straight.rate.value
    truth = bent.rate.value * (1.0 + max(bent.rate.value / 5.0 - 1.0, 0.0))
    assert truth < LEVEL_K * np.exp(-2.0 * 0.1)


def test_claims_do_not_reach_far_beyond_what_was_tried() -> None:
    found = fit_slew(ladder(RATES), 40.0).of("heating")
    assert found.rate.value == pytest.approx(1.1 * 7.0)
    assert found.widen.startswith("faster ramps")


def test_physical_limit_governs_and_is_named() -> None:
    caps = {"heating": RateCap(4.0, "power")}
    found = fit_slew(ladder(RATES), LEVEL_K, caps=caps).of("heating")
    assert (found.rate.value, found.cause) == (4.0, "power")
    assert found.widen == "more heater power"


def test_noise_peaks_count_against_the_level() -> None:
    quiet = ladder(RATES)
    noisy = [replace(t, peak_K=t.deviation_K + 0.8) for t in quiet]
    rates = [fit_slew(trials, LEVEL_K).of("heating").rate.value for trials in (quiet, noisy)]
    assert rates[1] / rates[0] == pytest.approx(8.2 / 9.0, rel=0.02)


def test_early_fault_lowers_the_claim() -> None:
    clean = ladder(RATES)
    fault = trial(7.2, 6.3, fault="tracking lost")
    before, after = (fit_slew(trials, LEVEL_K).of("heating") for trials in (clean, [*clean, fault]))
    assert after.rate.value < before.rate.value
    assert (after.faults, fault_level_K([*clean, fault])) == (1, 6.3)


def test_a_stated_level_that_an_early_fault_belies_is_not_believed() -> None:
    """A board that faults at 9 K while 12 K was stated: as safe as with no level stated at all."""
    trials = [*ladder(RATES), trial(9.5, 8.8, fault="lost")]
    believed, seen = (fit_slew(trials, level).of("heating") for level in (12.0, None))
    assert believed.rate == seen.rate
    assert believed.level_K == pytest.approx(8.8)
    assert "a ramp faulted at 8.8 K already: the stated level of 12 K" in believed.assumptions[1]
    near = fit_slew(trials, 10.0).of("heating")
    assert near.level_K == pytest.approx(10.0)
    assert not any("not believed" in said for said in near.assumptions)


def test_fault_level_may_come_from_the_faults() -> None:
    found = fit_slew([*ladder(RATES), trial(9.5, 8.8, fault="lost")]).of("heating")
    assert found.method == "tolerance bound"
    assert found.level_K == pytest.approx(8.8)


def test_confirmation_needs_a_clean_ramp_at_the_rate() -> None:
    clean = ladder(RATES)
    rate = fit_slew(clean, LEVEL_K).of("heating").rate.value
    slower = [t for t in clean if t.rate_K_per_s < 0.95 * rate]
    assert not fit_slew(slower, LEVEL_K).of("heating").confirmed
    again = fit_slew([*clean, trial(rate, rate)], LEVEL_K).of("heating")
    assert again.confirmed


def test_directions_are_kept_apart() -> None:
    down = [replace(t, direction="cooling") for t in ladder(RATES / 3.0, factor=2.0)]
    fit = fit_slew([*ladder(RATES), *down], LEVEL_K)
    assert [found.direction for found in fit.directions] == ["heating", "cooling"]
    assert fit.of("cooling").rate.value < fit.of("heating").rate.value
    assert fit_slew(down, LEVEL_K).of("heating") is None


def test_unknown_level_without_faults_falls_back_and_says_so() -> None:
    found = fit_slew(ladder(RATES)).of("heating")
    assert (found.method, found.rate.basis) == ("pass-fault ladder", "assumed")
    assert "varies by 15 %" in found.assumptions[0]
    assert found.rate.value < 7.0


def test_nothing_but_faults_is_unidentified() -> None:
    fit = fit_slew([trial(5.0, 0.0, fault="lost")] * 3, LEVEL_K)
    assert fit.of("heating").rate is None
    assert fit.unidentified[0][0] == "safe heating rate"


@pytest.mark.parametrize(
    "options",
    [{"fault_deviation_K": -1.0}, {"fault_deviation_K": float("nan")}, {"fault_spread": 1.0}],
)
def test_impossible_options_are_refused(options: dict[str, float]) -> None:
    with pytest.raises(BadInput):
        fit_slew(ladder(RATES), **options)


def test_belief_moves_with_passes_and_faults() -> None:
    rates = np.array([1.0, 2.0, 4.0])
    passed = limit_belief(rates, np.array([False] * 3), 0.5, 20.0)
    stopped = limit_belief(rates, np.array([False, False, True]), 0.5, 20.0)
    assert passed.quantile(0.5) > 6.0
    assert 2.0 < stopped.quantile(0.5) < 4.0
    assert passed.fault_chance(1.0) < 0.01 < passed.fault_chance(15.0)


def test_claim_from_passes_never_exceeds_what_passed() -> None:
    claim = safe_rate_from_faults(np.array([1.0, 2.0]), np.array([False, False]), 0.99, 0.95)
    assert claim is not None
    assert claim.rate_K_per_s <= 2.0
    assert safe_rate_from_faults(np.array([1.0]), np.array([True]), 0.99, 0.95) is None


def test_an_abandoned_ramp_bounds_the_claim_and_is_no_fault() -> None:
    clean = ladder(RATES)
    lost = trial(7.2, 7.4, abandoned=True)
    before, after = (fit_slew(trials, LEVEL_K).of("heating") for trials in (clean, [*clean, lost]))
    assert before.rate.value > 0.9 * 7.2 * 0.9
    assert after.rate.value <= 0.9 * 7.2
    assert (after.trials, after.faults, after.abandoned) == (11, 0, 1)
    lower = fit_slew([*clean, trial(6.0, 7.4, abandoned=True)], LEVEL_K).of("heating")
    assert lower.rate.value == pytest.approx(0.9 * 6.0)
    assert lower.cause == "controller fault"


def test_an_abandoned_ramp_teaches_no_level_and_no_line() -> None:
    clean = ladder(RATES)
    lost = trial(7.2, 2.0, abandoned=True)
    assert fault_level_K([*clean, lost]) is None
    plain, beside = (fit_slew(trials, LEVEL_K).of("heating") for trials in (clean, [*clean, lost]))
    assert (beside.spread, beside.slope) == (plain.spread, plain.slope)


def test_only_abandoned_ramps_claim_nothing() -> None:
    fit = fit_slew([trial(5.0, 6.0, abandoned=True)] * 3, LEVEL_K)
    assert fit.of("heating").rate is None


def test_nothing_is_extrapolated_beyond_a_ramp_near_the_stop() -> None:
    slow = ladder(RATES / 2.0)
    near = [replace(t, saturation=0.6 if t.rate_K_per_s > 3.4 else 0.2) for t in slow]
    free, held = (fit_slew(trials, LEVEL_K).of("heating") for trials in (slow, near))
    assert free.rate.value == pytest.approx(1.1 * 3.5)
    assert held.rate.value == pytest.approx(3.5)


def test_ramps_beyond_the_corner_do_not_spoil_what_slower_ones_tell() -> None:
    led = [replace(t, saturation=0.3) for t in ladder(RATES / 3.0)]
    beyond = [trial(2.6, deviation, saturation=0.85) for deviation in (6.2, 6.4, 6.1, 6.3)]
    found = fit_slew([*led, *beyond], LEVEL_K).of("heating")
    assert 7.0 / 3.0 <= found.rate.value <= 2.6
    assert found.trials == 14
