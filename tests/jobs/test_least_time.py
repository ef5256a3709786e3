import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from least_time_programs import Instance

from hotbench.jobs import least_time as lt


@pytest.mark.parametrize("seed", range(12))
def test_within_one_percent_of_a_linear_program(seed: int) -> None:
    # Independent optimum: HiGHS through scipy.optimize.linprog on the same piecewise linear costs.
    problem = Instance.random(seed)
    _, total = problem.solve()
    best = problem.linear_program()
    assert best * (1.0 - 1e-7) <= total <= best * 1.01


@pytest.mark.slow
def test_the_excess_over_many_linear_programs_is_small() -> None:
    excess = []
    for seed in range(100, 180):
        problem = Instance.random(seed)
        excess.append(problem.solve()[1] / problem.linear_program() - 1.0)
    assert min(excess) > -1e-7
    assert np.mean(excess) < 1e-3
    assert max(excess) < 0.01


@given(st.integers(0, 10_000), st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_no_feasible_path_is_faster(seed: int, path: int) -> None:
    problem = Instance.random(seed, stages=12)
    _, total = problem.solve()
    random = np.random.default_rng(path)
    T = random.uniform(problem.knots[problem.low], problem.knots[problem.high])
    times = [
        lt.cost_s(T[k], T[k + 1], problem.knots, problem.slow[k], problem.rate[k], problem.up,
                  problem.down)
        for k in range(12)
    ]  # fmt: skip
    assert total <= sum(times) * (1.0 + 1e-9)


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_the_path_stays_in_its_bands(seed: int) -> None:
    problem = Instance.random(seed)
    T, _ = problem.solve()
    assert (problem.knots[problem.low] - T).max() <= 1e-9
    assert (T - problem.knots[problem.high]).max() <= 1e-9


def test_a_climb_alone_takes_its_ramp() -> None:
    knots = np.linspace(200.0, 240.0, 41)
    slow = np.full((2, knots.size), 5.0)
    ramp = (knots - 200.0) / 2.0
    low, high = np.array([0, 0, 40]), np.array([0, 40, 40])
    later = lt.time_to_go(knots, slow, np.ones(2), ramp, ramp, low, high)
    assert later[0, 0] == pytest.approx(20.0)


def test_equal_choices_go_to_the_aim() -> None:
    knots = np.linspace(200.0, 240.0, 41)
    slow = np.full((6, knots.size), 100.0)
    ramp = (knots - 200.0) / 2.0
    low, high = np.zeros(7, dtype=np.int64), np.full(7, 40)
    arrays = (slow, np.ones(6), ramp, ramp, low, high)
    T, _ = lt.fastest_path(knots, *arrays, np.full(7, 217.3), lt.time_to_go(knots, *arrays))
    assert T[1:] == pytest.approx(np.full(6, 217.3))


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_envelopes_hold_every_feasible_path_and_are_reached(seed: int) -> None:
    random = np.random.default_rng(seed)
    knots = np.linspace(190.0, 250.0, 61)
    up, down = (knots - 190.0) / 1.3, (knots - 190.0) / 0.6
    time_s = random.uniform(0.5, 8.0, 15)
    walk = [220.0]
    for span in time_s:
        walk.append(float(np.clip(walk[-1] + random.uniform(-0.6, 1.3) * span, 191.0, 249.0)))
    wide = random.uniform(0.0, 6.0, (2, 16))
    low, high = np.array(walk) - wide[0], np.array(walk) + wide[1]
    lowest, highest = lt.envelopes(low, high, time_s, knots, up, down)
    assert (lowest <= np.array(walk) + 1e-6).all()
    assert (highest >= np.array(walk) - 1e-6).all()
    for aim in (low - 50.0, high + 50.0):
        T = lt.nearest_path(aim, lowest, highest, time_s, knots, up, down)
        assert (low - T).max() <= 1e-6
        assert (T - high).max() <= 1e-6
        assert (np.diff(T) <= 1.3 * time_s + 1e-6).all()
        assert (np.diff(T) >= -0.6 * time_s - 1e-6).all()
    assert lt.nearest_path(high + 50.0, lowest, highest, time_s, knots, up, down) == (
        pytest.approx(highest)
    )


def test_bands_out_of_reach_show() -> None:
    knots = np.linspace(190.0, 250.0, 61)
    clock = knots - 190.0
    band = np.array([200.0, 230.0])
    lowest, highest = lt.envelopes(band, band, np.array([10.0]), knots, clock, clock)
    assert (lowest > highest).any()


@given(st.integers(0, 10_000), st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_one_step_is_the_best_of_a_fine_grid(seed: int, share: float) -> None:
    """Every b on a fine grid, priced with cost_s and the later times read linearly."""
    problem = Instance.random(seed, stages=3)
    knots, low, high = problem.knots, int(problem.low[1]), int(problem.high[1])
    later = np.random.default_rng(seed).uniform(0.0, 20.0, knots.size)
    arrays = (knots, problem.slow[0], float(problem.rate[0]), problem.up, problem.down)
    a = float(knots[0] + share * (knots[-1] - knots[0]))
    best = np.empty(3)
    place = int(np.searchsorted(knots, a))
    lt.best_next(a, place, low, high, *arrays, later, later[low : high + 1].min(), best)
    grid = np.linspace(knots[low], knots[high], 2000)
    totals = [lt.cost_s(a, b, *arrays) + lt.read(later, knots, b) for b in grid]
    assert best[0] <= min(totals) + 1e-6
    for b in best[1:]:
        assert knots[low] - 1e-9 <= b <= knots[high] + 1e-9
        total = lt.cost_s(a, b, *arrays) + lt.read(later, knots, b)
        assert total == pytest.approx(best[0], abs=1e-6)


@given(
    st.lists(st.floats(-50.0, 50.0), min_size=2, max_size=12),
    st.floats(150.0, 300.0),
)
@settings(deadline=None)
def test_reading_is_linear_between_knots_and_level_outside(values: list[float], at: float) -> None:
    knots = np.linspace(190.0, 250.0, len(values))
    expected = np.interp(at, knots, values)
    assert lt.read(np.array(values), knots, at) == pytest.approx(expected, abs=1e-9)


def test_infinite_values_beyond_a_band_are_not_read() -> None:
    knots = np.array([200.0, 210.0, 220.0])
    assert lt.read(np.array([np.inf, 5.0, np.inf]), knots, 210.0) == 5.0


@given(st.floats(191.0, 249.0), st.floats(0.0, 40.0))
@settings(deadline=None)
def test_a_ramp_run_back_ends_where_it_began(start_C: float, seconds: float) -> None:
    knots = np.linspace(190.0, 250.0, 31)
    clock = np.cumsum(np.full(31, 1.5)) ** 1.1
    there = lt.ramp_to(clock, knots, start_C, seconds)
    assert there >= start_C - 1e-9
    if there < knots[-1]:
        assert lt.ramp_to(clock, knots, there, -seconds) == pytest.approx(start_C, abs=1e-6)
