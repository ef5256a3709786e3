"""Moves of the setpoint: safe slew by limiting cause, dips overlaid, look-ahead and its cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from hotbench.core.arrays import FloatArray
from hotbench.plots.style import Colours, End, label_ends

ABOVE = 1.7
"""Limits far above the one that governs are cut off at this multiple of it."""


def safe_slew(
    axes: Axes,
    temperature_C: FloatArray,
    by_cause: Mapping[str, FloatArray],
    claims: Sequence[tuple[float, float]],
    colours: Mapping[str, str],
    c: Colours,
) -> Axes:
    """The rate that each cause would allow alone; the area below is coloured by what governs.

    by_cause: K/s at each temperature. claims: (°C, K/s) that ramps have shown.
    """
    lowest = np.min(list(by_cause.values()), axis=0)
    ends = []
    for cause, rates in by_cause.items():
        governs = rates <= lowest * (1.0 + 1e-9)
        axes.fill_between(
            temperature_C, 0.0, lowest, where=governs, color=colours[cause], alpha=0.22, lw=0
        )
        axes.plot(temperature_C, rates, color=colours[cause], lw=1.8 if governs.any() else 1.0)
        if rates[-1] <= ABOVE * lowest.max():
            ends.append(End.of(temperature_C, rates, cause, colours[cause]))
    if claims:
        axes.plot(*zip(*claims, strict=True), "o", ms=5, color=c.ink, label="claimed from ramps")
        # Above the axes: inside, its dot would pass for one more claim.
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), borderaxespad=0.0)
    highest = max([float(lowest.max()), *(rate for _, rate in claims)])
    axes.set_ylim(0.0, ABOVE * highest)
    label_ends(axes, ends)
    return axes


@dataclass(frozen=True)
class DipTrace:
    """One dip against seconds since the command down; marks: (s, °C) measured, then predicted."""

    title: str
    time_s: FloatArray
    measured_C: FloatArray
    predicted_C: FloatArray
    setpoint_C: FloatArray
    measured: Sequence[tuple[float, float]] = ()
    predicted: Sequence[tuple[float, float]] = ()


def dip(axes: Axes, trace: DipTrace, c: Colours) -> Axes:
    """Measured points, prediction, setpoint, and where each comes within reach of its end."""
    axes.plot(trace.time_s, trace.setpoint_C, color=c.setpoint, lw=1.0, ls=(0, (4, 2)))
    axes.plot(trace.time_s, trace.measured_C, ".", ms=3.0, color=c.measured, label="measured")
    axes.plot(trace.time_s, trace.predicted_C, color=c.predicted, lw=1.3, label="predicted")
    for marks, colour, shape in (
        (trace.measured, c.measured, "o"),
        (trace.predicted, c.predicted, "x"),
    ):
        if marks:
            axes.plot(*zip(*marks, strict=True), shape, ms=8, mfc="none", color=colour)
    axes.set_title(trace.title)
    axes.set_xlabel("since the command down / s")
    return axes


def look_ahead(
    axes: Axes,
    curves: Mapping[str, tuple[FloatArray, FloatArray]],
    slowed: Mapping[str, tuple[FloatArray, FloatArray]],
    palette: Sequence[str],
) -> Axes:
    """Print time that one change of temperature costs, against seconds of look-ahead.

    curves: the print waits. slowed: it goes on at the flow that the temperature allows; dashed.
    """
    for (name, (ahead_s, cost_s)), colour in zip(curves.items(), palette, strict=False):
        axes.plot(ahead_s, cost_s, color=colour, label=name)
        if name in slowed:
            axes.plot(*slowed[name], color=colour, ls="--", lw=1.2, label=f"{name}, slowed")
    axes.set_xlabel("look-ahead / s")
    axes.set_ylabel("cost of each change / s")
    axes.set_ylim(bottom=0.0)
    axes.set_xlim(left=0.0)
    axes.legend(loc="upper right", title="°C")
    return axes
