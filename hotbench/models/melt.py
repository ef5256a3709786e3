"""Melting in plug flow through a hot bore: Fourier numbers, flow limits, delivered ratio."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Literal, get_args

import numpy as np
from numba import njit, vectorize
from scipy.optimize import brentq
from scipy.special import hyp1f1, j0, j1, jn_zeros

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import unknown_key

Criterion = Literal["centre", "mean"]
CRITERIA: tuple[Criterion, ...] = get_args(Criterion)
"""What must have reached the softening temperature: the centreline, or the section's mean."""
FlowProfile = Literal["plug", "parabolic"]

LOSS_AT_LIMIT = 0.05
LOG_LOSS = -float(np.log1p(-LOSS_AT_LIMIT))
"""0.0513: what ln(delivered ratio) has lost at Q95, where 5 % is missing."""

_TERMS = 120
_ZEROS = jn_zeros(0, _TERMS)
_RATES = _ZEROS**2
_AMPLITUDES = np.vstack((2.0 / (_ZEROS * j1(_ZEROS)), 4.0 / _RATES))
_SHORT_FO = 1e-3
_AXIS_UNTOUCHED_FO = 4e-3
"""Before this the axis has lost less than exp(−1/(4 Fo)), 1e-27."""
_NEGLIGIBLE = 40.0


def criterion_index(criterion: str) -> int:
    """Row of the amplitudes that belongs to a criterion; BadInput for an unknown one."""
    if criterion not in CRITERIA:
        raise unknown_key(criterion, CRITERIA, where="melt criterion")
    return CRITERIA.index(criterion)


@njit(cache=True)
def _excess_and_slope(fo: float, row: int) -> tuple[float, float]:
    """Excess and its derivative by the Fourier number; short times by the exact expansion."""
    if row == 1 and fo < _SHORT_FO:
        root = np.sqrt(fo / np.pi)
        value = 1.0 - 4.0 * root + fo + fo * root / 3.0
        return value, -2.0 * root / fo + 1.0 + 0.5 * root
    if row == 0 and fo < _AXIS_UNTOUCHED_FO:
        return 1.0, 0.0
    value, slope = 0.0, 0.0
    for i in range(_TERMS):
        if _RATES[i] * fo > _NEGLIGIBLE + _RATES[0] * fo:
            break
        term = _AMPLITUDES[row, i] * np.exp(-_RATES[i] * fo)
        value += term
        slope -= _RATES[i] * term
    return value, slope


@njit(cache=True)
def _start(excess: float, row: int) -> float:
    """A point from which Newton's method on ln(excess) approaches the root from one side."""
    one_term = np.log(_AMPLITUDES[row, 0] / excess) / _RATES[0]
    if row == 0:
        return float(one_term)
    return float(max(one_term, np.pi * ((1.0 - excess) / 4.0) ** 2))


@njit(cache=True)
def fourier_and_slope(excess: float, row: int) -> tuple[float, float]:
    """Fourier number at which `excess` remains, and its derivative by `excess`."""
    fo = _start(excess, row)
    for _ in range(60):
        value, slope = _excess_and_slope(fo, row)
        step = (np.log(value) - np.log(excess)) * value / slope
        fo -= step
        if abs(step) < 1e-13 * fo:
            break
    value, slope = _excess_and_slope(fo, row)
    return fo, 1.0 / slope


@vectorize(["float64(float64, int64)"], cache=True)  # type: ignore[untyped-decorator, no-untyped-call]
def _fourier(excess: float, row: int) -> float:
    if not 0.0 < excess < 1.0:
        return np.nan
    return fourier_and_slope(excess, row)[0]


@vectorize(["float64(float64, int64)"], cache=True)  # type: ignore[untyped-decorator, no-untyped-call]
def _excess(fo: float, row: int) -> float:
    if fo <= 0.0:
        return 1.0
    return _excess_and_slope(fo, row)[0]


def excess_at(fourier: Any, criterion: Criterion = "centre") -> Any:
    """Excess (wall − filament)/(wall − feed) at a Fourier number, wall held at temperature.

    Full series of the infinite cylinder: Σ 2/(λ J1(λ)) exp(−λ² Fo) on the axis and
    Σ 4/λ² exp(−λ² Fo) in the mean, J0(λ) = 0 (Carslaw and Jaeger, Conduction of Heat in Solids,
    chapter 7). Arrays or numbers.
    """
    return _excess(fourier, criterion_index(criterion))


def fourier_number(excess: Any, criterion: Criterion = "centre") -> Any:
    """Fourier number at which `excess` remains; NaN outside 0 to 1. Arrays or numbers."""
    return _fourier(excess, criterion_index(criterion))


def flow_limit_mm3_per_s(
    temperature_C: Any,
    alpha_L_mm3_per_s: float,
    softening_C: float,
    *,
    feed_C: float,
    criterion: Criterion = "centre",
) -> Any:
    """Largest flow that still softens: Q = π α L / Fo(θ), θ = (T − Ts)/(T − Tfeed).

    In plug flow Fo = α π L/Q, the radius cancels. α·L in mm³/s (mm²/s times mm); 0 at and below
    the softening temperature. Arrays or numbers.
    """
    excess = (np.asarray(temperature_C, float) - softening_C) / (
        np.asarray(temperature_C, float) - feed_C
    )
    melts = excess > 0.0
    flow = np.pi * alpha_L_mm3_per_s / fourier_number(np.where(melts, excess, 0.5), criterion)
    limit = np.where(melts, flow, 0.0)
    return limit if limit.ndim else float(limit)


