from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from hotbench.jobs import least_time as lt


@dataclass(frozen=True)
class Instance:
    """A small random problem with constant slew, so that a linear program states it exactly."""

    knots: np.ndarray
    slow: np.ndarray
    rate: np.ndarray
    up: np.ndarray
    down: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @classmethod
    def random(cls, seed: int, stages: int = 40) -> "Instance":
        random = np.random.default_rng(seed)
        knots = np.arange(190.0, 251.0, 1.0)
        limit = 8.0 * np.exp(0.0044 * (knots - 190.0))
        duration = random.uniform(0.1, 4.0, stages)
        flow = random.uniform(5.0, 11.0, stages) * (random.random(stages) < 0.7)
        low = np.zeros(stages + 1, dtype=np.int64)
        high = np.full(stages + 1, knots.size - 1)
        for k in range(0, stages, 8):
            width = random.integers(1, 4)
            if random.random() < 0.5:
                high[k : k + width] = random.integers(6, 18)
            else:
                low[k : k + width] = random.integers(30, 50)
        return cls(
            knots,
            duration[:, None] * np.maximum(1.0, flow[:, None] / limit),
            np.where(random.random(stages) < 0.3, random.uniform(1.0, 3.0, stages), 1.0),
            (knots - 190.0) / random.uniform(0.3, 5.0),
            (knots - 190.0) / random.uniform(0.3, 3.0),
            low,
            high,
        )

    def solve(self, aim_C: float = 215.0) -> tuple[np.ndarray, float]:
        arrays = (self.slow, self.rate, self.up, self.down, self.low, self.high)
        later = lt.time_to_go(*arrays)
        aim = np.clip(np.full(self.low.size, aim_C), self.knots[self.low], self.knots[self.high])
        T, time_s = lt.fastest_path(self.knots, *arrays, aim, later)
        return T, float(time_s.sum())

    def linear_program(self) -> float:
        """Least time by an off-the-shelf solver: variables T[0..K] and the stage times."""
        stages, knots = self.slow.shape[0], self.knots
        up, down = (clock[-1] / (knots[-1] - knots[0]) for clock in (self.up, self.down))
        rows, bound = [], []
        for k in range(stages):
            for slope, node in [(s, n) for s in range(knots.size - 1) for n in (k, k + 1)]:
                steep = (self.slow[k, slope + 1] - self.slow[k, slope]) / np.diff(knots)[slope]
                rows.append({node: steep, stages + 1 + k: -1.0})
                bound.append(steep * knots[slope] - self.slow[k, slope])
            for pace in (up * self.rate[k], -down * self.rate[k]):
                rows.append({k + 1: pace, k: -pace, stages + 1 + k: -1.0})
                bound.append(0.0)
        matrix = np.zeros((len(rows), 2 * stages + 1))
        for i, row in enumerate(rows):
            matrix[i, list(row)] = list(row.values())
        ends = list(zip(knots[self.low], knots[self.high], strict=True))
        cost = np.concatenate([np.zeros(stages + 1), np.ones(stages)])
        bounds = [*ends, *[(0.0, None)] * stages]
        return float(linprog(cost, A_ub=matrix, b_ub=bound, bounds=bounds, method="highs").fun)


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
    later = lt.time_to_go(slow, np.ones(2), ramp, ramp, low, high)
    assert later[0, 0] == pytest.approx(20.0)


def test_equal_choices_go_to_the_aim() -> None:
    knots = np.linspace(200.0, 240.0, 41)
    slow = np.full((6, knots.size), 100.0)
    ramp = (knots - 200.0) / 2.0
    low, high = np.zeros(7, dtype=np.int64), np.full(7, 40)
    arrays = (slow, np.ones(6), ramp, ramp, low, high)
    T, _ = lt.fastest_path(knots, *arrays, np.full(7, 217.3), lt.time_to_go(*arrays))
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
