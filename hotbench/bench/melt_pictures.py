"""Pictures of what flows want: minimum temperature, even surface, several fits side by side."""

from collections.abc import Iterator, Sequence

import numpy as np
from matplotlib.figure import Figure

from hotbench.bench.figures import Picture, picture
from hotbench.bench.melting import STEEPNESS, NamedMelt, section, temperatures_C
from hotbench.core.quantity import Quantity
from hotbench.plots.curves import Band
from hotbench.plots.melt import compared_limits, wanted_temperatures
from hotbench.plots.style import Colours, new_figure, series
from hotbench.profile import types as p


def flow_pictures(melts: Sequence[NamedMelt]) -> Iterator[Picture]:
    """Temperatures wanted by flow for each joint fit; limits side by side where there are more."""
    for named in melts:
        melt = section(named, None)
        if melt.minimum_temperature:
            yield _wanted(named.label, melt)
    if len(melts) > 1:
        yield _compared(melts)


def _wanted(label: str, melt: p.Melt) -> Picture:
    def draw(c: Colours) -> Figure:
        figure, (axes,) = new_figure(height_in=3.1)
        rows = [_point(r.flow_mm3_per_s, r.quantity) for r in melt.minimum_temperature]
        even = sorted((r.flow_mm3_per_s, r.temperature_C) for r in melt.even_surface)
        curve = (np.array([e[0] for e in even]), np.array([e[1] for e in even]))
        wanted_temperatures(axes, Band.from_rows(rows), curve, c)
        return figure

    return picture(
        f"Temperature by flow: {label}",
        f"Lowest temperature that melts a flow, with its 95 % interval ({STEEPNESS}), and the set "
        "temperature that keeps the melt leaving equally warm.",
        draw,
    )


def _compared(melts: Sequence[NamedMelt]) -> Picture:
    def draw(c: Colours) -> Figure:
        del c
        figure, (axes,) = new_figure(height_in=3.3)
        limits = {
            named.label: Band.from_rows(
                [_point(at, named.fit.flow_limit(at)) for at in temperatures_C(named.fit)]
            )
            for named in melts
        }
        compared_limits(axes, limits, series())
        return figure

    return picture(
        "Flow limits side by side",
        "Flow limit against temperature of each hot end, nozzle, material and kind of evidence, "
        "with its 95 % band over the temperatures tried.",
        draw,
    )


def _point(x: float, quantity: Quantity) -> tuple[float, float, float, float]:
    low = np.nan if quantity.low is None else quantity.low
    high = np.nan if quantity.high is None else quantity.high
    return x, quantity.value, low, high
