"""From the fitted two-node heater to transfer functions, and from those to what rules need."""

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

    duty: that holds it. near_K, far_K: its nodes above ambient. process: from duty to the
    reading around it. power_K_per_s: heating of the near node per unit of duty. load_K_per_mm3:
    cooling of the near node per mm3/s of filament, zero where the model has no such term.
    """

    duty: float
    near_K: float
    far_K: float
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

    From duty to near node: B (s - A22) / (s² - (A11 + A22) s + A11 A22 - A12 A21), with B the
    power left at that temperature; its poles are real because A12 A21 > 0. The sensor's lag and
    the dead time follow. Errors: BadInput for unknown models and parameters, and for a
    temperature that full power cannot hold.
    """
    model = heater_model(model_name)
    v = model.vector(parameters, ambient_C)
    wind = float(fan_effect(fan, v[P.EXPONENT])) if v[P.EXPONENT] else fan
    near_K = temperature_C - ambient_C
    near_loss = _Loss(v[P.LOSS], v[P.GROWTH], v[P.FAN] * wind + v[P.LOAD] * flow_mm3_per_s)
    far_loss = _Loss(v[P.LOSS] * v[P.FAR_LOSS], v[P.GROWTH], v[P.FAR_FAN] * wind)
    nodes = _Nodes(near_loss, far_loss, float(v[P.EXCHANGE]), float(v[P.EXCHANGE] * v[P.RATIO]))
    far_K = nodes.far_K(near_K)
    power = float(v[P.HEATING] * (1.0 - v[P.FALLOFF] * near_K))
    duty = _hold_duty(nodes.lost(near_K, far_K), power, temperature_C)
    slope = float(v[P.HEATING] * duty * v[P.FALLOFF])
    gain, lags, leads = nodes.linear(near_K, far_K, slope)
    sensor, dead_s = _sensor(float(v[P.LAG]), float(v[P.DEAD]))
    process = Process(power * gain, (*lags, *sensor), leads, dead_s)
    return OperatingPoint(duty, near_K, far_K, process, power, float(v[P.LOAD] * near_K))


def _sensor(lag_s: float, dead_s: float) -> tuple[tuple[float, ...], float]:
    """Lag and dead time; a fit may put the dead time below zero, then their sum counts as lag."""
    lag_s, dead_s = lag_s + min(dead_s, 0.0), max(dead_s, 0.0)
    return ((lag_s,), dead_s) if lag_s > 0.0 else ((), dead_s)


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
class _Nodes:
    """Near and far node; exchange as the near node sees it and as the far node sees it, 1/s."""

    near: _Loss
    far: _Loss
    exchange: float
    far_exchange: float

    def far_K(self, near_K: float) -> float:
        """The far node in balance: what the exchange brings, it loses. BadInput if it gains."""
        if self.far_exchange == 0.0:
            return near_K

        def surplus(x: float) -> float:
            return self.far_exchange * (near_K - x) - self.far.at(x)

        if surplus(near_K) * near_K > 0.0:
            remedy = "give losses, and their growth, that are not below zero"
            raise BadInput("the air would heat the far node", where="heater model", remedy=remedy)
        return float(brentq(surplus, min(0.0, near_K), max(0.0, near_K), xtol=1e-12))

    def lost(self, near_K: float, far_K: float) -> float:
        return self.near.at(near_K) + self.exchange * (near_K - far_K)

    def linear(
        self, near_K: float, far_K: float, power_slope: float
    ) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
        """Gain (s), lags (s) and leads (s) from heating (K/s) to the near node."""
        a11 = self.near.slope(near_K) + self.exchange + power_slope
        if self.far_exchange == 0.0:
            return 1.0 / a11, (1.0 / a11,), ()
        a22 = self.far.slope(far_K) + self.far_exchange
        determinant = a11 * a22 - self.exchange * self.far_exchange
        rates = np.real(np.roots([1.0, a11 + a22, determinant]))
        return a22 / determinant, tuple(float(-1.0 / rate) for rate in rates), (1.0 / a22,)


def _hold_duty(lost: float, power: float, temperature_C: float) -> float:
    if not 0.0 < lost < power:
        duty = lost / power if power > 0.0 else math.inf
        what = "full power cannot hold this temperature, or it needs none"
        raise BadInput(what, where=f"{temperature_C:g} °C", value=f"duty {duty:.3g}")
    return lost / power
