"""Control boards that fault on deviation, drawn at random, and ladders run on them."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from hotbench.fitting.ramps import RampTrial
from hotbench.fitting.rate_choice import LadderPlan, next_rate

LEVEL_K = 9.0
LADDER_MOVEMENT_K = 60.0
SAFE_SHARE = 0.01


@dataclass
class Board:
    """Deviation = A rate^b (bent near saturation) times lognormal spread; a fault above the level.

    seen: log spread of the deviations. hidden: log spread of the level, which no deviation shows.
    fall: share by which a ladder's movement lowers the level. A ramp faults with the probability
    that deviation exceeds level.
    """

    seed: int
    seen: float
    hidden: float = 0.0
    bent: bool = False
    fall: float = 0.0

    def __post_init__(self) -> None:
        random = np.random.default_rng([self.seed, 3])
        self._ramping = np.random.default_rng([self.seed, 4])
        self._power = float(random.uniform(0.9, 1.3))
        typical = float(np.exp(random.uniform(0.0, np.log(20.0))))
        self._factor = LEVEL_K / typical**self._power
        self._saturation = typical * float(random.uniform(0.75, 1.1))
        self.first_share = float(random.uniform(0.05, 0.3))

    def typical_K(self, rate: float) -> float:
        """Median deviation: a power law whose slope steepens near duty saturation."""
        over = (rate / self._saturation - 1.0) / 0.06
        bend = 1.0 + 0.12 * float(np.logaddexp(0.0, over)) if self.bent else 1.0
        return self._factor * rate**self._power * bend

    @property
    def level_K(self) -> float:
        """Median fault level at a ladder's movement."""
        return LEVEL_K * (1.0 - self.fall)

    def fault_probability(self, rate: float) -> float:
        """Chance that a ramp at `rate` faults."""
        spread = float(np.hypot(self.seen, self.hidden))
        return float(ndtr(np.log(self.typical_K(rate) / self.level_K) / spread))

    def limit(self) -> float:
        """True limit: the rate at which 1 % of ramps fault."""

        def excess(log_rate: float) -> float:
            chance = max(self.fault_probability(float(np.exp(log_rate))), 1e-300)
            return float(np.log(chance / SAFE_SHARE))

        return float(np.exp(brentq(excess, -4.0, 5.0)))

    def ramp(self, rate: float) -> RampTrial:
        """One ramp."""
        z = self._ramping.standard_normal(2)
        deviation_K = self.typical_K(rate) * float(np.exp(self.seen * z[0]))
        level_K = self.level_K * float(np.exp(self.hidden * z[1]))
        return RampTrial(
            direction="heating",
            rate_K_per_s=rate,
            deviation_K=min(deviation_K, level_K),
            noise_K=0.05,
            movement_K=LADDER_MOVEMENT_K,
            fault="tracking lost" if deviation_K > level_K else None,
        )

    def ladder(self, **options: float) -> list[RampTrial]:
        """An adaptive ladder, begun at 5 to 30 % of the true limit."""
        plan = LadderPlan(
            direction="heating",
            first_K_per_s=self.first_share * self.limit(),
            fault_deviation_K=LEVEL_K,
            **options,
        )
        trials: list[RampTrial] = []
        while (choice := next_rate(trials, plan)) is not None:
            trials.append(self.ramp(choice.rate_K_per_s))
        return trials
