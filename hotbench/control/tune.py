"""Every rule side by side: gains, margins and predicted figures, with their spread."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from hotbench.control.forms import Pid
from hotbench.control.loop import Scenario, predict
from hotbench.control.margins import margins
from hotbench.control.process import Process, ultimate
from hotbench.control.reduce import first_order, integrator, operating_point, second_order
from hotbench.control.robust import Aims, filtered, robust_gains
from hotbench.control.rules import RULES
from hotbench.core.errors import BadInput, FellShort
from hotbench.core.quantity import Quantity
from hotbench.models.heater import PARAMETERS

_DECLARED = {parameter.name: parameter for parameter in PARAMETERS.values()}
_LAGS = ("sensor_lag_s", "dead_time_s")
_POWER = "heating_K_per_s"
LAG_DOUBT = 0.6
"""How much longer than its interval's end the lag may be, as a share of that end: on random
simulated printers fits of whole sessions came out that much short of what the loop meets."""
UNKNOWN_LAG_DOUBT = 2.0
"""The same where the fit states no interval of the lag; an assumption."""

ROBUST = "robust optimum"
NAMES = (*RULES, ROBUST)
"""Names that `tuned` knows."""


@dataclass(frozen=True)
class Tuned:
    """One rule's gains, and what they give on the nominal process and over all processes.

    The quantities hold the nominal figure; low and high are the least and the greatest over the
    processes. None where a figure is infinite on one of them: nothing to cross, or never settled.
    reliable: whether the loop is stable on every one.
    """

    rule: str
    source: str
    pid: Pid
    gain_margin: Quantity | None
    phase_margin: Quantity | None
    maximum_sensitivity: Quantity
    overshoot: Quantity
    settling_time: Quantity | None
    flow_sag: Quantity
    reliable: bool


def tuned(
    rule: str,
    processes: Sequence[Process],
    scenario: Scenario,
    *,
    confidence: float = 0.95,
    aims: Aims | None = None,
) -> Tuned:
    """One rule applied to the first process and judged on all of them.

    confidence: of the model's interval that the processes span. Margins count half a sample time
    as dead time; derivatives are filtered. Errors: BadInput where the rule does not apply,
    FellShort where the robust optimum finds nothing within its bound.
    """
    pid, source = _gains(rule, processes, scenario, aims)
    sampled = [process.delayed(scenario.sample_s / 2.0) for process in processes]
    return _judged(rule, source, pid, sampled, processes, scenario, confidence)


def side_by_side(
    processes: Sequence[Process],
    scenario: Scenario,
    *,
    confidence: float = 0.95,
    aims: Aims | None = None,
) -> list[Tuned]:
    """All rules that apply, in their listed order, the robust optimum last."""
    rows = []
    for rule in NAMES:
        try:
            rows.append(tuned(rule, processes, scenario, confidence=confidence, aims=aims))
        except (BadInput, FellShort):
            continue
    return rows


def processes_over(
    build: Callable[[Mapping[str, float]], Process], parameters: Mapping[str, Quantity]
) -> list[Process]:
    """Processes that span the parameters' intervals: nominal, each end alone, the worst corners.

    The corners put every parameter at the end that lowers, or raises, the ultimate gain; they
    treat the parameters as independent, which is cautious. Parameters without an interval stay.
    """
    nominal = {name: quantity.value for name, quantity in parameters.items()}
    ends = [(n, q.low, q.high) for n, q in parameters.items() if q.low is not None]
    alone = [{**nominal, n: end} for n, *both in ends for end in both if end is not None]
    corners = _corners(build, nominal, alone)
    return [build(values) for values in (nominal, *alone, *corners)]


def heater_processes(
    model_name: str,
    parameters: Mapping[str, Quantity],
    *,
    temperature_C: float,
    ambient_C: float,
    combined_lag: Quantity | None = None,
    fan: float = 0.0,
    lag_doubt: float = LAG_DOUBT,
) -> list[Process]:
    """Processes of a fitted heater at a temperature, over its intervals: nominal first.

    Sensor lag and dead time are too correlated to vary alone: both are scaled together, so that
    their sum spans `combined_lag`, its high end lengthened by `lag_doubt`; that end is also taken
    as dead time alone, since the data cannot tell the two apart. Every other parameter takes each
    end alone; lag and power also their corners. Ends at which full power cannot hold the
    temperature are left out.
    Errors: BadInput when it cannot hold it at the nominal parameters.
    """
    nominal = {name: quantity.value for name, quantity in parameters.items()}

    def at(values: Mapping[str, float]) -> Process:
        point = operating_point(
            model_name, values, temperature_C=temperature_C, ambient_C=ambient_C, fan=fan
        )
        return point.process

    lags = _lags(nominal, combined_lag, lag_doubt)
    varied = [*_ends_alone(nominal, parameters), *_with_power(nominal, parameters, lags)]
    return [at(nominal), *(process for values in varied for process in _held(at, values))]


def _held(
    at: Callable[[Mapping[str, float]], Process], values: Mapping[str, float]
) -> list[Process]:
    try:
        return [at(values)]
    except BadInput:
        return []


def _ends_alone(
    nominal: Mapping[str, float], parameters: Mapping[str, Quantity]
) -> list[dict[str, float]]:
    return [
        {**nominal, name: _possible(name, end)}
        for name, quantity in parameters.items()
        if name not in _LAGS
        for end in (quantity.low, quantity.high)
        if end is not None
    ]


def _possible(name: str, end: float) -> float:
    """An interval's end within what physics allows; a loss does not fall as it gets hotter."""
    declared = _DECLARED.get(name)
    if declared is None or declared.logarithmic:
        return end
    return min(max(end, declared.low), declared.high)


