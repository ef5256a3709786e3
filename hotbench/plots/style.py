"""One look for every figure: colours told apart by everyone, direct labels, quiet axes."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

Theme = Literal["light", "dark"]

WIDTH_IN = 6.2
"""Text width of a printed page, inches; shrunk to a column of 3.5 in, no text is below 5 pt."""
LABEL_GAP_pt = 11.0
POINTS_PER_IN = 72.0


@dataclass(frozen=True, slots=True)
class Colours:
    """Colours by role, from the palette of Okabe and Ito (2008), safe for colour-blind readers."""

    measured: str = "#0072B2"
    predicted: str = "#D55E00"
    setpoint: str = "#6F7880"
    duty: str = "#B87A00"
    fan: str = "#3A94C9"
    limit: str = "#A8447F"
    good: str = "#00805C"
    ink: str = "#22303A"
    ground: str = "#FFFFFF"
    grid: str = "#E3E7EA"


LIGHT = Colours()
DARK = Colours(
    measured="#56B4E9",
    predicted="#F0894A",
    setpoint="#A7B0B8",
    duty="#E6B84C",
    fan="#8FD0F5",
    limit="#E08FBF",
    good="#3CC79C",
    ink="#E4EAEE",
    ground="#161C21",
    grid="#323C44",
)


def colours(theme: Theme = "light") -> Colours:
    """The colours of a theme."""
    return LIGHT if theme == "light" else DARK


READABLE = 4.5
"""Least contrast of text to its ground, Web Content Accessibility Guidelines 2.2, 1.4.3."""


def luminance(colour: str) -> float:
    """Relative luminance of a colour, 0 to 1 (the same guidelines)."""
    parts = np.asarray(mpl.colors.to_rgb(colour))
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast(colour: str, ground: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (the same guidelines)."""
    low, high = sorted((luminance(colour), luminance(ground)))
    return (high + 0.05) / (low + 0.05)


def readable(colour: str, ground: str = LIGHT.ground) -> str:
    """A colour for text: as dark or as bright as it takes to be read on `ground`."""
    far = 0.0 if luminance(ground) > 0.5 else 1.0
    red, green, blue = mpl.colors.to_rgb(colour)
    shades = (
        mpl.colors.to_hex((_towards(red, far, s), _towards(green, far, s), _towards(blue, far, s)))
        for s in np.arange(0.0, 1.0, 0.04)
    )
    return next((shade for shade in shades if contrast(shade, ground) >= READABLE), colour)


def _towards(start: float, end: float, share: float) -> float:
    return start + (end - start) * share


def series(theme: Theme = "light") -> tuple[str, ...]:
    """Colours for curves of equal rank, in the order to use them."""
    c = colours(theme)
    return (c.measured, c.predicted, c.good, c.limit, c.duty, c.fan)


def _settings(c: Colours) -> dict[str, object]:
    return {
        "figure.facecolor": c.ground,
        "savefig.facecolor": c.ground,
        "axes.facecolor": c.ground,
        "axes.edgecolor": c.setpoint,
        "axes.labelcolor": c.ink,
        "axes.titlecolor": c.ink,
        "axes.titlelocation": "left",
        "axes.titlesize": 10.5,
        "axes.titleweight": "bold",
        "axes.labelsize": 9.5,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": c.grid,
        "grid.linewidth": 0.8,
        "xtick.color": c.ink,
        "ytick.color": c.ink,
        "xtick.labelsize": 9,
        "ytick.labelsize": 9,
        "text.color": c.ink,
        "legend.frameon": False,
        "legend.fontsize": 9,
        "lines.linewidth": 1.6,
        "lines.solid_capstyle": "round",
        "svg.fonttype": "none",
        "svg.hashsalt": "hotbench",
        "font.family": "sans-serif",
        # The file names these in turn, so that it keeps its shape where the first is missing.
        "font.sans-serif": ["DejaVu Sans", "Verdana", "sans-serif"],
        "font.size": 9.5,
    }


@contextmanager
def styled(theme: Theme = "light") -> Iterator[Colours]:
    """Everything drawn inside carries the house style; yields the theme's colours."""
    c = colours(theme)
    with mpl.rc_context(_settings(c)):  # type: ignore[arg-type]
        yield c


def new_figure(
    rows: int = 1, *, height_in: float = 3.0, ratios: tuple[float, ...] | None = None
) -> tuple[Figure, list[Axes]]:
    """A figure of the house's width with `rows` axes that share their x axis."""
    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained", dpi=110)
    axes = figure.subplots(
        rows, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios or [1.0] * rows}
    )
    figure.align_ylabels(axes[:, 0])
    return figure, [row[0] for row in axes]


@dataclass(frozen=True, slots=True)
class End:
    """A curve's last point and the name to write beside it."""

    x: float
    y: float
    text: str
    colour: str

    @classmethod
    def of(cls, x: ArrayLike, y: ArrayLike, text: str, colour: str) -> "End | None":
        """At the last known value of a curve; None where nothing is known."""
        known = np.flatnonzero(np.isfinite(np.asarray(y, dtype=np.float64)))
        if not known.size:
            return None
        last = known[-1]
        return cls(float(np.asarray(x)[last]), float(np.asarray(y)[last]), text, colour)


def label_ends(axes: Axes, ends: Iterable[End | None]) -> None:
    """Name curves beside their last points instead of in a legend, kept apart where these are near.

    Call it when the limits of the axes stand.
    """
    found = sorted((end for end in ends if end is not None), key=lambda end: end.y)
    axes.autoscale_view()  # settles limits that were left to the data
    ground = mpl.colors.to_hex(axes.get_facecolor())
    scale_pt = axes.get_window_extent().height * POINTS_PER_IN / axes.figure.dpi
    at_pt = [scale_pt * _height(axes, end) for end in found]
    for end, natural_pt, placed_pt in zip(found, at_pt, spread(at_pt, LABEL_GAP_pt), strict=True):
        axes.annotate(
            end.text,
            (end.x, end.y),
            xytext=(5, placed_pt - natural_pt),
            textcoords="offset points",
            color=readable(end.colour, ground),
            va="center",
            fontsize=9,
            annotation_clip=False,
        )


def spread(at: Sequence[float], gap: float) -> list[float]:
    """Sorted positions moved apart until neighbours differ by `gap`, clumps about their middle."""
    clumps: list[list[float]] = []
    for position in at:
        clumps.append([position])
        while len(clumps) > 1 and _first(clumps[-1], gap) - _last(clumps[-2], gap) < gap:
            clumps[-2:] = [clumps[-2] + clumps[-1]]
    return [_first(clump, gap) + gap * k for clump in clumps for k in range(len(clump))]


def _first(clump: Sequence[float], gap: float) -> float:
    return sum(clump) / len(clump) - gap * (len(clump) - 1) / 2.0


def _last(clump: Sequence[float], gap: float) -> float:
    return _first(clump, gap) + gap * (len(clump) - 1)


def _height(axes: Axes, end: End) -> float:
    """Height of a point as a fraction of the axes."""
    display = axes.transData.transform((end.x, end.y))
    return float(axes.transAxes.inverted().transform(display)[1])
