"""Tests on offer for a heater, and what each would add to the information."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater_coverage import Coverage
from hotbench.fitting.heater_result import GRADIENT_STEP, Propagation
from hotbench.fitting.heater_sums import walk_linear, walk_nodes
from hotbench.fitting.heater_tangents import WIDTH
from hotbench.fitting.next_test import NextTest, Proposal, rank
from hotbench.models.heater import PARAMETERS, START, HeaterModel, hold_of
from hotbench.models.heater_steps import P
from hotbench.models.rates import Figure, crossings_s, figure_values

READING_s = 0.5
HOLDS_s = (20.0, 60.0, 300.0)
"""Lengths of hold on offer: the ranking weighs what more seconds bring."""
USUAL_HOLD_s = 60.0
LOW_C = 100.0
FLOW_mm3_per_s = 5.0
EXTRUDE_s = 60.0
LONGEST_PHASE_s = 900.0
UNSEEN = {P.FAN: 0.5, P.FAR_FAN: 0.5, P.EXPONENT: 0.0, P.LOAD: 1e-4}
"""Places nothing was recorded for: fan losses as a share of the plain loss, load per mm3."""
EXPONENT_SPREAD = 0.2


@dataclass(frozen=True)
class _Course:
    """Inputs of an imagined test, sampled every READING_s."""

    command: str
    duty: FloatArray
    fan: FloatArray
    flow: FloatArray


def next_tests(
    propagation: Propagation, model: HeaterModel, seen: Coverage
) -> tuple[NextTest, ...]:
    """The three tests that would shrink the widest headline interval most, best first.

    Headline: heating from cold, cooling without and at full fan, hold duty, heat load, at 20 K
    below the highest temperature seen.
    """
    if seen.strongest <= 0.0:
        return ()
    base = _imagined(propagation.base, model)
    unknown = [place for place in model.places if base[place] > 0.0]
    top_C = float(np.floor(seen.seen_C[1] / 10.0) * 10.0)
    figures = _headline(top_C - 20.0, top_C)
    slopes = _log_slopes(base, unknown, figures)
    known = [bool(np.isfinite(row).all()) for row in slopes]
    noise = propagation.information.rms_K**2 * propagation.information.inflation
    precision = _precision(propagation, unknown, max(noise, 1e-9))
    proposals = [
        _proposal(course, base, model, unknown, max(noise, 1e-9))
        for course in _courses(base, top_C)
    ]
    labels = [figure.label for figure, ok in zip(figures, known, strict=True) if ok]
    return tuple(rank(precision, slopes[known], labels, proposals)) if labels else ()


def _imagined(base: FloatArray, model: HeaterModel) -> FloatArray:
    """The fitted vector with plausible values where nothing was recorded."""
    vector = base.copy()
    for place in (P.FAN, P.FAR_FAN):
        if place in model.places and vector[place] <= 0.0:
            vector[place] = UNSEEN[place] * vector[P.LOSS]
    if vector[P.LOAD] <= 0.0:
        vector[P.LOAD] = UNSEEN[P.LOAD]
    return vector


def _headline(at_C: float, top_C: float) -> list[Figure]:
    return [
        Figure("heating rate", at_C),
        Figure("cooling rate", at_C, top_C, 0.0),
        Figure("cooling rate", at_C, top_C, 0.5),
        Figure("cooling rate", at_C, top_C, 1.0),
        Figure("hold duty", at_C),
        Figure("load", at_C),
    ]


def _log_slopes(base: FloatArray, unknown: Sequence[P], figures: Sequence[Figure]) -> FloatArray:
    """Derivatives (q, d) of the figures' logarithms by the solver's coordinates."""
    slopes = np.zeros((len(figures), len(unknown)))
    for k, place in enumerate(unknown):
        parameter = PARAMETERS[place]
        step = GRADIENT_STEP * (1.0 if parameter.logarithmic else parameter.high - parameter.low)
        sides = []
        for sign in (1.0, -1.0):
            vector = base.copy()
            vector[place] = parameter.outer(parameter.inner(base[place]) + sign * step)
            with np.errstate(invalid="ignore", divide="ignore"):
                sides.append(np.log(figure_values(vector, figures)))
        slopes[:, k] = (sides[0] - sides[1]) / (2.0 * step)
    return slopes


def _precision(propagation: Propagation, unknown: Sequence[P], noise: float) -> FloatArray:
    """What is known already: recorded information over noise, and a wide prior."""
    prior = [_prior_spread(place) ** -2 for place in unknown]
    precision = np.diag(np.asarray(prior))
    gram = propagation.information.products.sum(axis=0)[:-1, :-1]
    at = [
        (unknown.index(P(place)), k)
        for k, place in enumerate(propagation.places)
        if P(place) in unknown
    ]
    into, source = [a for a, _ in at], [k for _, k in at]
    precision[np.ix_(into, into)] += gram[np.ix_(source, source)] / noise
    return precision


def _prior_spread(place: P) -> float:
    if place is P.EXPONENT:
        return EXPONENT_SPREAD
    parameter = PARAMETERS[place]
    return 1.0 if parameter.logarithmic else (parameter.high - parameter.low) / 2.0


def _courses(base: FloatArray, top_C: float) -> list[_Course]:
    """Step tests to two temperatures at three fan speeds, holds, and an extrusion."""
    made = [
        _step(base, to, fan, hold_s)
        for to in (top_C, top_C - 40.0)
        for fan in (0.0, 0.5, 1.0)
        for hold_s in HOLDS_s
    ]
    made += [_hold(base, top_C, hold_s) for hold_s in HOLDS_s]
    return [*made, _extrusion(base, top_C - 20.0)]


def _hold(base: FloatArray, to_C: float, hold_s: float) -> _Course:
    heat = _seconds(base, [to_C], duty=1.0)
    command = f"record hold --to {to_C:g} --duration {hold_s:g}"
    return _course(base, command, to_C, [(heat, 1.0), (hold_s, None)])


def _extrusion(base: FloatArray, to_C: float) -> _Course:
    heat = _seconds(base, [to_C], duty=1.0)
    parts: list[tuple[float, float | None]] = [
        (heat, 1.0),
        (USUAL_HOLD_s, None),
        (EXTRUDE_s, None),
    ]
    command = f"record extrude --temperatures {to_C:g}"
    return _course(base, command, to_C, parts, flow_last=FLOW_mm3_per_s)


def _step(base: FloatArray, to_C: float, fan: float, hold_s: float) -> _Course:
    heat = _seconds(base, [to_C], duty=1.0)
    cool = _seconds(base, [LOW_C], duty=0.0, start_C=to_C, fan=fan)
    command = f"record step --to {to_C:g} --fan {fan:g} --hold {hold_s:g}"
    parts: list[tuple[float, float | None]] = [(heat, 1.0), (hold_s, None), (cool, 0.0)]
    return _course(base, command, to_C, parts, fan_last=fan)


def _seconds(
    base: FloatArray,
    levels_C: Sequence[float],
    *,
    duty: float,
    start_C: float | None = None,
    fan: float = 0.0,
) -> float:
    times = crossings_s(base, np.asarray(levels_C), start_C=start_C, fan=fan, duty=duty)
    return float(min(np.nan_to_num(times[-1], nan=LONGEST_PHASE_s), LONGEST_PHASE_s))


def _course(
    base: FloatArray,
    command: str,
    hold_C: float,
    parts: Sequence[tuple[float, float | None]],
    *,
    fan_last: float = 0.0,
    flow_last: float = 0.0,
) -> _Course:
    """Inputs from (seconds, duty) parts; duty None holds. Fan and flow act in the last part."""
    hold = min(max(hold_of(base, hold_C - base[P.AMBIENT]).duty, 0.0), 1.0)
    counts = [max(round(seconds / READING_s), 2) for seconds, _ in parts]
    levels = [hold if duty is None else duty for _, duty in parts]
    last = np.repeat(np.arange(len(parts)) == len(parts) - 1, counts)
    return _Course(
        command,
        np.repeat(np.asarray(levels, dtype=np.float64), counts),
        np.where(last, fan_last, 0.0),
        np.where(last, flow_last, 0.0),
    )


def _proposal(
    course: _Course, base: FloatArray, model: HeaterModel, unknown: Sequence[P], noise: float
) -> Proposal:
    count = course.duty.size
    time_s = READING_s * np.arange(count, dtype=np.float64)
    rows = np.zeros((count, WIDTH))
    vector = base.copy()
    vector[START] = vector[P.AMBIENT]
    walk = walk_linear if model.linear else walk_nodes
    walk(
        vector,
        time_s,
        time_s,
        np.zeros(count),
        course.duty,
        course.fan,
        course.flow,
        np.full(count, -1, dtype=np.int32),
        np.ones(count),
        np.inf,
        np.zeros(0),
        rows,
        np.zeros((0, WIDTH + 1, WIDTH + 1)),
        np.zeros((0, 0)),
    )
    slopes = np.array([PARAMETERS[place].slope(base[place]) for place in unknown])
    scaled: FloatArray = rows[:, [int(place) for place in unknown]] * slopes
    gram: FloatArray = scaled.T @ scaled / noise
    return Proposal(course.command, float(time_s[-1]), gram)
