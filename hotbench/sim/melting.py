"""How much filament a melt zone can melt: radial finite volumes, and the roll-off beyond."""

import math
from enum import IntEnum
from functools import lru_cache
from typing import Literal

import numpy as np
from numba import njit
from scipy.linalg import eigh_tridiagonal

from hotbench.core.arrays import FloatArray

RADIAL_CELLS = 120
LOSS_AT_LIMIT = 0.05
"""Share that is missing from the delivered amount at the flow limit."""

Criterion = Literal["centre", "mean"]


class Rolloff(IntEnum):
    """Shape of the delivered ratio against flow over flow limit."""

    HILL = 0
    KNEE = 1


@lru_cache(maxsize=512)
def cooling_curve(biot: float, criterion: Criterion) -> tuple[FloatArray, FloatArray]:
    """Dimensionless excess (wall minus filament over wall minus feed) against Fourier number.

    Cylinder, uniform start, wall conductance `biot` = h R / k, finite volumes in the radius and
    exact in time (the discrete operator is made symmetric and diagonalised). Returns (fo, excess),
    fo rising and excess falling.
    """
    width = 1.0 / RADIAL_CELLS
    faces = np.arange(RADIAL_CELLS + 1) * width
    volume = (faces[1:] ** 2 - faces[:-1] ** 2) / 2.0
    link = faces[1:-1] / width
    wall = 1.0 / (1.0 / biot + width / 2.0)
    leaving = np.concatenate([link, [wall]]) + np.concatenate([[0.0], link])
    rate, shape = eigh_tridiagonal(-leaving / volume, link / np.sqrt(volume[1:] * volume[:-1]))
    weight = np.sqrt(volume)
    seen = np.eye(RADIAL_CELLS)[0] if criterion == "centre" else volume / volume.sum()
    amplitude = (shape.T @ weight) * (shape.T @ (seen / weight))
    fo = np.geomspace(1e-4, 20.0 * (1.0 + 1.0 / biot), 800)
    return fo, np.exp(np.outer(fo, rate)) @ amplitude


def fourier_to_melt(
    wall_C: float, feed_C: float, melt_C: float, biot: float, criterion: Criterion
) -> float:
    """Fourier number at which the criterion temperature reaches `melt_C`; else inf."""
    if wall_C <= melt_C:
        return math.inf
    fo, excess = cooling_curve(biot, criterion)
    wanted = (wall_C - melt_C) / (wall_C - feed_C)
    return float(np.exp(np.interp(-wanted, -excess, np.log(fo))))


def flow_limit_mm3_per_s(
    wall_C: float,
    *,
    feed_C: float,
    melt_C: float,
    biot: float,
    criterion: Criterion,
    diffusivity_mm2_per_s: float,
    zone_mm: float,
) -> float:
    """Flow at which plug flow through a bore of length `zone_mm` just melts; radius cancels."""
    fo = fourier_to_melt(wall_C, feed_C, melt_C, biot, criterion)
    return math.pi * diffusivity_mm2_per_s * zone_mm / fo


@njit(cache=True)
def delivered_ratio(load: float, shape: int, exponent: float, full: float) -> float:
    """Delivered over commanded volume at `load` = flow / flow limit; 0.95 `full` at load 1.

    Hill: the loss grows as load^exponent without bound. Knee: the delivered flow tends to a
    ceiling.
    """
    if not load < np.inf:
        return 0.0
    if shape == Rolloff.HILL:
        return float(full / (1.0 + LOSS_AT_LIMIT / (1.0 - LOSS_AT_LIMIT) * load**exponent))
    excess = (1.0 - LOSS_AT_LIMIT) ** -exponent - 1.0
    return float(full / (1.0 + excess * load**exponent) ** (1.0 / exponent))
