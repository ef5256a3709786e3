"""Hot ends whose melting is unlike the fitted model, drawn at random, and their weighings."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from hotbench.core.records import Extrusion
from hotbench.fitting.flow_choice import FlowPlan, next_extrusion
from hotbench.models.units import mass_of_length_g
from hotbench.sim.melting import (
    Criterion,
    Rolloff,
    cooling_curve,
    delivered_ratio,
    flow_limit_mm3_per_s,
)

FEED_C = 30.0
DIFFUSIVITY_mm2_per_s = 0.058
TEMPERATURES_C = (200.0, 220.0, 240.0)
LIMIT_AT_220 = (8.0, 30.0)


@dataclass
class Truth:
    """Finite wall contact, centreline or mean criterion, Hill or knee roll-off, weighing noise."""

    seed: int
    noise: float = 0.01
    criterion: Criterion = field(init=False)
    rolloff: Rolloff = field(init=False)

    def __post_init__(self) -> None:
        random = np.random.default_rng([self.seed, 1])
        self._weighing = np.random.default_rng([self.seed, 2])
        self.criterion = "centre" if random.random() < 0.5 else "mean"
        self.rolloff = Rolloff(int(random.integers(2)))
        self._biot = float(np.exp(random.uniform(np.log(2.0), np.log(50.0))))
        steepness = (4.0, 9.0) if self.rolloff is Rolloff.HILL else (5.0, 12.0)
        self._exponent = float(random.uniform(*steepness))
        self._full = float(random.normal(0.985, 0.015))
        self._softening_C = float(random.uniform(110.0, 150.0))
        self._zone_mm = 1.0
        self._zone_mm = float(random.uniform(*LIMIT_AT_220)) / self.limit(220.0)

    @property
    def family(self) -> str:
        """Which kind of truth this is."""
        return f"{self.criterion}, {self.rolloff.name.lower()}"

    def limit(self, temperature_C: float) -> float:
        """True Q95."""
        return flow_limit_mm3_per_s(
            temperature_C,
            feed_C=FEED_C,
            melt_C=self._softening_C,
            biot=self._biot,
            criterion=self.criterion,
            diffusivity_mm2_per_s=DIFFUSIVITY_mm2_per_s,
            zone_mm=self._zone_mm,
        )

    def heated_share(self, flow: float) -> float:
        """How much of the way from feed to wall the mean of the melt has gone when it leaves."""
        fo, excess = cooling_curve(self._biot, "mean")
        at = np.pi * DIFFUSIVITY_mm2_per_s * self._zone_mm / flow
        return float(1.0 - np.interp(np.log(at), np.log(fo), excess))

    def weigh(self, temperature_C: float, flow: float) -> Extrusion:
        """One extrusion of 100 mm, weighed."""
        load = flow / self.limit(temperature_C)
        ratio = delivered_ratio(load, self.rolloff, self._exponent, self._full)
        ratio *= 1.0 + self.noise * self._weighing.standard_normal()
        mass_g = ratio * mass_of_length_g(100.0, 1.75, 1.24)
        return Extrusion(temperature_C, flow, 100.0, delivered_mass_g=float(mass_g))


def adaptive_session(truth: Truth, plan: FlowPlan) -> list[Extrusion]:
    """Weighings where the chooser asked for them."""
    done: list[Extrusion] = []
    while (choice := next_extrusion(done, plan)) is not None:
        done.append(truth.weigh(choice.temperature_C, choice.flow_mm3_per_s))
    return done


def grid_session(truth: Truth, flows_mm3_per_s: Sequence[float]) -> list[Extrusion]:
    """The same flows at every temperature."""
    return [truth.weigh(at, float(flow)) for at in TEMPERATURES_C for flow in flows_mm3_per_s]
