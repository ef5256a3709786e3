"""Published tuning rules for first-order-plus-dead-time and integrating processes."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from hotbench.control.forms import Pid, from_ideal, from_series
from hotbench.control.process import Process, ultimate
from hotbench.core.errors import BadInput


@dataclass(frozen=True)
class Rule:
    """A named rule: gains from a process, where it was published, and how it was verified."""

    name: str
    tune: Callable[[Process], Pid]
    source: str


def simc_pi(process: Process, closed_loop_s: float | None = None) -> Pid:
    """Kc = lag / (gain (τc + dead)), Ti = min(lag, 4 (τc + dead)); τc = dead unless given.

    Integrating: Kc = 1 / (slope (τc + dead)), Ti = 4 (τc + dead). Skogestad, J. Process Control
    13 (2003) 291, table 1.
    """
    slope, lag, dead = _shape(process)
    wait = dead + (dead if closed_loop_s is None else closed_loop_s)
    Ti = 4.0 * wait if lag is None else min(lag, 4.0 * wait)
    return from_ideal(1.0 / (slope * wait), Ti)


def simc_pid(process: Process, closed_loop_s: float | None = None) -> Pid:
    """SIMC PI on the larger lag, with Td = the second lag, in series form.

    process: two lags, or one lag and integrating; with a lag less it is SIMC PI.
    Skogestad 2003, table 1.
    """
    expected = 1 if process.integrating else 2
    if len(process.lags_s) < expected:
        return simc_pi(process, closed_loop_s)
    *larger, second = process.lags_s
    first = Process(process.gain, tuple(larger), (), process.dead_s, process.integrating)
    Kc, Ti, _ = simc_pi(first, closed_loop_s).ideal
    return from_series(Kc, Ti, second)


def amigo_pi(process: Process) -> Pid:
    """Kc = 0.15/K + (0.35 - L T/(L+T)²) T/(K L), Ti = 0.35 L + 13 L T²/(T² + 12 L T + 7 L²).

    Integrating: 0.35/(slope L), 13.4 L. Åström and Hägglund, J. Process Control 14 (2004) 635;
    constants and worked examples are from memory, and agree. Computed from the rule's published
    aim besides: its Nyquist curve touches the circle of M = 1.4 within 7 % for any lag, and Ti is
    within 15 % of the optimum's.
    """
    slope, T, L = _shape(process)
    if T is None:
        return from_ideal(0.35 / (slope * L), 13.4 * L)
    Kc = 0.15 / (slope * T) + (0.35 - L * T / (L + T) ** 2) / (slope * L)
    return from_ideal(Kc, 0.35 * L + 13.0 * L * T**2 / (T**2 + 12.0 * L * T + 7.0 * L**2))


def amigo_pid(process: Process) -> Pid:
    """Kc = (0.2 + 0.45 T/L)/K, Ti = (0.4 L + 0.8 T) L/(L + 0.1 T), Td = 0.5 L T/(0.3 L + T).

    Integrating: 0.45/(slope L), 8 L, 0.5 L. Source as for `amigo_pi`, from memory as well; the
    circle of M = 1.4 is met within 1.5 % for any lag.
    """
    slope, T, L = _shape(process)
    if T is None:
        return from_ideal(0.45 / (slope * L), 8.0 * L, 0.5 * L)
    Kc = (0.2 * L / T + 0.45) / (slope * L)
    return from_ideal(Kc, (0.4 * L + 0.8 * T) * L / (L + 0.1 * T), 0.5 * L * T / (0.3 * L + T))


def ziegler_nichols_pi(process: Process) -> Pid:
    """0.45 Ku, Tu/1.2. Ziegler and Nichols, Trans. ASME 64 (1942) 759."""
    Ku, omega = ultimate(process)
    return from_ideal(0.45 * Ku, _period_s(omega) / 1.2)


def ziegler_nichols_pid(process: Process) -> Pid:
    """0.6 Ku, Tu/2, Tu/8. Ziegler and Nichols 1942."""
    Ku, omega = ultimate(process)
    return from_ideal(0.6 * Ku, _period_s(omega) / 2.0, _period_s(omega) / 8.0)


def reaction_curve_pi(process: Process) -> Pid:
    """0.9/(R L), L/0.3, with R the steepest slope and L the dead time. Ziegler and Nichols 1942."""
    slope, _, L = _shape(process)
    return from_ideal(0.9 / (slope * L), L / 0.3)


def reaction_curve_pid(process: Process) -> Pid:
    """1.2/(R L), 2 L, L/2. Ziegler and Nichols 1942."""
    slope, _, L = _shape(process)
    return from_ideal(1.2 / (slope * L), 2.0 * L, 0.5 * L)


def cohen_coon_pi(process: Process) -> Pid:
    """(0.9 + r/12)/(R L), L (30 + 3 r)/(9 + 20 r), r = dead/lag. Cohen and Coon, 1953."""
    slope, lag, L = _shape(process)
    r = 0.0 if lag is None else L / lag
    return from_ideal((0.9 + r / 12.0) / (slope * L), L * (30.0 + 3.0 * r) / (9.0 + 20.0 * r))


def cohen_coon_pid(process: Process) -> Pid:
    """(4/3 + r/4)/(R L), L (32 + 6 r)/(13 + 8 r), 4 L/(11 + 2 r). Cohen and Coon, 1953."""
    slope, lag, L = _shape(process)
    r = 0.0 if lag is None else L / lag
    Ti, Td = L * (32.0 + 6.0 * r) / (13.0 + 8.0 * r), 4.0 * L / (11.0 + 2.0 * r)
    return from_ideal((4.0 / 3.0 + r / 4.0) / (slope * L), Ti, Td)


_ZN = "Ziegler and Nichols, Trans. ASME 64 (1942) 759"
_CC = "Cohen and Coon, Trans. ASME 75 (1953) 827"
_SIMC = "Skogestad, J. Process Control 13 (2003) 291"
_AMIGO = "Åström and Hägglund, J. Process Control 14 (2004) 635; from memory"

RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule("SIMC PI", simc_pi, _SIMC),
        Rule("SIMC PID", simc_pid, _SIMC),
        Rule("AMIGO PI", amigo_pi, _AMIGO),
        Rule("AMIGO PID", amigo_pid, _AMIGO),
        Rule("Ziegler-Nichols PI", ziegler_nichols_pi, _ZN),
        Rule("Ziegler-Nichols PID", ziegler_nichols_pid, _ZN),
        Rule("reaction curve PI", reaction_curve_pi, _ZN),
        Rule("reaction curve PID", reaction_curve_pid, _ZN),
        Rule("Cohen-Coon PI", cohen_coon_pi, _CC),
        Rule("Cohen-Coon PID", cohen_coon_pid, _CC),
    )
}
"""Rules by name. SIMC PID takes two lags, the ultimate-gain rules any process, others one lag."""


def _shape(process: Process) -> tuple[float, float | None, float]:
    """Slope (K/s per duty), lag (s; None where integrating) and dead time (s).

    Errors: BadInput unless the process has the one shape the rules are made for.
    """
    if process.leads_s or len(process.lags_s) != (0 if process.integrating else 1):
        remedy = "reduce it first (control.reduce)"
        raise BadInput("the rule needs one lag, or an integrator", value=process, remedy=remedy)
    if process.dead_s <= 0.0:
        raise BadInput("the rule needs a dead time", value=process)
    if process.integrating:
        return process.gain, None, process.dead_s
    lag = process.lags_s[0]
    return process.gain / lag, lag, process.dead_s


def _period_s(omega: float) -> float:
    return 2.0 * math.pi / omega