def minimum_temperature_C(
    flow_mm3_per_s: float,
    alpha_L_mm3_per_s: float,
    softening_C: float,
    *,
    feed_C: float,
    criterion: Criterion = "centre",
) -> float:
    """The temperature at which `flow_mm3_per_s` is the limit: the inverse, in closed form.

    With Fo known, θ follows and T = (Ts − θ Tfeed)/(1 − θ). NaN when no wall temperature does
    (θ rounds to 1: the flow is far beyond any limit).
    """
    if flow_mm3_per_s <= 0.0:
        return softening_C
    excess = float(excess_at(np.pi * alpha_L_mm3_per_s / flow_mm3_per_s, criterion))
    if 1.0 - excess < 1e-6:
        return float("nan")
    return (softening_C - excess * feed_C) / (1.0 - excess)


def exit_temperature_C(
    wall_C: Any, flow_mm3_per_s: Any, alpha_L_mm3_per_s: Any, *, feed_C: float
) -> Any:
    """Mean temperature of the melt that leaves the bore, °C. Arrays or numbers."""
    gone = 1.0 - excess_at(np.pi * alpha_L_mm3_per_s / np.asarray(flow_mm3_per_s, float), "mean")
    return feed_C + (np.asarray(wall_C, float) - feed_C) * gone


def constant_exit_wall_C(
    flow_mm3_per_s: Any,
    alpha_L_mm3_per_s: Any,
    *,
    feed_C: float,
    reference_wall_C: float,
    reference_flow_mm3_per_s: float,
) -> Any:
    """Wall temperature that keeps the mean exit temperature of the reference, by flow, °C."""
    exit_C = exit_temperature_C(
        reference_wall_C, reference_flow_mm3_per_s, alpha_L_mm3_per_s, feed_C=feed_C
    )
    gone = 1.0 - excess_at(np.pi * alpha_L_mm3_per_s / np.asarray(flow_mm3_per_s, float), "mean")
    return feed_C + (exit_C - feed_C) / gone


def delivered_ratio(
    flow_mm3_per_s: Any,
    limit_mm3_per_s: Any,
    exponent: float,
    full_ratio: float = 1.0,
    log_loss: float = LOG_LOSS,
) -> Any:
    """Delivered over commanded amount: ln η = ln e0 − 0.0513 (Q/Q95)^p. Arrays or numbers.

    `log_loss` other than 0.0513 makes the limit that of another remaining share, exp(−log_loss).
    """
    load = np.asarray(flow_mm3_per_s, float) / np.asarray(limit_mm3_per_s, float)
    return full_ratio * np.exp(-log_loss * load**exponent)


def saturation_flow_mm3_per_s(headroom_K_per_s: float, load_K_per_mm3: float) -> float:
    """Flow at which the heater's spare heating rate is used up, mm³/s.

    headroom: heating rate still available at the temperature, K/s. load: cooling by the
    filament, K/s for every mm³/s. Infinite when filament does not load the heater.
    """
    if headroom_K_per_s <= 0.0:
        return 0.0
    return headroom_K_per_s / load_K_per_mm3 if load_K_per_mm3 > 0.0 else float("inf")


def governing_flow(melt_mm3_per_s: float, heater_mm3_per_s: float) -> tuple[float, str]:
    """The lower of the two limits and what sets it: 'melting' or 'heater power'."""
    if heater_mm3_per_s < melt_mm3_per_s:
        return heater_mm3_per_s, "heater power"
    return melt_mm3_per_s, "melting"


def _roots(function: Callable[[float], float], count: int, step: float) -> FloatArray:
    """The first `count` positive roots, found by sign changes on a grid of `step`."""
    roots: list[float] = []
    left = step * 1e-6
    while len(roots) < count:
        right = left + step
        if function(left) * function(right) < 0.0:
            roots.append(float(brentq(function, left, right, xtol=1e-13)))
        left = right
    return np.array(roots)


@lru_cache(maxsize=64)
def _contact_roots(biot: float, count: int) -> FloatArray:
    return _roots(lambda x: float(x * j1(x) - biot * j0(x)), count, 0.1)


def contact_series(biot: float, terms: int = 60) -> tuple[FloatArray, FloatArray]:
    """Eigenvalues λ and axis amplitudes C of a cylinder with wall contact Bi = h R/k.

    λ J1(λ) = Bi J0(λ), C = 2 J1/(λ (J0² + J1²)) (Incropera, Fundamentals of Heat and Mass
    Transfer, section 5.6). Excess on the axis is Σ C exp(−λ² Fo); the mean has C·2 J1(λ)/λ.
    """
    roots = _contact_roots(float(biot), terms)
    return roots, 2.0 * j1(roots) / (roots * (j0(roots) ** 2 + j1(roots) ** 2))


@lru_cache(maxsize=8)
def graetz_eigenvalues(count: int) -> FloatArray:
    """Eigenvalues of parabolic flow in a tube with constant wall temperature.

    Zeros of exp(−λ/2) M(1/2 − λ/4, 1, λ) in λ (Graetz problem in Kummer's function).
    """
    return _roots(lambda x: float(np.exp(-x / 2.0) * hyp1f1(0.5 - x / 4.0, 1.0, x)), count, 0.5)


def nusselt_number(profile: FlowProfile) -> float:
    """Fully developed Nusselt number, wall at constant temperature: plug 5.783, parabolic 3.657.

    Plug flow: the square of J0's first zero. Parabolic flow: half the square of the first
    Graetz eigenvalue. The filament starts as a plug; the melt tends to the parabola.
    """
    if profile == "plug":
        return float(_RATES[0])
    return float(graetz_eigenvalues(1)[0] ** 2 / 2.0)
