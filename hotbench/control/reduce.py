"""From the fitted two-node heater to transfer functions, and from those to what rules need."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from hotbench.control.process import Process
from hotbench.core.errors import BadInput, unknown_key

NAMES = ("b", "c", "a", "q", "af1", "af2", "g", "r", "tau", "theta")
"""Parameters of the 2N+c heater as the design writes them; absent ones count as zero."""


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """The heater holding a temperature: duty, temperatures above ambient, and its process."""

    duty: float
    node_K: float
    body_K: float
    process: Process
    power_K_per_s: float


def operating_point(
    parameters: Mapping[str, float], *, temperature_C: float, ambient_C: float, fan: float = 0.0
) -> OperatingPoint:
    """The 2N+c heater held at a temperature, linearised there.

    x1' = b u (1 - c x1) - a x1 (1 + q|x1|) - af1 φ x1 - g (x1 - x2);
    x2' = r g (x1 - x2) - a x2 (1 + q|x2|) - af2 φ x2; then lag tau and dead time theta.
    From duty to x1: B (s - A22) / (s² - (A11 + A22) s + A11 A22 - r g²), B = b (1 - c x1), whose
    poles are real. Errors: BadInput for unknown parameters or a temperature beyond full power.
    """
    p = _complete(parameters)
    x1 = temperature_C - ambient_C
    x2 = _body_temperature(p, x1, fan)
    power = p["b"] * (1.0 - p["c"] * x1)
    lost = _loss(p, x1, fan, "af1") + p["g"] * (x1 - x2)
    if not 0.0 < lost < power:
        what, where = "this temperature cannot be held", f"{temperature_C:g} °C"
        raise BadInput(
            what, where=where, value=f"duty {lost / power if power > 0.0 else math.inf:.3g}"
        )
    duty = lost / power
    return OperatingPoint(duty, x1, x2, _linear(p, x1, x2, duty, fan), power)


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


def _complete(parameters: Mapping[str, float]) -> dict[str, float]:
    for name in parameters:
        if name not in NAMES:
            raise unknown_key(name, NAMES, where="heater parameters")
    return {name: float(parameters.get(name, 0.0)) for name in NAMES}


def _loss(p: Mapping[str, float], x: float, fan: float, fan_name: str) -> float:
    return p["a"] * x * (1.0 + p["q"] * abs(x)) + p[fan_name] * fan * x


def _loss_slope(p: Mapping[str, float], x: float, fan: float, fan_name: str) -> float:
    return p["a"] * (1.0 + 2.0 * p["q"] * abs(x)) + p[fan_name] * fan


def _body_temperature(p: Mapping[str, float], x1: float, fan: float) -> float:
    """x2 in balance with x1: what the coupling brings, the body loses."""
    coupling = p["r"] * p["g"]
    if coupling == 0.0:
        return 0.0

    def surplus(x2: float) -> float:
        return coupling * (x1 - x2) - _loss(p, x2, fan, "af2")

    return float(brentq(surplus, min(0.0, x1), max(0.0, x1), xtol=1e-12))


def _linear(p: Mapping[str, float], x1: float, x2: float, duty: float, fan: float) -> Process:
    power = p["b"] * (1.0 - p["c"] * x1)
    a11 = p["b"] * duty * p["c"] + _loss_slope(p, x1, fan, "af1") + p["g"]
    a22 = p["r"] * p["g"] + _loss_slope(p, x2, fan, "af2")
    sensor = (p["tau"],) if p["tau"] > 0.0 else ()
    if p["r"] * p["g"] == 0.0:
        return Process(power / a11, (1.0 / a11, *sensor), (), p["theta"])
    rates = np.roots([1.0, a11 + a22, a11 * a22 - p["r"] * p["g"] ** 2])
    gain = power * a22 / (a11 * a22 - p["r"] * p["g"] ** 2)
    lags = tuple(float(-1.0 / rate) for rate in np.real(rates))
    return Process(gain, (*lags, *sensor), (1.0 / a22,), p["theta"])
