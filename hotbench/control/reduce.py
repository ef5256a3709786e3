"""From the fitted heater to transfer functions, and from those to what rules need."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from hotbench.control.process import Process
from hotbench.core.errors import BadInput
from hotbench.models.heater import heater_model
from hotbench.models.heater_steps import P, fan_effect


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """The heater holding a temperature.

    duty: that holds it. near_K, far_K, shell_K: its nodes above ambient. process: from duty to the
    reading around it. power_K_per_s: heating of the near node per unit of duty. load_K_per_mm3:
    cooling of the near node per mm3/s of filament, zero where the model has no such term.
    """

    duty: float
    near_K: float
    far_K: float
    shell_K: float
    process: Process
    power_K_per_s: float
    load_K_per_mm3: float


def operating_point(
    model_name: str,
    parameters: Mapping[str, float],
    *,
    temperature_C: float,
    ambient_C: float,
    fan: float = 0.0,
    flow_mm3_per_s: float = 0.0,
) -> OperatingPoint:
    """A heater of the model family held at a temperature and linearised there.

    From duty to near node: B over s - A11 - sum of A1i Ai1 / (s - Aii) over the nodes beside it,
    with B the power left at that temperature; the poles are real because every A1i Ai1 > 0. The
    sensor's lag and the dead time follow. Errors: BadInput for unknown models and parameters, and
    for a temperature that full power cannot hold.
    """
    model = heater_model(model_name)
    v = model.vector(parameters, ambient_C)
    wind = float(fan_effect(fan, v[P.EXPONENT])) if v[P.EXPONENT] else fan
    near_K = temperature_C - ambient_C
    near_loss = _Loss(v[P.LOSS], v[P.GROWTH], v[P.FAN] * wind + v[P.LOAD] * flow_mm3_per_s)
    far_loss = _Loss(v[P.LOSS] * v[P.FAR_LOSS], v[P.GROWTH], v[P.FAR_FAN] * wind)
    shell_loss = _Loss(v[P.SHELL_LOSS], v[P.GROWTH], 0.0)
    far = _Side(far_loss, float(v[P.EXCHANGE]), float(v[P.EXCHANGE] * v[P.RATIO]))
    wrap = float(v[P.SHELL_EXCHANGE])
    shell = _Side(shell_loss, wrap, float(wrap * v[P.SHELL_RATIO]))
    nodes = _Nodes(near_loss, (far, shell))
    rises_K = nodes.rises_K(near_K)
    power = float(v[P.HEATING] * (1.0 - v[P.FALLOFF] * near_K))
    duty = _hold_duty(nodes.lost(near_K, rises_K), power, temperature_C)
    slope = float(v[P.HEATING] * duty * v[P.FALLOFF])
    gain, lags, leads = nodes.linear(near_K, rises_K, slope)
    sensor = (float(v[P.LAG]),) if v[P.LAG] > 0.0 else ()
    process = Process(power * gain, (*lags, *sensor), leads, float(v[P.DEAD]))
    load = float(v[P.LOAD] * near_K)
    return OperatingPoint(duty, near_K, *rises_K, process, power, load)


def first_order(process: Process) -> Process:
    """One lag and a dead time by the half rule (Skogestad 2003, section 2).

    The largest neglected lag goes half to the kept lag, half to the dead time; smaller ones go to
    the dead time; leads are first cancelled against a lag.
    """
    plain = without_leads(process)
    kept, neglected = plain.lags_s[:1], plain.lags_s[1:]
    if process.integrating:
        kept, neglected = (), plain.lags_s
        dead_s = plain.dead_s + sum(neglected)
        return Process(plain.gain, (), (), dead_s, integrating=True)
    half = neglected[0] / 2.0 if neglected else 0.0
    dead_s = plain.dead_s + half + sum(neglected[1:])
    return Process(plain.gain, (kept[0] + half,), (), dead_s)


def second_order(process: Process) -> Process:
    """Two lags and a dead time by the half rule."""
    plain = without_leads(process)
    if len(plain.lags_s) < 3:
        return plain
    first, second, *rest = plain.lags_s
    half = rest[0] / 2.0
    return Process(plain.gain, (first, second + half), (), plain.dead_s + half + sum(rest[1:]))


def integrator(process: Process) -> Process:
    """Slope and dead time of a first-order process whose lag is long: gain / lag."""
    reduced = first_order(process)
    if reduced.integrating:
        return reduced
    return Process.integrator(reduced.gain / reduced.lags_s[0], reduced.dead_s)


def without_leads(process: Process) -> Process:
    """Leads cancelled against lags: T1 to T3 of Skogestad 2003, section 2.3; inverse ones delay."""
    while process.leads_s:
        lead = max(process.leads_s)
        leads = _without(process.leads_s, lead)
        if lead <= 0.0:
            process = Process(
                process.gain, process.lags_s, leads, process.dead_s - lead, process.integrating
            )
        else:
            process = _cancelled(process, lead, leads)
    return process


def _cancelled(process: Process, lead: float, leads: tuple[float, ...]) -> Process:
    """(T s + 1)/(τ s + 1) replaced by a factor, or by a factor and a shorter lag.

    τ is the neighbour above T where it is closer than 1.6 times the neighbour below is, as the
    source advises; the closed-loop time is taken as the effective delay.
    """
    lag = _neighbour(process.lags_s, lead)
    wait = _effective_delay(process, lag)
    rest = _without(process.lags_s, lag)
    if lead >= lag:
        factor = lead / lag if lag >= wait else lead / wait if lead >= wait else 1.0
        return Process(process.gain * factor, rest, leads, process.dead_s, process.integrating)
    if lead >= 5.0 * wait:
        gain = process.gain * lead / lag
        return Process(gain, rest, leads, process.dead_s, process.integrating)
    short = min(lag, 5.0 * wait)
    lags, gain = (*rest, short - lead), process.gain * short / lag
    return Process(gain, lags, leads, process.dead_s, process.integrating)


def _neighbour(lags_s: tuple[float, ...], lead: float) -> float:
    above = min((lag for lag in lags_s if lag >= lead), default=None)
    below = max((lag for lag in lags_s if lag < lead), default=None)
    if above is None or below is None:
        return above if above is not None else max(lags_s)
    return below if lead / below < above / lead and lead / below < 1.6 - 1e-9 else above


def _effective_delay(process: Process, lag: float) -> float:
    """Dead time plus the lags that count as delay, the one to be cancelled left out."""
    others = sorted(_without(process.lags_s, lag), reverse=True)
    neglected = others if process.integrating else others[1:]
    half = neglected[0] / 2.0 if neglected else 0.0
    return process.dead_s + half + sum(neglected[1:])


def _without(values: tuple[float, ...], value: float) -> tuple[float, ...]:
    place = values.index(value)
    return values[:place] + values[place + 1 :]


@dataclass(frozen=True, slots=True)
class _Loss:
    """x (still (1 + growth |x|) + driven): what a node loses to the air and the filament, K/s."""

    still: float
    growth: float
    driven: float

    def at(self, x: float) -> float:
        return float(x * (self.still * (1.0 + self.growth * abs(x)) + self.driven))

    def slope(self, x: float) -> float:
        return float(self.still * (1.0 + 2.0 * self.growth * abs(x)) + self.driven)


@dataclass(frozen=True, slots=True)
class _Side:
    """A node beside the near one; exchange as the near node and as this one see it, 1/s."""

    loss: _Loss
    exchange: float
    own_exchange: float

    def rise_K(self, near_K: float) -> float:
        """In balance: what the exchange brings, it loses. BadInput if the air heats it."""
        if self.own_exchange == 0.0:
            return near_K

        def surplus(x: float) -> float:
            return self.own_exchange * (near_K - x) - self.loss.at(x)

        if surplus(near_K) * near_K > 0.0:
            remedy = "give losses, and their growth, that are not below zero"
            raise BadInput("the air would heat the far node", where="heater model", remedy=remedy)
        return float(brentq(surplus, min(0.0, near_K), max(0.0, near_K), xtol=1e-12))

    def rate(self, rise_K: float) -> float:
        return self.loss.slope(rise_K) + self.own_exchange


@dataclass(frozen=True, slots=True)
class _Nodes:
    """The near node and those beside it."""

    near: _Loss
    sides: tuple[_Side, _Side]

    def rises_K(self, near_K: float) -> tuple[float, float]:
        far, shell = self.sides
        return far.rise_K(near_K), shell.rise_K(near_K)

    def lost(self, near_K: float, rises_K: tuple[float, float]) -> float:
        passed = [
            side.exchange * (near_K - rise) for side, rise in zip(self.sides, rises_K, strict=True)
        ]
        return self.near.at(near_K) + sum(passed)

    def linear(
        self, near_K: float, rises_K: tuple[float, float], power_slope: float
    ) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
        """Gain (s), lags (s) and leads (s) from heating (K/s) to the near node."""
        pairs = [(s, s.rate(x)) for s, x in zip(self.sides, rises_K, strict=True) if s.exchange > 0]
        own = self.near.slope(near_K) + power_slope + sum(side.exchange for side, _ in pairs)
        slopes = np.diag([-own, *(-rate for _, rate in pairs)])
        slopes[0, 1:] = [side.exchange for side, _ in pairs]
        slopes[1:, 0] = [side.own_exchange for side, _ in pairs]
        gain = -float(np.linalg.inv(slopes)[0, 0])
        lags = sorted((float(-1.0 / rate) for rate in np.linalg.eigvals(slopes).real), reverse=True)
        return gain, tuple(lags), tuple(1.0 / rate for _, rate in pairs)


def _hold_duty(lost: float, power: float, temperature_C: float) -> float:
    if not 0.0 < lost < power:
        duty = lost / power if power > 0.0 else math.inf
        what = "full power cannot hold this temperature, or it needs none"
        raise BadInput(what, where=f"{temperature_C:g} °C", value=f"duty {duty:.3g}")
    return lost / power
