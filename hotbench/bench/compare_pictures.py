"""Figures of a comparison: changes with intervals, curves and traces laid over each other."""

import math
from collections.abc import Iterator, Mapping, Sequence
from functools import partial

import numpy as np
from matplotlib.figure import Figure

from hotbench.bench.figures import Picture, picture
from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.ladders import DIRECTIONS
from hotbench.fitting.ramps import RampTrial, trials_of
from hotbench.plots import compare as drawn
from hotbench.plots import curves
from hotbench.plots.style import Colours, new_figure, series, styled
from hotbench.profile.diff import Comparison, Difference
from hotbench.profile.summary import LABELS
from hotbench.profile.types import MachineProfile, Row

MOST_CHANGES = 24
"""Changes drawn: beyond this nobody reads the labels; the table has them all."""
ROW_IN = 0.22
USUAL_C, USUAL_DIP_C = 220.0, 190.0
SIDES = ("before", "after")
Runs = tuple[Sequence[Run], Sequence[Run]]
"""Those of before, those of after; empty where a profile was given."""


def pictures(
    before: MachineProfile, after: MachineProfile, runs: Runs, found: Comparison
) -> Iterator[Picture]:
    """Changes, curves that both profiles state, and the runs that both sides recorded alike."""
    shown = _changes(found)
    if shown:
        yield picture(
            "Changes",
            "Each number after against before, with the interval of the change; filled where the "
            "interval leaves out zero.",
            lambda c: _draw_changes(shown, c),
        )
    yield from _curves(before, after)
    yield from _ladders(runs)
    yield from _traces(runs)


def changes_figure(found: Comparison) -> Figure:
    """The changes alone, for a picture file."""
    with styled() as c:
        return _draw_changes(_changes(found), c)


def _changes(found: Comparison) -> list[drawn.Change]:
    """Per kind and condition the row nearest to a usual print, those beyond chance first.

    The model's parameters are left out: they are effective figures of the fit.
    """
    nearest: dict[tuple[object, ...], Difference] = {}
    for d in found.differences:
        group = (d.kind, *(v for k, v in d.keys.items() if not k.endswith("_C")))
        if d.percent is not None and not d.kind.startswith("heater.parameters"):
            nearest[group] = min((d, nearest.get(group, d)), key=_distance_K)
    ranked = sorted(nearest.values(), key=lambda d: not d.significant)
    return [_change(d, d.percent) for d in ranked if d.percent is not None][:MOST_CHANGES]


def _distance_K(d: Difference) -> float:
    usual = {"temperature_C": USUAL_C, "from_C": USUAL_C, "to_C": USUAL_DIP_C}
    return sum(abs(float(str(d.keys[key])) - at) for key, at in usual.items() if key in d.keys)


def _change(d: Difference, percent: Quantity) -> drawn.Change:
    ends = (percent.value, percent.low, percent.high)
    ratio, low, high = (math.nan if end is None else 1.0 + end / 100.0 for end in ends)
    return drawn.Change(_label(d), ratio, low, high, bool(d.significant))


def _label(d: Difference) -> str:
    """Such as 'heats, 220 °C, cold'."""
    name = LABELS.get(d.kind, d.kind.rpartition(".")[2].replace("_", " "))
    return f"{name}, {d.condition}" if d.condition else name


def _draw_changes(rows: Sequence[drawn.Change], c: Colours) -> Figure:
    figure, (axes,) = new_figure(height_in=1.0 + ROW_IN * max(len(rows), 3))
    drawn.changes(axes, rows, c)
    return figure


def _curves(before: MachineProfile, after: MachineProfile) -> Iterator[Picture]:
    """Rates and limits by temperature that both profiles state for one condition."""
    for title, y_label, rows in _tables(before, after):
        known = {name: [_point(row) for row in own] for name, own in rows.items()}
        if all(len(own) > 1 for own in known.values()):
            bands = {name: curves.Band.from_rows(own) for name, own in known.items()}
            caption = f"{title} before and after, with intervals."
            yield picture(title, caption, partial(_draw_bands, bands, y_label))


