"""Which figures a heater fit states, on what basis, and which it refuses."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Basis
from hotbench.fitting.heater_coverage import FAN_ON, Coverage, Unidentified
from hotbench.fitting.heater_result import FigureRow, Propagation, quantity
from hotbench.fitting.intervals import SHARES, Share
from hotbench.models.heater_steps import P
from hotbench.models.rates import RATE_WINDOW_K, Figure, figure_values

STEP_K = 20.0
LOWEST_RISE_K = 60.0
HOLD_START_C = 150.0
REFUSED_SHARE = 0.5
"""A figure whose 95 % half-width exceeds this share of its value is not stated."""
STANDARD_FANS = (0.0, 0.5, 1.0)
EXPONENTS = (0.4, 0.8)
"""Forced convection grows with the air speed to this power, laminar to turbulent (Incropera)."""


@dataclass(frozen=True)
class Tables:
    """Figures that are stated, and those refused with their remedy."""

    rows: tuple[FigureRow, ...]
    refused: tuple[Unidentified, ...]

    def of(self, kind: str) -> tuple[FigureRow, ...]:
        """The rows of one kind."""
        return tuple(row for row in self.rows if row.figure.kind == kind)


def default_temperatures(seen: Coverage, ambient_C: float) -> list[float]:
    """Every 20 K from 60 K above ambient to what was reached, less the rates' window and lag."""
    low = np.ceil((ambient_C + LOWEST_RISE_K) / STEP_K) * STEP_K
    high = seen.seen_C[1] - 2.0 * RATE_WINDOW_K
    return [float(t) for t in np.arange(low, high + 1e-9, STEP_K)]


def wanted(seen: Coverage, temperatures_C: Sequence[float], top_C: float) -> list[Figure]:
    """All figures the data may carry."""
    fans = sorted({*STANDARD_FANS, *seen.fans}) if seen.fans else [0.0]
    figures = [Figure("combined lag")]
    for t in temperatures_C:
        if seen.heated_C:
            figures += [Figure("heating rate", t), Figure("rise time", t)]
            warm = t >= HOLD_START_C + STEP_K
            figures += [Figure("heating rate", t, HOLD_START_C)] if warm else []
        if seen.sheds:
            figures += [Figure("cooling rate", t, top_C, fan) for fan in fans]
        if seen.sheds and seen.strongest > FAN_ON:
            figures += [Figure("hold duty", t, None, fan) for fan in fans]
            figures += [Figure("settling time", t)]
        if seen.flows:
            figures += [Figure("load", t)]
    return figures


def tables(
    propagation: Propagation, figures: Sequence[Figure], seen: Coverage, *, assumed_exponent: bool
) -> Tables:
    """Values, intervals and bases; figures never reached are left out, vague ones refused."""

    def derived(vector: FloatArray) -> FloatArray:
        return figure_values(vector, figures)

    values, widths = propagation.widths(derived, [share_of(figure) for figure in figures])
    if assumed_exponent and seen.fans:
        widths = np.hypot(widths, _exponent_width(propagation.base, figures, seen.fans[0]))
    rows, refused = [], []
    for figure, value, width in zip(figures, values, widths, strict=True):
        if not np.isfinite(value) or (figure.kind == "hold duty" and not 0.0 <= value <= 1.0):
            continue
        if width > REFUSED_SHARE * abs(value):
            refused.append(_refusal(figure, value, width))
            continue
        basis = basis_of(figure, seen, assumed_exponent=assumed_exponent)
        rows.append(FigureRow(figure, quantity(value, width, figure.unit, basis)))
    return Tables(tuple(rows), tuple(refused))


def share_of(figure: Figure) -> Share:
    """Relative model error by the residual; forced cooling is modelled worst."""
    fanned = figure.kind == "cooling rate" and figure.fan > FAN_ON
    return SHARES["fan cooling rate" if fanned else figure.kind]


def _exponent_width(base: FloatArray, figures: Sequence[Figure], fan: float) -> FloatArray:
    """Half the figures' range over the plausible exponents; the effect at the seen fan stays."""
    sides = []
    for exponent in EXPONENTS:
        vector = base.copy()
        vector[P.EXPONENT] = exponent
        vector[[P.FAN, P.FAR_FAN]] *= fan ** (base[P.EXPONENT] - exponent)
        sides.append(figure_values(vector, figures))
    width: FloatArray = np.nan_to_num(0.5 * np.abs(sides[1] - sides[0]))
    return width


def _refusal(figure: Figure, value: float, width: float) -> Unidentified:
    share = 100.0 * width / max(abs(value), 1e-12)
    reason = f"the interval is ±{min(share, 999.0):.0f} % of the value"
    fan = f" --fan {figure.fan:g}" if figure.kind in ("cooling rate", "hold duty") else ""
    to = "" if np.isnan(figure.temperature_C) else f" --to {figure.temperature_C + STEP_K:g}"
    test = "record extrude" if figure.kind == "load" else f"record step{to}{fan}"
    return Unidentified(figure.label, reason, test)


def basis_of(figure: Figure, seen: Coverage, *, assumed_exponent: bool) -> Basis:
    """Fitted inside the recorded conditions, extrapolated outside, assumed for unseen fans."""
    if figure.kind == "combined lag":
        return "fitted"
    fan_known = figure.fan <= FAN_ON or figure.fan in seen.fans
    if not fan_known and assumed_exponent:
        return "assumed"
    span = seen.seen_C
    if figure.kind in ("heating rate", "rise time"):
        span = seen.heated_C or span
    elif figure.kind == "cooling rate":
        near = [s for fan, s in seen.cooled_C.items() if fan == figure.fan]
        span = near[0] if near else (np.inf, -np.inf) if figure.fan <= FAN_ON else span
    inside = span[0] - RATE_WINDOW_K <= figure.temperature_C <= span[1] + RATE_WINDOW_K
    return "fitted" if inside else "extrapolated"
