"""A print job over time: flow against its limit, and temperatures set and predicted."""

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes

from hotbench.core.arrays import FloatArray
from hotbench.jobs.prediction import Prediction
from hotbench.jobs.rehearsal import Trace
from hotbench.plots.style import Colours, End, label_ends
from hotbench.plots.traces import thinned

COLUMNS = 240
"""Stretches a quick curve is summed up in: more cannot be told apart at column width."""


def flow(axes: Axes, trace: Trace, c: Colours) -> Axes:
    """Volumetric flow and the flow limit at the set temperature; above it is filled."""
    at = thinned(trace.time_s.size)
    minutes, flow_, limit = (
        trace.time_s[at] / 60.0,
        trace.flow_mm3_per_s[at],
        trace.limit_mm3_per_s[at],
    )
    axes.fill_between(minutes, limit, flow_, where=flow_ > limit, color=c.limit, alpha=0.5, lw=0)
    axes.plot(minutes, flow_, color=c.measured, lw=0.8, label="flow")
    axes.plot(minutes, limit, color=c.limit, lw=1.2, label="limit at the set temperature")
    axes.set_ylabel("flow / mm³/s")
    axes.set_ylim(bottom=0.0)
    ends = [("flow", flow_, c.measured), ("limit", limit, c.limit)]
    label_ends(axes, [End.of(minutes, values, name, colour) for name, values, colour in ends])
    return axes


def temperatures(axes: Axes, trace: Trace, prediction: Prediction | None, c: Colours) -> Axes:
    """Set temperature over what the heater model expects of the nozzle, with its interval."""
    at = thinned(trace.time_s.size)
    minutes = trace.time_s[at] / 60.0
    ends = [End.of(minutes, trace.set_C[at], "set", c.ink)]
    if prediction is not None:
        nozzle_C = prediction.temperature_C[at]
        low_C, high_C = prediction.low_C[at], prediction.high_C[at]
        axes.fill_between(minutes, low_C, high_C, color=c.predicted, alpha=0.25, lw=0)
        axes.plot(minutes, nozzle_C, color=c.predicted, lw=2.2, alpha=0.75, label="predicted")
        ends.append(End.of(minutes, nozzle_C, "predicted", c.predicted))
    # Last and thin: where the prediction follows, both are seen.
    axes.plot(minutes, trace.set_C[at], color=c.ink, ls=(0, (3, 2)), lw=0.8, label="set")
    axes.set_ylabel("nozzle / °C")
    label_ends(axes, ends)
    return axes


def exit_melt(axes: Axes, trace: Trace, prediction: Prediction | None, c: Colours) -> Axes:
    """Mean and spread of the leaving melt's temperature, each over one of COLUMNS stretches."""
    axes.set_ylabel("exit melt / °C")
    axes.set_xlabel("time / min")
    if prediction is None or not np.isfinite(prediction.exit_C).any():
        axes.text(0.5, 0.5, "not known from this profile", transform=axes.transAxes, ha="center")
        return axes
    low_C, mean_C, high_C = (
        columns(prediction.exit_C, take) for take in (np.nanmin, np.nanmean, np.nanmax)
    )
    minutes = columns(trace.time_s, np.mean) / 60.0
    axes.fill_between(minutes, low_C, high_C, color=c.good, alpha=0.25, lw=0, label="spread")
    axes.plot(minutes, mean_C, color=c.good, lw=1.2, label="mean")
    label_ends(axes, [End.of(minutes, mean_C, "mean", c.good)])
    return axes


def columns(values: FloatArray, take: Callable[[FloatArray], float]) -> FloatArray:
    """`take` of each of at most COLUMNS even parts; NaN where a part holds no number."""
    parts = np.array_split(values, min(COLUMNS, values.size))
    return np.array([take(part) if np.isfinite(part).any() else np.nan for part in parts])
