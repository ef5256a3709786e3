"""The pan under the nozzle: what was delivered so far, as a scale sees it."""

from collections.abc import Callable

import numpy as np


class Pan:
    """Collects delivered filament; implements `core.ports.Scale`.

    Each extrusion that starts after a pause gets one lognormal factor of `noise` (about 1 %:
    oozing, sticking, weighing), so that repeating an extrusion scatters and reading twice does not.
    """

    def __init__(
        self,
        delivered_mm3: Callable[[], float],
        density_g_per_mm3: float,
        noise: float,
        seed: int,
    ) -> None:
        self._delivered_mm3 = delivered_mm3
        self._density = density_g_per_mm3
        self._noise = noise
        self._random = np.random.default_rng([seed, 2])
        self._mass_g = 0.0
        self._weighed_mm3 = 0.0
        self._factor = 1.0

    def begin_extrusion(self) -> None:
        """A pause is over: settle what fell so far and draw this extrusion's factor."""
        self._collect()
        self._factor = float(np.exp(self._noise * self._random.standard_normal()))

    def _collect(self) -> None:
        delivered_mm3 = self._delivered_mm3()
        self._mass_g += (delivered_mm3 - self._weighed_mm3) * self._density * self._factor
        self._weighed_mm3 = delivered_mm3

    def mass_g(self) -> float:
        """Total mass on the pan, g, to 1 mg."""
        self._collect()
        return round(self._mass_g, 3)
