"""Traces against time: measured and predicted temperature, residuals, duty and fan."""

import numpy as np
from matplotlib.axes import Axes

from hotbench.core.arrays import FloatArray
from hotbench.core.records import VALIDATION_PHASE, Run
from hotbench.plots.style import Colours, End, label_ends

MAX_POINTS = 1500
"""Points drawn per curve: beyond this nothing more can be seen at column width."""


def thinned(count: int, keep: int = MAX_POINTS) -> np.ndarray:
    """Indices of at most `keep` of `count` samples, evenly spread, first and last included."""
    if count <= keep:
        return np.arange(count)
    return np.unique(np.linspace(0, count - 1, keep).round().astype(np.intp))


def temperature(axes: Axes, run: Run, c: Colours, predicted_C: FloatArray | None = None) -> Axes:
    """Measured points, setpoint, and the prediction where there is one, against minutes.

    The setpoint is drawn where the heater is on.
    """
    at = thinned(len(run))
    minutes, measured_C = run.time_s[at] / 60.0, run.temperature_C[at]
    setpoint_C = np.where(run.setpoint_C > 0.0, run.setpoint_C, np.nan)[at]
    axes.plot(
        minutes,
        setpoint_C,
        color=c.setpoint,
        lw=1.1,
        ls=(0, (4, 2)),
        drawstyle="steps-post",
        label="setpoint",
    )
    axes.plot(minutes, measured_C, ".", ms=2.6, color=c.measured, label="measured")
    ends = [
        End.of(minutes, setpoint_C, "setpoint", c.setpoint),
        End.of(minutes, measured_C, "measured", c.measured),
    ]
    if predicted_C is not None:
        axes.plot(minutes, predicted_C[at], color=c.predicted, lw=1.2, label="predicted")
        ends.append(End.of(minutes, predicted_C[at], "predicted", c.predicted))
    mark_validation(axes, run, c, "held out")
    axes.set_ylabel("temperature / °C")
    label_ends(axes, ends)
    return axes


def residual(axes: Axes, run: Run, predicted_C: FloatArray, c: Colours) -> Axes:
    """Measured minus predicted temperature against minutes."""
    at = thinned(len(run))
    difference_K = run.temperature_C - predicted_C
    axes.axhline(0.0, color=c.setpoint, lw=0.9)
    axes.plot(run.time_s[at] / 60.0, difference_K[at], ".", ms=2.2, color=c.measured)
    reach = float(np.nanpercentile(np.abs(difference_K), 99.5)) * 1.25 + 0.2
    axes.set_ylim(-reach, reach)
    mark_validation(axes, run, c)
    axes.set_ylabel("residual / K")
    return axes


def residual_by_temperature(
    axes: Axes, temperature_C: FloatArray, residual_K: FloatArray, c: Colours
) -> Axes:
    """Residuals against temperature: a slope or bow here means a missing loss or power term."""
    at = thinned(temperature_C.size)
    axes.axhline(0.0, color=c.setpoint, lw=0.9)
    axes.plot(temperature_C[at], residual_K[at], ".", ms=2.2, color=c.measured, alpha=0.6)
    axes.set_xlabel("temperature / °C")
    axes.set_ylabel("residual / K")
    return axes


def autocorrelation(axes: Axes, lags_s: FloatArray, correlation: FloatArray, c: Colours) -> Axes:
    """Autocorrelation of residuals: how long one error lasts, and so how few are independent."""
    axes.axhline(0.0, color=c.setpoint, lw=0.9)
    axes.plot(lags_s, correlation, color=c.measured)
    axes.set_ylim(-1.05, 1.05)
    axes.set_xlabel("lag / s")
    axes.set_ylabel("autocorrelation of residuals")
    return axes


def drive(axes: Axes, run: Run, c: Colours) -> Axes:
    """Duty and fan, both as fractions, against minutes."""
    at = thinned(len(run))
    minutes = run.time_s[at] / 60.0
    axes.plot(minutes, run.duty[at], color=c.duty, lw=1.0, label="duty")
    axes.plot(minutes, run.fan[at], color=c.fan, lw=1.3, label="fan")
    axes.set_ylim(-0.14, 1.08)  # room for a name beside a curve at zero
    axes.set_ylabel("fraction")
    axes.set_xlabel("time / min")
    named = (("duty", run.duty[at], c.duty), ("fan", run.fan[at], c.fan))
    label_ends(axes, [End.of(minutes, values, name, colour) for name, values, colour in named])
    return axes


def mark_validation(axes: Axes, run: Run, c: Colours, text: str = "") -> None:
    """Shade the stretches that no fit has seen, with `text` at the first."""
    held_out = run.mask_phase(VALIDATION_PHASE)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], held_out, [False])).astype(np.int8)))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        span = run.time_s[[first, past - 1]] / 60.0
        axes.axvspan(span[0], span[1], color=c.good, alpha=0.09, lw=0)
    if text and edges.size:
        axes.annotate(
            text,
            (run.time_s[edges[0]] / 60.0, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            color=c.good,
        )
