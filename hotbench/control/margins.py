"""How far a loop is from swinging: gain and phase margin, sensitivities, stability."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from hotbench.control.forms import Pid
from hotbench.control.process import ComplexArray, Process, frequencies
from hotbench.core.arrays import FloatArray

REFINED_SHARE = 0.9
"""Neighbouring grid points of a crossing differ by less than this in size."""


@dataclass(frozen=True, slots=True)
class Margins:
    """Margins of a loop; infinite where the frequency response never comes near.

    gain: factor by which the gain may grow. phase_deg: phase lag that may be added.
    sensitivity: Ms, the largest |1/(1+L)|. delay_s: dead time that may be added.
    """

    gain: float
    phase_deg: float
    sensitivity: float
    delay_s: float
    gain_omega: float
    phase_omega: float
    sensitivity_omega: float
    stable: bool


def margins(process: Process, pid: Pid) -> Margins:
    """Margins of the loop, from its frequency response with the exact dead time.

    Where the response passes more than one crossing, the nearest to instability counts; of an
    unstable loop the furthest beyond it.
    """
    loop, stable = _Loop(process, pid), is_stable(process, pid)
    gain, gain_omega = loop.gain_margin()
    phase, phase_omega, delay_s = loop.phase_margin(stable=stable)
    sensitivity, sensitivity_omega = loop.sensitivity()
    return Margins(
        gain=gain,
        phase_deg=float(np.degrees(phase)),
        sensitivity=sensitivity,
        delay_s=delay_s,
        gain_omega=gain_omega,
        phase_omega=phase_omega,
        sensitivity_omega=sensitivity_omega,
        stable=stable,
    )


def is_stable(process: Process, pid: Pid) -> bool:
    """Whether the closed loop is stable (Mikhailov's criterion with dead time).

    The argument of 1 + L must turn by a quarter for each integrator from zero to infinite
    frequency. Needs a loop that fades at high frequency: filter the derivative.
    """
    omega = frequencies(process, *_times_s(pid), per_decade=1000)
    omega = np.concatenate([np.geomspace(omega[0] * 1e-4, omega[0], 2000)[:-1], omega])
    argument = np.unwrap(np.angle(1.0 + process.response(omega) * pid.response(omega)))
    quarters = process.integrating + (pid.Ki != 0.0)
    return bool(abs(argument[-1] - argument[0] - quarters * np.pi / 2.0) < np.pi / 4.0)


def loop_phase_rad(process: Process, pid: Pid, omega: FloatArray) -> FloatArray:
    """Phase of the open loop, continuous in omega (rad/s)."""
    return process.phase_rad(omega) + np.angle(pid.response(omega))


def _times_s(pid: Pid) -> tuple[float, ...]:
    Kc, Ti, Td = pid.ideal
    finite_Ti = Ti if np.isfinite(Ti) else 0.0
    return (finite_Ti, Td, pid.filter_s) if Kc else (pid.filter_s,)


@dataclass(frozen=True)
class _Loop:
    process: Process
    pid: Pid

    def gain_margin(self) -> tuple[float, float]:
        found = [(1.0 / self._size(w), w) for w in self._phase_crossings()]
        return min(found, default=(np.inf, np.nan))

    def phase_margin(self, *, stable: bool) -> tuple[float, float, float]:
        """Margin (rad), its frequency, and the smallest delay that uses a margin up (s)."""
        omega = self._grid()
        found = [(self._distance(w), w) for w in _crossings(self._log_size, omega)]
        if not found:
            return np.inf, np.nan, np.inf
        if not stable:
            return *min(found), min(angle / w for angle, w in found)
        nearest = min(found, key=lambda pair: abs(pair[0]))
        return *nearest, min(angle % (2.0 * np.pi) / w for angle, w in found)

    def sensitivity(self) -> tuple[float, float]:
        omega = self._grid()
        distance = np.abs(1.0 + self._loop(omega))
        k = int(np.clip(np.argmin(distance), 1, omega.size - 2))
        bounds = (float(np.log(omega[k - 1])), float(np.log(omega[k + 1])))
        found = minimize_scalar(
            lambda x: float(abs(1.0 + self._loop(np.exp(x)))),
            bounds=bounds,
            method="bounded",
            options={"xatol": 1e-10},
        )
        return float(1.0 / min(found.fun, distance.min())), float(np.exp(found.x))

    def _phase_crossings(self) -> list[float]:
        """Where the phase is an odd multiple of 180 degrees.

        With a dead time there are hundreds; only those of a size near the largest are refined.
        """
        omega = self._grid()
        phase, size = self._phase(omega), np.abs(self._loop(omega))
        odd = np.flatnonzero(_changes(np.sin(phase)) & (np.cos(phase[:-1]) < 0.0))
        largest = size[odd].max(initial=0.0)
        return [
            root
            for k in odd[size[odd] > REFINED_SHARE * largest]
            if self._is_odd_half_turn(root := _root(self._sine, omega[k], omega[k + 1]))
        ]

    def _sine(self, omega: FloatArray) -> FloatArray:
        return np.asarray(np.sin(self._phase(omega)), dtype=np.float64)

    def _is_odd_half_turn(self, omega: float) -> bool:
        return bool(np.cos(self._phase(np.array(omega))) < 0.0)

    def _distance(self, omega: float) -> float:
        """How far the phase is above -180 degrees, brought into -180 to 180 degrees (rad)."""
        phase = float(self._phase(np.array(omega))) + np.pi
        return float((phase + np.pi) % (2.0 * np.pi) - np.pi)

    def _grid(self) -> FloatArray:
        return frequencies(self.process, *_times_s(self.pid), per_decade=400)

    def _loop(self, omega: FloatArray) -> ComplexArray:
        response = self.process.response(omega) * self.pid.response(omega)
        return np.asarray(response, dtype=np.complex128)

    def _phase(self, omega: FloatArray) -> FloatArray:
        return loop_phase_rad(self.process, self.pid, omega)

    def _size(self, omega: float) -> float:
        return float(abs(self._loop(np.array(omega))))

    def _log_size(self, omega: FloatArray) -> FloatArray:
        return np.asarray(np.log(np.abs(self._loop(omega))), dtype=np.float64)


def _crossings(function: Callable[[FloatArray], FloatArray], omega: FloatArray) -> list[float]:
    """Frequencies where `function` changes its sign, to full precision."""
    at = np.flatnonzero(_changes(function(omega)))
    return [_root(function, omega[k], omega[k + 1]) for k in at]


def _changes(values: FloatArray) -> NDArray[np.bool_]:
    """Where the sign differs from that of the next value."""
    return np.asarray((values[:-1] < 0.0) != (values[1:] < 0.0), dtype=np.bool_)


def _root(function: Callable[[FloatArray], FloatArray], low: float, high: float) -> float:
    def at(w: float) -> float:
        return float(function(np.array(w)))

    return float(brentq(at, low, high, xtol=1e-15, rtol=1e-13))
