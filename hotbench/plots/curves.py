"""Curves of a profile with their bands: rates, slew limits, flow limits, dips."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.plots.style import Colours, End, label_ends


@dataclass(frozen=True, slots=True)
class Band:
    """A curve with its interval: x, y, low, high of equal length; NaN where unknown."""

    x: FloatArray
    y: FloatArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def from_rows(cls, rows: Sequence[tuple[float, float, float, float]]) -> "Band":
        """From rows of (x, y, low, high), sorted by x."""
        table = np.array(sorted(rows), dtype=np.float64).reshape(-1, 4)
        return cls(*table.T)


def band(axes: Axes, curve: Band, colour: str, marker: str = "") -> Axes:
    """One curve with its interval shaded."""
    axes.fill_between(curve.x, curve.low, curve.high, color=colour, alpha=0.18, lw=0)
    axes.plot(curve.x, curve.y, color=colour, marker=marker, ms=4)
    return axes


def bands(
    axes: Axes, curves: Mapping[str, Band], palette: Sequence[str], *, x_label: str, y_label: str
) -> Axes:
    """Several curves of equal rank, each with its own colour and its name at the end."""
    coloured = list(zip(curves.items(), palette, strict=False))
    for (_, curve), colour in coloured:
        band(axes, curve, colour, marker="o")
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    axes.set_ylim(bottom=0.0)
    label_ends(
        axes, [End.of(curve.x, curve.y, label, colour) for (label, curve), colour in coloured]
    )
    return axes


def delivered_ratio(
    axes: Axes,
    points: Mapping[float, tuple[FloatArray, FloatArray]],
    curves: Mapping[float, tuple[FloatArray, FloatArray]],
    limits_mm3_per_s: Mapping[float, float],
    palette: Sequence[str],
) -> Axes:
    """Delivered over commanded amount against flow: points, fit and 5 % limit per temperature.

    points and curves map a temperature in °C to (flow in mm³/s, ratio).
    """
    coloured = dict(zip(sorted(points), palette, strict=False))
    for temperature_C, colour in coloured.items():
        axes.plot(*points[temperature_C], "o", ms=4, color=colour)
        if temperature_C in curves:
            axes.plot(*curves[temperature_C], color=colour, lw=1.4)
        if temperature_C in limits_mm3_per_s:
            axes.axvline(limits_mm3_per_s[temperature_C], color=colour, lw=1.0, ls=":")
    axes.set_xlabel("commanded volumetric flow / mm³/s")
    axes.set_ylabel("delivered / commanded")
    named = {**points, **curves}
    label_ends(axes, [End.of(*named[t], f"{t:g} °C", colour) for t, colour in coloured.items()])
    return axes


def flow_limit(axes: Axes, curve: Band, measured: Band | None, c: Colours) -> Axes:
    """Flow limit against temperature with its band, and the limits found per temperature."""
    band(axes, curve, c.predicted)
    if measured is not None and measured.x.size:
        spread = np.abs(np.vstack((measured.y - measured.low, measured.high - measured.y)))
        axes.errorbar(
            measured.x, measured.y, yerr=spread, fmt="o", color=c.measured, ms=5, capsize=3
        )
    axes.set_xlabel("temperature / °C")
    axes.set_ylabel("flow at 5 % loss / mm³/s")
    label_ends(axes, [End.of(curve.x, curve.y, "joint fit", c.predicted)])
    return axes


def deviation_by_rate(
    axes: Axes,
    rates_K_per_s: FloatArray,
    deviations_K: FloatArray,
    bound: Band | None,
    fault_deviation_K: float | None,
    chosen_K_per_s: float | None,
    c: Colours,
    *,
    whole: NDArray[np.bool_] | None = None,
    cause: str = "",
) -> Axes:
    """Largest deviation of each ramp against its rate, tolerance bound, and the rate chosen.

    whole: False for ramps that were stopped or faulted on the way, drawn hollow. cause: what
    keeps the chosen rate from being higher.
    """
    done = np.ones(rates_K_per_s.size, dtype=np.bool_) if whole is None else whole
    axes.plot(rates_K_per_s[done], deviations_K[done], "o", ms=5, color=c.measured)
    if not done.all():
        cut, label = (rates_K_per_s[~done], deviations_K[~done]), "not run to its end"
        axes.plot(*cut, "^", ms=7, mfc="none", color=c.measured, label=label)
        axes.legend(loc="lower right")
    if bound is not None:
        axes.plot(bound.x, bound.y, color=c.predicted)
        axes.plot(bound.x, bound.high, color=c.predicted, ls="--", lw=1.1)
    if fault_deviation_K is not None:
        axes.axhline(fault_deviation_K, color=c.limit, lw=1.3)
        axes.annotate(
            "fault level",
            (0.01, fault_deviation_K),
            xycoords=("axes fraction", "data"),
            xytext=(0, 3),
            textcoords="offset points",
            color=c.limit,
        )
    if chosen_K_per_s is not None:
        axes.axvline(chosen_K_per_s, color=c.good, lw=1.3)
        axes.annotate(
            f"safe {chosen_K_per_s:.3g} K/s" + (f"\n{cause}" if cause else ""),
            (chosen_K_per_s, 0.97),
            xycoords=("data", "axes fraction"),
            xytext=(-4, 0),
            textcoords="offset points",
            color=c.good,
            ha="right",
            va="top",
        )
    plain_log_scales(axes)
    axes.set_xlabel("ramp rate / K/s")
    axes.set_ylabel("largest deviation / K")
    if bound is not None:
        named = (("typical", bound.y), ("tolerance bound", bound.high))
        label_ends(axes, [End.of(bound.x, y, name, c.predicted) for name, y in named])
    return axes


def plain_log_scales(axes: Axes) -> None:
    """Logarithmic scales whose ticks read 1, 2, 5, 10 rather than powers, fewer on long ones."""
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        low, high = axis.get_view_interval()
        subs = FINE if math.log10(high / low) < LONG_DECADES else COARSE
        axis.set_major_locator(LogLocator(subs=subs))
        axis.set_major_formatter(FormatStrFormatter("%g"))
        axis.set_minor_formatter(NullFormatter())


FINE, COARSE = (1.0, 2.0, 3.0, 5.0, 7.0), (1.0, 3.0)
LONG_DECADES = 1.8
