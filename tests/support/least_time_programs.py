"""Least-time problems of constant slew, and their optimum by an off-the-shelf solver."""

from dataclasses import dataclass

import numpy as np
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
        later = lt.time_to_go(self.knots, *arrays)
        aim = np.clip(np.full(self.low.size, aim_C), self.knots[self.low], self.knots[self.high])
        T, time_s = lt.fastest_path(self.knots, *arrays, aim, later)
        return T, float(time_s.sum())

    def linear_program(self) -> float:
        """Least time by an off-the-shelf solver: variables T[0..K] and the stage times."""
        stages, knots = self.slow.shape[0], self.knots
        up, down = (np.ptp(clock) / np.ptp(knots) for clock in (self.up, self.down))
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