def _lags(
    nominal: Mapping[str, float], lag: Quantity | None, doubt: float
) -> list[dict[str, float]]:
    """Sensor lag and dead time at both ends of their sum, and the longer one as dead time alone."""
    total = sum(nominal.get(name, 0.0) for name in _LAGS)
    if lag is None or total <= 0.0:
        return []
    if lag.low is None or lag.high is None:
        low, high = lag.value, lag.value * (1.0 + (UNKNOWN_LAG_DOUBT if doubt else 0.0))
    else:
        low, high = max(lag.low, 0.0), lag.high * (1.0 + doubt)
    known = [name for name in _LAGS if name in nominal]
    scaled = [{name: nominal[name] * end / total for name in known} for end in (low, high) if end]
    return [*scaled, dict(zip(_LAGS, (0.0, high), strict=True))] if len(known) == 2 else scaled


def _with_power(
    nominal: Mapping[str, float],
    parameters: Mapping[str, Quantity],
    lags: Sequence[Mapping[str, float]],
) -> list[dict[str, float]]:
    """Each pair of lags alone and with each end of the power."""
    power = parameters[_POWER]
    powers = [power.value, *(end for end in (power.low, power.high) if end is not None)]
    return [{**nominal, **pair, _POWER: level} for pair in lags for level in powers]


def _corners(
    build: Callable[[Mapping[str, float]], Process],
    nominal: Mapping[str, float],
    alone: Sequence[Mapping[str, float]],
) -> list[dict[str, float]]:
    centre = ultimate(build(nominal))[0]
    lower, higher = dict(nominal), dict(nominal)
    for values in alone:
        changed = {name: value for name, value in values.items() if value != nominal[name]}
        (lower if ultimate(build(values))[0] < centre else higher).update(changed)
    return [lower, higher]


def _gains(
    rule: str, processes: Sequence[Process], scenario: Scenario, aims: Aims | None
) -> tuple[Pid, str]:
    if rule == ROBUST:
        found = robust_gains(processes, scenario, aims)
        return found.pid, "least integrated absolute error under a bound on Ms"
    nominal = processes[0].delayed(scenario.sample_s / 2.0)
    shaped = second_order(nominal) if rule == "SIMC PID" else _one_lag(nominal)
    return filtered(RULES[rule].tune(shaped)), RULES[rule].source


def _one_lag(process: Process) -> Process:
    return integrator(process) if process.integrating else first_order(process)


def _judged(
    rule: str,
    source: str,
    pid: Pid,
    sampled: Sequence[Process],
    processes: Sequence[Process],
    scenario: Scenario,
    confidence: float,
) -> Tuned:
    found = [margins(process, pid) for process in sampled]
    seen = [predict(process, pid, scenario) for process in processes]
    return Tuned(
        rule=rule,
        source=source,
        pid=pid,
        gain_margin=_finite_spread([row.gain for row in found], "", confidence),
        phase_margin=_finite_spread([row.phase_deg for row in found], "deg", confidence),
        maximum_sensitivity=_spread([row.sensitivity for row in found], "", confidence),
        overshoot=_spread([row.overshoot_K for row in seen], "K", confidence),
        settling_time=_finite_spread([row.settling_s for row in seen], "s", confidence),
        flow_sag=_spread([row.sag_K for row in seen], "K", confidence),
        reliable=all(row.stable for row in found),
    )


def _finite_spread(values: Sequence[float], unit: str, confidence: float) -> Quantity | None:
    return _spread(values, unit, confidence) if all(map(math.isfinite, values)) else None


def _spread(values: Sequence[float], unit: str, confidence: float) -> Quantity:
    """The first value with the least and the greatest of all; bare when there is only one."""
    if len(values) == 1:
        return Quantity(value=values[0], unit=unit, basis="fitted")
    ends = {"low": min(values), "high": max(values), "confidence": confidence}
    return Quantity(value=values[0], unit=unit, basis="fitted", **ends)
