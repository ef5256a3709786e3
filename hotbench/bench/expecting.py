"""What a fitted heater model expects at the next reading, for the watch."""

import math
from collections import deque
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from hotbench.core.errors import BadInput
from hotbench.core.records import Sample
from hotbench.models.heater import heater_model
from hotbench.models.heater_steps import Node, P, advance, fan_effect, linear_step
from hotbench.profile.yaml_io import read_profile

FORGET_s = 60.0
"""A slow difference between model and hot end is forgotten in this time; a sudden one shows."""
LONGEST_STEP_s = 5.0
"""A longer pause between readings is not bridged."""
ROOM_C = 25.0


class Expectation:
    """Follows a test by the reported duty, fan and flow; NaN where the model cannot tell.

    It cannot tell without a duty, with a fan or flow whose effect the profile does not state, and
    after a pause. There the state is taken from the reading. Slow model error and what has been
    there before the first reading fade with FORGET_s.
    """

    def __init__(
        self, model: str, parameters: Mapping[str, float], ambient_C: float = ROOM_C
    ) -> None:
        family = heater_model(model)
        self._vector = family.vector(parameters, ambient_C)
        self._linear = family.linear
        self._known = frozenset(parameters)
        self._ambient_C = ambient_C
        self._state = np.zeros(len(Node))
        self._before: Sample | None = None
        self._past: deque[tuple[float, float]] = deque()

    def __call__(self, sample: Sample) -> float:
        """The temperature expected at `sample`, C."""
        before, self._before = self._before, sample
        if before is None:
            self._state[:] = sample.temperature_C - self._ambient_C
            self._remember(sample.time_s)
            return math.nan
        elapsed_s = sample.time_s - before.time_s
        if not (self._tells(before) and 0.0 < elapsed_s <= LONGEST_STEP_s):
            self._take_over(sample)
            return math.nan
        self._advance(before, elapsed_s)
        self._remember(sample.time_s)
        late_s = max(float(self._vector[P.DEAD]) - 0.5 * elapsed_s, 0.0)
        expected_C = self._ambient_C + self._delayed(sample.time_s - late_s)
        self._correct(sample.temperature_C - expected_C, elapsed_s)
        return expected_C

    def _tells(self, sample: Sample) -> bool:
        fan_known = not sample.fan > 0.0 or "fan_loss_per_s" in self._known
        flow_known = not sample.flow_mm3_per_s > 0.0 or "load_per_mm3" in self._known
        return not math.isnan(sample.duty) and fan_known and flow_known

    def _advance(self, held: Sample, elapsed_s: float) -> None:
        fan = held.fan if held.fan > 0.0 else 0.0
        if not self._linear:
            advance(self._vector, self._state, elapsed_s, held.duty, fan, held.flow_mm3_per_s)
            return
        phi = fan_effect(fan, self._vector[P.EXPONENT])
        near, _, sensor, _ = self._state
        self._state[0], self._state[2] = linear_step(
            self._vector, near, sensor, elapsed_s, held.duty, phi, held.flow_mm3_per_s
        )

    def _remember(self, time_s: float) -> None:
        self._past.append((time_s, float(self._state[2])))
        while len(self._past) > 2 and self._past[1][0] < time_s - float(self._vector[P.DEAD]):
            self._past.popleft()

    def _delayed(self, time_s: float) -> float:
        times_s, rises_K = zip(*self._past, strict=True)
        return float(np.interp(time_s, times_s, rises_K))

    def _correct(self, error_K: float, elapsed_s: float) -> None:
        if math.isfinite(error_K):
            self._shift(min(elapsed_s / FORGET_s, 1.0) * error_K)

    def _shift(self, by_K: float) -> None:
        self._state += by_K
        self._past = deque((time_s, rise_K + by_K) for time_s, rise_K in self._past)

    def _take_over(self, sample: Sample) -> None:
        """The reading is all that is known."""
        if math.isfinite(sample.temperature_C):
            self._state[[0, 2]] = sample.temperature_C - self._ambient_C
        self._past.clear()
        self._remember(sample.time_s)


def expectation_from(path: Path, ambient_C: float | None = None) -> Expectation:
    """What the heater of the profile at `path` expects; ambient_C: the room's, where it is known.

    Errors: BadInput when it is no profile or states no heater.
    """
    heater = read_profile(path).heater
    if heater is None or not heater.parameters:
        raise BadInput(
            "the profile has no heater model", where=path, remedy="record a step test and build it"
        )
    values = {name: quantity.value for name, quantity in heater.parameters.items()}
    stated_C = heater.ambient.value if heater.ambient else ROOM_C
    return Expectation(heater.model, values, stated_C if ambient_C is None else ambient_C)
