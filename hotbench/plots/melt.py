"""Flow limits of several hot ends or materials, and the temperatures that flows want."""

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes

from hotbench.core.arrays import FloatArray
from hotbench.plots.curves import Band, bands
from hotbench.plots.style import Colours

SHOWN_BELOW_K = 40.0


def compared_limits(axes: Axes, limits: Mapping[str, Band], palette: Sequence[str]) -> Axes:
    """Flow limit against temperature, one curve with its band for each hot end or material."""
    return bands(
        axes, limits, palette, x_label="temperature / °C", y_label="flow at the limit / mm³/s"
    )


def wanted_temperatures(
    axes: Axes, least: Band, even: tuple[FloatArray, FloatArray] | None, c: Colours
) -> Axes:
    """Minimum temperature by flow with its band, and the even-surface curve where there is one."""
    axes.fill_between(least.x, least.low, least.high, color=c.predicted, alpha=0.18, lw=0)
    axes.plot(least.x, least.y, color=c.predicted, label="minimum")
    if even is not None and even[0].size:
        axes.plot(*even, color=c.good, ls="--", label="even surface (model)")
    # A low end that nothing measured bounds would squeeze everything else.
    axes.set_ylim(bottom=float(np.min(least.y)) - SHOWN_BELOW_K)
    axes.legend(loc="upper left")
    axes.set_xlabel("volumetric flow / mm³/s")
    axes.set_ylabel("temperature / °C")
    return axes
