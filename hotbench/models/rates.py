"""Figures that follow from a fitted heater: rates, hold duty, lag, rise, settling, heat load.

A rate at T is the mean rate of the logged temperature between T - 5 K and T + 5 K.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.models.heater import HeaterState, hold_of, hold_state
from hotbench.models.heater_steps import LEAST_LAG_s, P, fan_effect, fastest_rate
from hotbench.models.heater_traces import crossing_times

RATE_WINDOW_K = 5.0
LONGEST_s = 7200.0
SETTLED_SHARE = 0.02
"""Common practice, no source: settled means within 2 % of the step."""
RISE_FROM, RISE_TO = 0.1, 0.9

Kind = Literal[
    "heating rate",
    "cooling rate",
    "hold duty",
    "combined lag",
    "load",
    "rise time",
    "settling time",
]


@dataclass(frozen=True)
class Figure:
    """One derived number: what, at which temperature, from which start, at which fan speed.

    start_C None: from cold, everything at ambient; else from the steady hold at start_C (without
    fan; the fan starts with the change). Heating is at full duty, cooling without power.
    """

    kind: Kind
    temperature_C: float = float("nan")
    start_C: float | None = None
    fan: float = 0.0

    @property
    def unit(self) -> str:
        """Unit of the number."""
        return _UNITS[self.kind]

    @property
    def label(self) -> str:
        """For people, such as 'heating rate at 220 °C from cold'."""
        if self.kind == "combined lag":
            return self.kind
        kind = "heat load" if self.kind == "load" else self.kind
        text = f"{kind} at {self.temperature_C:g} °C"
        if self.kind in ("heating rate", "rise time"):
            text += f" from {self.start}"
        return f"{text}, fan {self.fan:g}" if self.kind in ("cooling rate", "hold duty") else text

    @property
    def start(self) -> str:
        """The start condition in words."""
        return "cold" if self.start_C is None else f"hold {self.start_C:g} °C"


_UNITS: dict[Kind, str] = {
    "heating rate": "K/s",
    "cooling rate": "K/s",
    "hold duty": "",
    "combined lag": "s",
    "load": "K/mm3",
    "rise time": "s",
    "settling time": "s",
}


def figure_values(vector: FloatArray, figures: Sequence[Figure]) -> FloatArray:
    """The value of each figure for a kernel parameter vector; NaN where it is never reached."""
    values = np.full(len(figures), np.nan)
    order = sorted(range(len(figures)), key=lambda i: _course(figures[i]))
    for _, group in groupby(order, key=lambda i: _course(figures[i])):
        places = list(group)
        values[places] = _values_of_course(vector, [figures[i] for i in places])
    return values


def _course(figure: Figure) -> tuple[str, float, float]:
    """Figures with one key are read off one simulated course."""
    start_C = -np.inf if figure.start_C is None else figure.start_C
    return figure.kind, start_C, figure.fan


def _values_of_course(vector: FloatArray, figures: list[Figure]) -> list[float]:
    first = figures[0]
    if first.kind in ("heating rate", "cooling rate"):
        return rates_K_per_s(
            vector,
            [figure.temperature_C for figure in figures],
            start_C=first.start_C,
            fan=first.fan,
            duty=1.0 if first.kind == "heating rate" else 0.0,
        )
    return [_single(vector, figure) for figure in figures]


def _single(vector: FloatArray, figure: Figure) -> float:
    if figure.kind == "combined lag":
        return combined_lag_s(vector)
    rise_K = figure.temperature_C - vector[P.AMBIENT]
    if figure.kind == "hold duty":
        return hold_of(vector, rise_K, figure.fan).duty
    if figure.kind == "load":
        return float(vector[P.LOAD] * rise_K)
    if figure.kind == "rise time":
        return rise_time_s(vector, figure.temperature_C)
    return settling_time_s(vector, figure.temperature_C)


def rates_K_per_s(
    vector: FloatArray,
    temperatures_C: Sequence[float],
    *,
    start_C: float | None,
    fan: float = 0.0,
    duty: float = 1.0,
) -> list[float]:
    """Mean rate, a positive number, in the window around each temperature; NaN if not reached.

    duty 1 heats, duty 0 cools. All temperatures are read off one course from the start.
    """
    sign = 1.0 if duty > 0.0 else -1.0
    order = np.argsort(sign * np.asarray(temperatures_C), kind="stable")
    centres = np.asarray(temperatures_C, dtype=np.float64)[order]
    edges = np.concatenate([centres - sign * RATE_WINDOW_K, centres + sign * RATE_WINDOW_K])
    begun_C = vector[P.AMBIENT] if start_C is None else start_C
    ahead = sign * (edges - begun_C) > 0.0
    times = np.full(edges.size, np.nan)
    times[ahead] = crossings_s(vector, edges[ahead], start_C=start_C, fan=fan, duty=duty)
    rates = np.empty(centres.size)
    rates[order] = 2.0 * RATE_WINDOW_K / (times[centres.size :] - times[: centres.size])
    return [float(rate) for rate in rates]


def crossings_s(
    vector: FloatArray,
    levels_C: FloatArray,
    *,
    start_C: float | None,
    fan: float = 0.0,
    duty: float = 1.0,
) -> FloatArray:
    """When the sensor (no dead time) passes each level after a change of duty; NaN if never.

    Levels must all lie on one side of the start.
    """
    ambient_C = float(vector[P.AMBIENT])
    start = HeaterState.uniform(ambient_C) if start_C is None else hold_state(vector, start_C)
    state = start.temperatures_C - ambient_C
    rises = levels_C - ambient_C
    order = np.argsort(np.abs(rises - state[2]))
    times = np.full(levels_C.size, np.nan)
    if levels_C.size:
        phi = fan_effect(fan, vector[P.EXPONENT])
        step_s = _step_s(vector)
        times[order] = crossing_times(vector, state, duty, phi, rises[order], step_s, LONGEST_s)
    return times


def _step_s(vector: FloatArray) -> float:
    return float(np.clip(0.1 / fastest_rate(vector), 0.002, 0.1))


def combined_lag_s(vector: FloatArray) -> float:
    """Sensor lag plus dead time: how far the log trails behind in a steady ramp."""
    lag_s = vector[P.LAG] if vector[P.LAG] > LEAST_LAG_s else 0.0
    return float(lag_s + vector[P.DEAD])


def rise_time_s(vector: FloatArray, temperature_C: float) -> float:
    """From 10 to 90 % of the way from ambient to `temperature_C` at full duty, s."""
    ambient_C = float(vector[P.AMBIENT])
    shares = np.array([RISE_FROM, RISE_TO])
    times = crossings_s(vector, ambient_C + shares * (temperature_C - ambient_C), start_C=None)
    return float(times[1] - times[0])


def settling_time_s(vector: FloatArray, temperature_C: float) -> float:
    """Until within 2 % of the rise after a step, from cold, to the duty that holds it, s."""
    ambient_C = float(vector[P.AMBIENT])
    duty = hold_of(vector, temperature_C - ambient_C).duty
    level = ambient_C + (1.0 - SETTLED_SHARE) * (temperature_C - ambient_C)
    return float(crossings_s(vector, np.array([level]), start_C=None, duty=duty)[0])
