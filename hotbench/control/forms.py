"""Controller gains and their forms: ideal, series, parallel; duty scales; sample times."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput

Form = Literal["ideal", "series", "parallel"]
FULL_SCALES = (1.0, 100.0, 127.0, 255.0)
"""Duty numbers that mean full power on common boards (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Pid:
    """Parallel gains: duty = Kp e + Ki ∫e + Kd de/dt, the derivative filtered by `filter_s`.

    Kp in duty per K, Ki per s, Kd times s; duty 1 is full power. setpoint_weight scales the
    setpoint in the proportional part; the derivative acts on the measurement only.
    """

    Kp: float
    Ki: float = 0.0
    Kd: float = 0.0
    filter_s: float = 0.0
    setpoint_weight: float = 1.0

    def response(self, omega: FloatArray) -> NDArray[np.complex128]:
        """Frequency response from error to duty at omega (rad/s)."""
        s = 1j * np.asarray(omega, dtype=np.float64)
        return np.asarray(
            self.Kp + self.Ki / s + self.Kd * s / (self.filter_s * s + 1.0), dtype=np.complex128
        )

    @property
    def ideal(self) -> tuple[float, float, float]:
        """Kc, Ti (s, infinite without integral action), Td (s)."""
        return self.Kp, self.Kp / self.Ki if self.Ki else np.inf, self.Kd / self.Kp

    @property
    def series(self) -> tuple[float, float, float]:
        """Kc', Ti' (s), Td' (s) of Kc' (1 + 1/(Ti' s)) (Td' s + 1).

        Errors: BadInput where Ti < 4 Td, for which no series form exists.
        """
        Kc, Ti, Td = self.ideal
        if Td == 0.0 or np.isinf(Ti):
            return Kc, Ti, Td
        if Ti < 4.0 * Td * (1.0 - 1e-12):
            limit = f"Ti at least 4 Td = {4.0 * Td:.4g} s"
            raise BadInput("these gains have no series form", value=f"Ti {Ti:.4g} s", limit=limit)
        share = 0.5 * (1.0 + np.sqrt(max(0.0, 1.0 - 4.0 * Td / Ti)))
        return Kc * share, Ti * share, Td / share

    def scaled(self, full_scale: float) -> "Pid":
        """The gains for a board on which `full_scale` means full power."""
        gains = (factor * full_scale for factor in (self.Kp, self.Ki, self.Kd))
        return replace(self, **dict(zip(("Kp", "Ki", "Kd"), gains, strict=True)))

    def per_sample(self, sample_s: float) -> tuple[float, float, float]:
        """Kp, Ki·T, Kd/T for boards that sum and subtract errors once per sample."""
        return self.Kp, self.Ki * sample_s, self.Kd / sample_s

    def stated(self, form: Form) -> dict[str, float]:
        """The gains by name in a form; Kp, Ki, Kd or Kc, Ti, Td."""
        if form == "parallel":
            return {"Kp": self.Kp, "Ki": self.Ki, "Kd": self.Kd}
        values = self.ideal if form == "ideal" else self.series
        return dict(zip(("Kc", "Ti", "Td"), map(float, values), strict=True))


def from_ideal(Kc: float, Ti: float = np.inf, Td: float = 0.0) -> Pid:
    """Kc (1 + 1/(Ti s) + Td s); times in s."""
    return Pid(Kc, Kc / Ti, Kc * Td)


def from_series(Kc: float, Ti: float, Td: float = 0.0) -> Pid:
    """Kc (1 + 1/(Ti s)) (Td s + 1); times in s."""
    share = 1.0 + Td / Ti
    return from_ideal(Kc * share, Ti * share, Td / share)


def from_scale(Kp: float, Ki: float, Kd: float, full_scale: float) -> Pid:
    """Parallel gains of a board on which `full_scale` means full power."""
    return Pid(Kp, Ki, Kd).scaled(1.0 / full_scale)


def from_samples(Kp: float, Ki: float, Kd: float, sample_s: float) -> Pid:
    """Gains of a board that sums and subtracts errors once per sample of `sample_s`."""
    return Pid(Kp, Ki / sample_s, Kd * sample_s)