def _tables(
    before: MachineProfile, after: MachineProfile
) -> Iterator[tuple[str, str, Mapping[str, Sequence[Row]]]]:
    sides = {"before": before, "after": after}
    heaters = {name: side.heater for name, side in sides.items() if side.heater}
    if len(heaters) == 2:
        yield (
            "Heating from cold",
            "heating rate / K/s",
            {n: [r for r in h.heating_rate if r.start == "cold"] for n, h in heaters.items()},
        )
        yield (
            "Cooling without fan",
            "cooling rate / K/s",
            {n: [r for r in h.cooling_rate if not r.fan] for n, h in heaters.items()},
        )
    melts = {name: side.melt for name, side in sides.items() if side.melt}
    if len(melts) == 2:
        limits = {name: melt.flow_limit for name, melt in melts.items()}
        yield "Flow limit", "flow / mm³/s", limits


def _point(row: Row) -> tuple[float, float, float, float]:
    quantity = row.quantity
    low = math.nan if quantity.low is None else quantity.low
    high = math.nan if quantity.high is None else quantity.high
    return float(str(row.keys["temperature_C"])), quantity.value, low, high


def _draw_bands(bands: Mapping[str, curves.Band], y_label: str, _: Colours) -> Figure:
    figure, (axes,) = new_figure()
    curves.bands(axes, bands, series(), x_label="temperature / °C", y_label=y_label)
    return figure


def _ladders(runs: Runs) -> Iterator[Picture]:
    """Deviation against rate of the ramps of both sides, for each direction that both tried."""
    ladders = [[run for run in side if run.info.procedure == "ramp"] for side in runs]
    trials = [trials_of(side) for side in ladders]
    levels = [[_level_K(run) for run in side] for side in ladders]
    known = {name: of[0] for name, of in zip(SIDES, levels, strict=True) if of and of[0]}
    for way in DIRECTIONS:
        sides = {
            name: _whole(found, way)
            for name, found in zip(SIDES, trials, strict=True)
            if _whole(found, way)[0].size
        }
        if len(sides) == len(SIDES):
            yield picture(
                f"Ramps {way}, before and after",
                "Largest deviation of each whole ramp from its setpoint, and the level at which "
                "the board faults, where it was stated (dashed).",
                partial(_draw_ladders, sides, known),
            )


def _level_K(run: Run) -> float | None:
    stated = run.info.settings.get("fault_deviation_K")
    return float(stated) if isinstance(stated, int | float) else None


def _whole(trials: Sequence[RampTrial], way: str) -> tuple[FloatArray, FloatArray]:
    own = [trial for trial in trials if trial.direction == way and trial.clean]
    return (
        np.array([trial.rate_K_per_s for trial in own]),
        np.array([trial.deviation_K for trial in own]),
    )


def _draw_ladders(
    sides: Mapping[str, tuple[FloatArray, FloatArray]], levels_K: Mapping[str, float], _: Colours
) -> Figure:
    figure, (axes,) = new_figure(height_in=3.1)
    drawn.deviations(axes, sides, levels_K)
    return figure


def _traces(runs: Runs) -> Iterator[Picture]:
    """The first run of each test that both sides recorded."""
    for procedure in ("step", "dip", "ramp"):
        firsts = [
            next((run for run in own if run.info.procedure == procedure), None) for own in runs
        ]
        before, after = firsts
        if before is not None and after is not None:
            caption = f"The {procedure} test of both sides, from the first command to heat."
            yield picture(f"Recorded {procedure}", caption, partial(_draw_overlay, before, after))


def _draw_overlay(before: Run, after: Run, c: Colours) -> Figure:
    figure, (axes,) = new_figure()
    drawn.overlay(axes, before, after, c)
    return figure
