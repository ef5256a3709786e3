"""Gains of least integrated error whose sensitivity stays bounded over every plausible process."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from hotbench.control.forms import Pid, from_ideal
from hotbench.control.loop import Figures, Scenario, predict
from hotbench.control.margins import is_stable, margins
from hotbench.control.process import ComplexArray, Process, frequencies, ultimate
from hotbench.control.reduce import first_order
from hotbench.control.rules import simc_pi
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import FellShort

DERIVATIVE_FILTER_SHARE = 0.1
"""Filter time over derivative time (common practice, no source)."""

_GAIN_RATIO = 1.12
_PENALTY = 20.0


@dataclass(frozen=True, slots=True)
class Aims:
    """What the gains must keep to: Ms over all processes, and overshoot of the scenario's step."""

    sensitivity_most: float = 1.7
    overshoot_most_K: float = 2.0
    derivative: bool = True


@dataclass(frozen=True)
class RobustGains:
    """The gains, the largest Ms over the processes, the worst figures, and what limits them."""

    pid: Pid
    sensitivity: float
    worst: Figures
    meets_overshoot: bool


def robust_gains(
    processes: Sequence[Process], scenario: Scenario, aims: Aims | None = None
) -> RobustGains:
    """Least worst-case integrated absolute error on the setpoint step and on the flow step.

    processes: the nominal one first, then whatever the model's interval allows. Each integral
    or derivative time gets the largest gain that keeps Ms within bounds on every process, half a
    sample time added to its dead time; the times are then searched (Nelder-Mead) for the least
    sum of both errors, each in units of what SIMC PI leaves on the nominal process.
    Errors: FellShort where no gain keeps Ms within the bound.
    """
    aims = aims or Aims()
    search = _Search(tuple(processes), scenario, aims)
    start = search.start()
    simplex = np.vstack([start, start + 0.5 * np.eye(start.size)])
    found = minimize(
        search.cost,
        start,
        method="Nelder-Mead",
        options={"xatol": 0.02, "fatol": 1e-3, "maxfev": 120, "initial_simplex": simplex},
    )
    pid = search.pid(found.x)
    if pid is None:
        what = f"no gains keep the sensitivity below {aims.sensitivity_most:g}"
        raise FellShort(f"{what} over the model's interval; narrow it with more runs")
    return search.judged(pid)


def worst_figures(processes: Sequence[Process], pid: Pid, scenario: Scenario) -> Figures:
    """The worst of each figure over the processes."""
    rows = [predict(process, pid, scenario) for process in processes]
    names = Figures.__dataclass_fields__
    return Figures(**{name: max(getattr(row, name) for row in rows) for name in names})


def filtered(pid: Pid, share: float = DERIVATIVE_FILTER_SHARE) -> Pid:
    """The gains with a derivative filter of `share` times the derivative time."""
    return replace(pid, filter_s=share * pid.Kd / pid.Kp)


@dataclass(frozen=True)
class _Search:
    processes: tuple[Process, ...]
    scenario: Scenario
    aims: Aims

    def start(self) -> FloatArray:
        dead_s = self._reduced().dead_s
        times = [8.0 * dead_s, 0.4 * dead_s] if self.aims.derivative else [8.0 * dead_s]
        return np.log(times)

    def cost(self, times: FloatArray) -> float:
        pid = self.pid(times)
        if pid is None:
            return 1e6
        worst = worst_figures(self.processes, pid, self.scenario)
        step_Ks, load_Ks = self._reference()
        errors = worst.error_step_Ks / step_Ks + worst.error_load_Ks / load_Ks
        excess = max(0.0, worst.overshoot_K / self.aims.overshoot_most_K - 1.0)
        return errors * (1.0 + _PENALTY * excess)

    def pid(self, times: FloatArray) -> Pid | None:
        """The largest gain that the sensitivity allows with these times; None if there is none."""
        Ti, Td = float(np.exp(times[0])), float(np.exp(times[1])) if times.size > 1 else 0.0
        unit = filtered(from_ideal(1.0, Ti, Td))
        loops = self._unit_loops(unit)
        gains = self._gains()
        allowed = [self._allowed(loops, gain) for gain in gains]
        if not any(allowed):
            return None
        first = allowed.index(True)
        last = next((k for k in range(first, len(gains)) if not allowed[k]), len(gains)) - 1
        gain = self._refined(loops, gains[last])
        pid = filtered(from_ideal(gain, Ti, Td))
        return pid if all(is_stable(process, pid) for process in self._sampled()) else None

    def judged(self, pid: Pid) -> RobustGains:
        """Exact Ms, and the gain lowered until it holds where the grid missed the peak."""
        sensitivity = self._sensitivity(pid)
        while sensitivity > self.aims.sensitivity_most:
            pid = pid.scaled(0.999)
            sensitivity = self._sensitivity(pid)
        worst = worst_figures(self.processes, pid, self.scenario)
        meets = worst.overshoot_K <= self.aims.overshoot_most_K
        return RobustGains(pid, sensitivity, worst, meets)

    def _sensitivity(self, pid: Pid) -> float:
        return max(margins(process, pid).sensitivity for process in self._sampled())

    def _sampled(self) -> list[Process]:
        return [process.delayed(self.scenario.sample_s / 2.0) for process in self.processes]

    def _reduced(self) -> Process:
        return first_order(self._sampled()[0])

    def _reference(self) -> tuple[float, float]:
        found = predict(self.processes[0], simc_pi(self._reduced()), self.scenario)
        return max(found.error_step_Ks, 1e-9), max(found.error_load_Ks, 1e-9)

    def _gains(self) -> FloatArray:
        most = 3.0 * ultimate(self._reduced())[0]
        count = math.ceil(math.log(1000.0) / math.log(_GAIN_RATIO))
        return most * _GAIN_RATIO ** np.arange(-count, 1.0)

    def _unit_loops(self, unit: Pid) -> list[ComplexArray]:
        loops = []
        for process in self._sampled():
            omega = frequencies(process, *unit.ideal[1:], per_decade=40)
            loops.append(process.response(omega) * unit.response(omega))
        return loops

    def _allowed(self, loops: list[ComplexArray], gain: float) -> bool:
        closest = min(float(np.abs(1.0 + gain * loop).min()) for loop in loops)
        return closest * self.aims.sensitivity_most >= 1.0

    def _refined(self, loops: list[ComplexArray], gain: float) -> float:
        low, high = gain, gain * _GAIN_RATIO
        for _ in range(12):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if self._allowed(loops, middle) else (low, middle)
        return low
