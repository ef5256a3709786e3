"""One look for every figure: colours told apart by everyone, direct labels, quiet axes."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

Theme = Literal["light", "dark"]

COLUMN_WIDTH_IN = 7.2
"""Text width of a printed page, inches; figures stay readable at half of it."""


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
        "font.family": "DejaVu Sans",
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
    figure = Figure(figsize=(COLUMN_WIDTH_IN, height_in), layout="constrained", dpi=110)
    axes = figure.subplots(
        rows, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios or [1.0] * rows}
    )
    figure.align_ylabels(axes[:, 0])
    return figure, [row[0] for row in axes]


def label_at_end(axes: Axes, x: float, y: float, text: str, colour: str) -> None:
    """Name a curve beside its last point instead of in a legend."""
    axes.annotate(
        text,
        (x, y),
        xytext=(5, 0),
        textcoords="offset points",
        color=colour,
        va="center",
        fontsize=9,
        annotation_clip=False,
    )
