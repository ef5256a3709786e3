"""A heater near one temperature as a transfer function: gain, lags, leads, dead time."""

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Process:
    """gain · Π(lead s + 1) / (s^i Π(lag s + 1)) · exp(-dead s), from duty (0 to 1) to kelvin.

    gain: K per duty; K/s per duty where `integrating` (then i = 1, else 0). lags_s are positive,
    the largest first; leads_s may be negative (inverse response).
    """

    gain: float
    lags_s: tuple[float, ...] = ()
    leads_s: tuple[float, ...] = ()
    dead_s: float = 0.0
    integrating: bool = False

    def __post_init__(self) -> None:
        if not self.gain > 0.0 or self.dead_s < 0.0 or any(not lag > 0.0 for lag in self.lags_s):
            raise BadInput("a heater's gain and lags are positive", value=self)
        if len(self.leads_s) >= len(self.lags_s) + self.integrating:
            raise BadInput("a heater has more lags than leads", value=self)
        object.__setattr__(self, "lags_s", tuple(sorted(self.lags_s, reverse=True)))

    @classmethod
    def first_order(cls, gain: float, lag_s: float, dead_s: float) -> Self:
        """gain exp(-dead s) / (lag s + 1)."""
        return cls(gain, (lag_s,), (), dead_s)

    @classmethod
    def integrator(cls, slope: float, dead_s: float) -> Self:
        """slope exp(-dead s) / s; slope in K/s per duty."""
        return cls(slope, (), (), dead_s, integrating=True)

    def response(self, omega: FloatArray) -> ComplexArray:
        """Frequency response at omega (rad/s), with the exact dead time."""
        s = 1j * np.asarray(omega, dtype=np.float64)
        numerator = self.gain * np.exp(-self.dead_s * s)
        for lead in self.leads_s:
            numerator = numerator * (lead * s + 1.0)
        denominator = s if self.integrating else np.ones_like(s)
        for lag in self.lags_s:
            denominator = denominator * (lag * s + 1.0)
        return np.asarray(numerator / denominator, dtype=np.complex128)

    def phase_rad(self, omega: FloatArray) -> FloatArray:
        """Phase at omega (rad/s), continuous: it does not wrap."""
        w = np.asarray(omega, dtype=np.float64)
        phase = np.full_like(w, -np.pi / 2.0 if self.integrating else 0.0) - self.dead_s * w
        for lag in self.lags_s:
            phase = phase - np.arctan(lag * w)
        for lead in self.leads_s:
            phase = phase + np.arctan(lead * w)
        return phase

    def delayed(self, more_s: float) -> "Process":
        """The same with more dead time, as from sampling: half a sample time for the hold."""
        return replace(self, dead_s=self.dead_s + more_s)

    @property
    def times_s(self) -> tuple[float, ...]:
        """All its time constants, for choosing frequencies and step sizes."""
        leads = tuple(abs(lead) for lead in self.leads_s if lead != 0.0)
        dead = (self.dead_s,) if self.dead_s > 0.0 else ()
        return (*self.lags_s, *leads, *dead) or (1.0,)


def frequencies(process: Process, *more_s: float, per_decade: int = 200) -> FloatArray:
    """Frequencies (rad/s) three decades beyond all time constants of the loop, evenly in log."""
    times = [*process.times_s, *(time for time in more_s if time > 0.0)]
    low, high = 1e-3 / max(times), 1e3 / min(times)
    return np.geomspace(low, high, round(per_decade * np.log10(high / low)))


def ultimate(process: Process) -> tuple[float, float]:
    """Ultimate gain (duty per K) and its frequency (rad/s): where the phase passes -180 degrees.

    Errors: BadInput where the phase never gets there, so that no gain makes the loop swing.
    """
    omega = frequencies(process)
    beyond = np.flatnonzero(process.phase_rad(omega) < -np.pi)
    if beyond.size == 0 or beyond[0] == 0:
        raise BadInput("the loop has no ultimate gain", value=process)

    def excess(w: float) -> float:
        return float(process.phase_rad(np.array(w))) + np.pi

    first = int(beyond[0])
    omega_u = float(brentq(excess, omega[first - 1], omega[first], xtol=1e-15, rtol=1e-14))
    return float(1.0 / abs(process.response(np.array(omega_u)))), omega_u
