"""Before and after on the same axes: relative changes with their intervals, and traces."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, LogLocator, MaxNLocator, NullFormatter

from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run
from hotbench.plots.curves import plain_log_scales
from hotbench.plots.style import Colours, End, label_ends, series
from hotbench.plots.traces import thinned

LEAST_SPAN = (0.8, 1.25)
"""Drawn at least from here to there, so that a change within noise looks small."""
WIDE = 5.0


@dataclass(frozen=True, slots=True)
class Change:
    """One number after over before; low and high NaN where there is no interval."""

    label: str
    ratio: float
    low: float
    high: float
    significant: bool


def changes(axes: Axes, rows: Sequence[Change], c: Colours) -> Axes:
    """Each change as a point with its interval, from the top; what is beyond chance stands out.

    Form and not only colour tells the significant ones: they are filled.
    """
    heights = np.arange(len(rows), 0.0, -1.0)
    axes.axvline(1.0, color=c.setpoint, lw=0.9)
    for height, row in zip(heights, rows, strict=True):
        colour = c.predicted if row.significant else c.setpoint
        axes.plot([row.low, row.high], [height, height], color=colour, lw=1.4)
        face = colour if row.significant else c.ground
        axes.plot([row.ratio], [height], "o", ms=5, mec=colour, mfc=face)
    axes.set_yticks(heights, [row.label for row in rows])
    axes.set_ylim(0.3, len(rows) + 0.7)
    axes.grid(visible=False, axis="y")
    axes.set_xscale("log")
    low, high = axes.get_xlim()
    axes.set_xlim(min(low, LEAST_SPAN[0]), max(high, LEAST_SPAN[1]))
    wide = high / low > WIDE
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)) if wide else MaxNLocator(7))
    axes.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("after over before; filled: beyond chance")
    return axes


def overlay(axes: Axes, before: Run, after: Run, c: Colours) -> Axes:
    """Measured temperature of two runs against seconds since each was first told to heat."""
    ends = []
    for run, name, colour in ((before, "before", c.measured), (after, "after", c.predicted)):
        at = thinned(len(run))
        told = np.flatnonzero(run.setpoint_C > 0.0)
        since_s = run.time_s[at] - run.time_s[told[0] if told.size else 0]
        axes.plot(since_s, run.temperature_C[at], color=colour, lw=1.2, label=name)
        ends.append(End.of(since_s, run.temperature_C[at], name, colour))
    axes.set_xlabel("time since first told to heat / s")
    axes.set_ylabel("temperature / °C")
    label_ends(axes, ends)
    return axes


def deviations(
    axes: Axes, sides: Mapping[str, tuple[FloatArray, FloatArray]], levels_K: Mapping[str, float]
) -> Axes:
    """Largest deviation of each ramp against its rate on either side, and where its board faults.

    sides: rates in K/s and deviations in K, by the side's name; levels_K where they are known.
    """
    for (name, (rates, deviations_K)), colour, shape in zip(
        sides.items(), series(), "os", strict=False
    ):
        axes.plot(rates, deviations_K, shape, ms=5, mfc="none", color=colour, label=name)
        if name in levels_K:
            label = f"fault level {name}"
            axes.axhline(levels_K[name], color=colour, lw=1.2, ls="--", label=label)
    plain_log_scales(axes)
    axes.set_xlabel("ramp rate / K/s")
    axes.set_ylabel("largest deviation / K")
    axes.legend(loc="lower right")
    return axes
