"""Gains of least integrated error whose sensitivity stays bounded over every plausible process."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from hotbench.control.forms import Pid, from_ideal
from hotbench.control.loop import Figures, Scenario, predict
from hotbench.control.margins import margins
from hotbench.control.process import ComplexArray, Process, frequencies, ultimate
from hotbench.control.reduce import integrator
from hotbench.control.rules import simc_pi
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import FellShort

DERIVATIVE_FILTER_SHARE = 0.1
"""Filter time over derivative time (common practice, no source)."""

_GAIN_RATIO = 1.12
_PENALTY = 20.0
# Overshoot jumps with the sample at which integration resumes, and readings scatter, so the search
# keeps some to spare.
_SPARE = (0.7, 0.55)


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
    sum of both errors, each in units of what SIMC PI leaves on the nominal process. Where the step
    then overshoots its aim, the gain is searched as well.
    Errors: FellShort where no gain keeps Ms within the bound.
    """
    aims = aims or Aims()
    for spare in _SPARE:
        search = _Search(tuple(processes), scenario, aims, spare)
        pid = search.best()
        if pid is None:
            break
        found = search.judged(pid)
        if found.meets_overshoot or spare == _SPARE[-1]:
            return found
    what = f"no gains keep the sensitivity below {aims.sensitivity_most:g}"
    raise FellShort(f"{what} over the model's interval; narrow it with more runs")


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
    """Gains as logarithms of the times, and of how far to stay below the largest gain."""

    processes: tuple[Process, ...]
    scenario: Scenario
    aims: Aims
    spare: float

    def best(self) -> Pid | None:
        """Least cost at the largest gain; where that overshoots, with the gain free as well."""
        times = self._least(self._start())
        pid = self._pid(times)
        if pid is None or self._overshoot_K(pid) <= self._overshoot_aim_K:
            return pid
        return self._pid(self._least(np.append(times, -0.1)))

    def _overshoot_K(self, pid: Pid) -> float:
        return worst_figures(self.processes, pid, self.scenario).overshoot_K

    @property
    def _overshoot_aim_K(self) -> float:
        return self.spare * self.aims.overshoot_most_K

    def judged(self, pid: Pid) -> RobustGains:
        """Exact Ms, and the gain lowered until it holds where the grid missed the peak."""
        sensitivity = self._sensitivity(pid)
        while sensitivity > self.aims.sensitivity_most:
            pid = pid.scaled(0.999)
            sensitivity = self._sensitivity(pid)
        worst = worst_figures(self.processes, pid, self.scenario)
        meets = worst.overshoot_K <= self.aims.overshoot_most_K
        return RobustGains(pid, sensitivity, worst, meets)

    def _least(self, start: FloatArray) -> FloatArray:
        simplex = np.vstack([start, start + 0.5 * np.eye(start.size)])
        found = minimize(
            self._cost,
            start,
            method="Nelder-Mead",
            options={"xatol": 0.02, "fatol": 1e-3, "maxfev": 120, "initial_simplex": simplex},
        )
        return np.asarray(found.x, dtype=np.float64)

    def _start(self) -> FloatArray:
        dead_s = max(integrator(process).dead_s for process in self._sampled)
        times = [8.0 * dead_s, 0.4 * dead_s] if self.aims.derivative else [8.0 * dead_s]
        return np.log(times)

    def _cost(self, logs: FloatArray) -> float:
        pid = self._pid(logs)
        if pid is None:
            return 1e6
        worst = worst_figures(self.processes, pid, self.scenario)
        step_Ks, load_Ks = self._reference
        errors = worst.error_step_Ks / step_Ks + worst.error_load_Ks / load_Ks
        excess = max(0.0, worst.overshoot_K / self._overshoot_aim_K - 1.0)
        return errors * (1.0 + _PENALTY * excess)

    def _pid(self, logs: FloatArray) -> Pid | None:
        """The largest gain that the sensitivity allows with these times; None if there is none.

        A further entry of `logs`, where given, is the logarithm of the share of it to use.
        """
        Ti, Td = float(np.exp(logs[0])), float(np.exp(logs[1])) if self.aims.derivative else 0.0
        loops = self._unit_loops(filtered(from_ideal(1.0, Ti, Td)))
        gain = self._largest(loops)
        if gain is not None and logs.size > 1 + self.aims.derivative:
            gain *= math.exp(min(0.0, float(logs[-1])))
        if gain is None or not self._allowed(loops, np.array([gain]))[0]:
            return None
        return filtered(from_ideal(gain, Ti, Td)) if self._stable(loops, gain) else None

    def _largest(self, loops: Sequence[ComplexArray]) -> float | None:
        """The end of the highest stretch of allowed gains that is stable, to a few 0.01 %.

        Ms alone would also allow loops far beyond stability, and crawling ones of tiny gain.
        """
        allowed = self._allowed(loops, self._gains)
        ends = np.flatnonzero(allowed & ~np.append(allowed[1:], False))
        low = next(
            (self._gains[k] for k in ends[::-1] if self._stable(loops, self._gains[k])), None
        )
        if low is None:
            return None
        high = low * _GAIN_RATIO
        for _ in range(8):
            middle = math.sqrt(low * high)
            inside = self._allowed(loops, np.array([middle]))[0]
            low, high = (middle, high) if inside else (low, middle)
        return float(low)

    def _stable(self, loops: Sequence[ComplexArray], gain: float) -> bool:
        quarters = 1 + self.processes[0].integrating
        return all(_quarter_turns(gain * loop) == quarters for loop in loops)

    def _allowed(self, loops: Sequence[ComplexArray], gains: FloatArray) -> NDArray[np.bool_]:
        closest = np.full(gains.shape, np.inf)
        for loop in loops:
            distance = np.abs(1.0 + gains[:, np.newaxis] * loop).min(axis=1)
            closest = np.minimum(closest, distance)
        return np.asarray(closest * self.aims.sensitivity_most >= 1.0, dtype=np.bool_)

    def _sensitivity(self, pid: Pid) -> float:
        return max(margins(process, pid).sensitivity for process in self._sampled)

    def _unit_loops(self, unit: Pid) -> list[ComplexArray]:
        loops = []
        for process in self._sampled:
            omega = frequencies(process, *unit.ideal[1:], per_decade=40)
            loops.append(process.response(omega) * unit.response(omega))
        return loops

    @cached_property
    def _sampled(self) -> list[Process]:
        return [process.delayed(self.scenario.sample_s / 2.0) for process in self.processes]

    @cached_property
    def _reduced(self) -> Process:
        return integrator(self._sampled[0])

    @cached_property
    def _reference(self) -> tuple[float, float]:
        found = predict(self.processes[0], simc_pi(self._reduced), self.scenario)
        return max(found.error_step_Ks, 1e-9), max(found.error_load_Ks, 1e-9)

    @cached_property
    def _gains(self) -> FloatArray:
        most = 3.0 * ultimate(self._reduced)[0]
        count = math.ceil(math.log(1000.0) / math.log(_GAIN_RATIO))
        return np.asarray(most * _GAIN_RATIO ** np.arange(-count, 1.0), dtype=np.float64)


def _quarter_turns(loop: ComplexArray) -> int:
    """By how many quarters the argument of 1 + L turns over the grid (see `margins.is_stable`)."""
    argument = np.unwrap(np.angle(1.0 + loop))
    return round(float(argument[-1] - argument[0]) / (np.pi / 2.0))
