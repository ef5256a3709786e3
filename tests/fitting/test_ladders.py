"""Two ladders compared: errors without a change, intervals that cover, changes that are found."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from hotbench.fitting.ladders import LadderComparison, compare_ladders, holm_threshold
from hotbench.fitting.ramps import RampTrial

RATES = (3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.3, 6.6, 7.0)
LEVEL_K = 9.0
PAIRS = 400


def trial(rate: float, deviation_K: float, **changed: object) -> RampTrial:
    made = RampTrial(direction="heating", rate_K_per_s=rate, deviation_K=deviation_K, noise_K=0.1)
    return replace(made, **changed)


def ladder(
    seed: int,
    factor: float = 1.0,
    slope: float = 1.0,
    spread: float = 0.05,
    rates: tuple[float, ...] = RATES,
    **changed: object,
) -> list[RampTrial]:
    """Deviations of factor times rate^slope, scattered."""
    scatter = np.exp(spread * np.random.default_rng(seed).standard_normal(len(rates)))
    deviations_K = factor * np.array(rates) ** slope * scatter
    return [trial(r, float(d), **changed) for r, d in zip(rates, deviations_K, strict=True)]


def both_ways(seed: int, **given: float) -> list[RampTrial]:
    return ladder(2 * seed, **given) + ladder(2 * seed + 1, **given, direction="cooling")


def heating(
    before: list[RampTrial], after: list[RampTrial], *levels_K: float | None
) -> LadderComparison:
    (found,) = compare_ladders(before, after, levels_K or (None, None))
    return found


@pytest.mark.parametrize(
    ("spreads", "levels_K"), [((0.05, 0.05), (9.0, 9.0)), ((0.02, 0.1), (None, None))]
)
def test_without_a_change_one_comparison_in_twenty_calls_one(
    spreads: tuple[float, float], levels_K: tuple[float | None, float | None]
) -> None:
    """The stated rate, of the whole table: both ways, deviations and rates; scatters may differ."""
    called = 0
    for seed in range(PAIRS):
        before = both_ways(seed, spread=spreads[0])
        after = both_ways(5000 + seed, spread=spreads[1])
        called += any(one.significant for one in compare_ladders(before, after, levels_K))
    assert called <= binom.ppf(0.99, PAIRS, 0.05)
    assert called > 0


def test_intervals_cover_the_true_ratios() -> None:
    """20 % more deviation at a slope of 1.1: rates to the level fall by 1.2^(-1/1.1)."""
    covered = []
    for seed in range(PAIRS):
        found = heating(ladder(seed, slope=1.1), ladder(9000 + seed, 1.2, 1.1), LEVEL_K, LEVEL_K)
        truths = (1.2, 1.2 ** (-1.0 / 1.1))
        pairs = zip((found.deviation.ratio, found.rate.ratio), truths, strict=True)
        covered.append([ratio.low < truth < ratio.high for ratio, truth in pairs])
    share = np.mean(covered, axis=0)
    low, high = binom.ppf([0.005, 0.995], PAIRS, 0.95) / PAIRS
    assert (share >= low).all()
    assert (share <= high).all()


def test_a_tenth_more_deviation_is_found() -> None:
    found = [heating(ladder(seed), ladder(7000 + seed, 1.1)).significant for seed in range(100)]
    assert np.mean(found) > 0.9


def test_a_better_loop_shows() -> None:
    found = heating(ladder(1), ladder(2, factor=0.8))
    assert found.significant
    assert found.deviation.ratio.low < 0.8 < found.deviation.ratio.high
    assert found.trials == (10, 10)
    assert min(RATES) < found.rate_K_per_s < max(RATES)
    assert found.deviation.before == pytest.approx(found.rate_K_per_s, rel=0.05)
    assert (found.rate, found.share) == (None, None)


def test_a_lower_fault_level_alone_lowers_the_rate_to_it() -> None:
    found = heating(ladder(1, spread=0.02), ladder(2, spread=0.02), LEVEL_K, 0.8 * LEVEL_K)
    assert not found.deviation.significant
    assert found.rate.significant
    assert found.rate.ratio.low < 0.8 < found.rate.ratio.high
    assert found.share <= max(RATES) / LEVEL_K * 1.1


def test_slopes_may_differ() -> None:
    """Equal at the rate they are compared at, whatever they do elsewhere."""
    at = float(np.exp(np.mean(np.log(RATES))))
    steep = ladder(4, factor=at / at**1.5, slope=1.5, spread=0.01)
    found = heating(ladder(3, spread=0.01), steep)
    assert found.rate_K_per_s == pytest.approx(at)
    assert found.deviation.ratio.value == pytest.approx(1.0, abs=0.02)


def test_faults_alone_can_make_the_difference() -> None:
    faulted = [trial(5.0, 0.0, fault="lost")] * 6
    found = heating(faulted, [trial(5.0, 0.0)] * 6)
    # Fisher's exact test of 6 of 6 against 0 of 6: 2/C(12, 6).
    assert found.faults.chance == pytest.approx(2.0 / 924.0)
    assert found.faulted == (6, 0)
    assert found.deviation is None
    assert found.significant


def test_one_rate_repeated_is_compared_without_a_slope() -> None:
    found = heating(ladder(1, rates=(5.0,) * 8), ladder(2, 1.3, rates=(5.0,) * 8), LEVEL_K, LEVEL_K)
    assert found.rate_K_per_s == pytest.approx(5.0)
    assert found.deviation.significant
    assert found.rate is None


def test_rates_that_never_meet_tell_nothing() -> None:
    found = heating(ladder(1, rates=(1.0, 1.2, 1.4, 1.6)), ladder(2, rates=(4.0, 5.0, 6.0, 7.0)))
    assert (found.deviation, found.rate_K_per_s, found.significant) == (None, None, False)


def test_ramps_at_the_stop_and_abandoned_ones_are_counted_and_left_out() -> None:
    stopped = [trial(9.0, 80.0, saturation=1.0), trial(8.0, 7.0, abandoned=True)]
    plain = heating(ladder(1), ladder(2), LEVEL_K, LEVEL_K)
    found = heating(ladder(1), [*ladder(2), *stopped], LEVEL_K, LEVEL_K)
    assert (found.trials, found.abandoned) == ((10, 12), (0, 1))
    assert found.deviation == plain.deviation
    assert found.rate == plain.rate


def test_a_direction_of_one_side_alone_is_left_out() -> None:
    cooling = ladder(3, direction="cooling")
    assert [one.direction for one in compare_ladders([*ladder(1), *cooling], ladder(2))] == [
        "heating"
    ]
    assert compare_ladders(cooling, ladder(2)) == ()


@pytest.mark.parametrize(
    ("chances", "largest"),
    [
        ([], -1.0),
        ([0.04], 0.04),
        ([0.04, 0.03], -1.0),
        ([0.04, 0.024], 0.04),
        # Holm's step-down at 5 %: 0.005 <= 0.05/4, 0.01 <= 0.05/3, 0.03 > 0.05/2.
        ([0.01, 0.04, 0.03, 0.005], 0.01),
    ],
)
def test_holm(chances: list[float], largest: float) -> None:
    assert holm_threshold(chances, 0.05) == largest
