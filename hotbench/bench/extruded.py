"""How the heater fared during each extrusion, and which entries were left out and why."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hotbench.bench.tables import Table, number
from hotbench.core.records import Extrusion, Run
from hotbench.fitting.melt_points import EVIDENCE
from hotbench.procedures import phases
from hotbench.store.weighings import REJECTED, rejections_noted

HEADS = ("run", "extrusion", "°C", "mm³/s", "delivered", "sag / K", "mean duty", "highest duty")
FULL_DUTY = 0.98
"""Duty from which on the heater has nothing left; a board's steps keep it just below one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strain:
    """What one extrusion asked of the heater.

    number: from 1, in the run. sag_K: setpoint less the lowest reading while it lasted, 0 at least.
    duty: fraction, None where the board does not report it.
    """

    number: int
    extrusion: Extrusion
    sag_K: float
    mean_duty: float | None
    highest_duty: float | None


def strains(run: Run) -> tuple[Strain, ...]:
    """One entry per recorded extrusion whose samples are there, in order."""
    found, stretches = [], list(_stretches(run))
    for n, shot in enumerate(run.extrusions, start=1):
        name = phases.extrude(shot.setpoint_C, shot.commanded_mm3_per_s)
        place = next((i for i, (phase, _) in enumerate(stretches) if phase == name), None)
        if place is not None:
            found.append(_strain(n, shot, run, stretches[place][1]))
            del stretches[: place + 1]
    return tuple(found)


def _stretches(run: Run) -> Iterator[tuple[str, slice]]:
    """Phases in order, each with its samples."""
    if not len(run):
        return
    starts = [0, *(np.flatnonzero(run.phase[1:] != run.phase[:-1]) + 1), len(run)]
    for first, end in pairwise(starts):
        yield str(run.phase[first]), slice(int(first), int(end))


def _strain(n: int, shot: Extrusion, run: Run, samples: slice) -> Strain:
    duty = run.duty[samples]
    known = duty[np.isfinite(duty)]
    lowest_C = float(np.min(run.temperature_C[samples]))
    return Strain(
        number=n,
        extrusion=shot,
        sag_K=max(shot.setpoint_C - lowest_C, 0.0),
        mean_duty=float(known.mean()) if known.size else None,
        highest_duty=float(known.max()) if known.size else None,
    )


def strain_tables(runs: Sequence[Run]) -> Iterator[Table]:
    """Sag and duty of every extrusion; the caption counts those that had the heater at its end."""
    shown = [(run.info.run_id, strain) for run in runs for strain in strains(run)]
    if not shown:
        return
    spent = sum((strain.highest_duty or 0.0) >= FULL_DUTY for _, strain in shown)
    caption = "heater during each extrusion"
    if spent:
        caption += f"; at full power in {spent} of {len(shown)}"
    rows = tuple(_row(run_id, strain) for run_id, strain in shown)
    yield Table(caption, HEADS, rows, frozenset(range(1, len(HEADS))))


def _row(run_id: str, strain: Strain) -> tuple[str, ...]:
    shot = strain.extrusion
    return (
        run_id,
        str(strain.number),
        number(shot.setpoint_C),
        number(shot.commanded_mm3_per_s),
        _delivered(shot),
        number(strain.sag_K, 2),
        *("-" if d is None else number(d, 2) for d in (strain.mean_duty, strain.highest_duty)),
    )


def _delivered(shot: Extrusion) -> str:
    amounts = ((shot.delivered_mass_g, "g"), (shot.delivered_mm, "mm"), (shot.bond_force_N, "N"))
    told = [f"{number(amount, 4)} {unit}" for amount, unit in amounts if amount is not None]
    return ", ".join(told) or "-"


def left_out_table(
    runs: Sequence[Run], excluded: Mapping[str, Mapping[int, str]]
) -> Iterator[Table]:
    """Rejected entries and those the fits left out, by run and number from 1, with their reasons.

    excluded: by kind of evidence, the index over all the runs' extrusions to the reason.
    """
    rows = [
        (run.info.run_id, str(n), _evidence(column), value, reason.removeprefix(REJECTED))
        for run in runs
        for (column, n), (value, reason) in rejections_noted(run.events).items()
    ]
    places = [(run.info.run_id, str(n)) for run in runs for n in range(1, len(run.extrusions) + 1)]
    rows += [
        (*places[i], kind, "", why)
        for kind, reasons in excluded.items()
        for i, why in sorted(reasons.items())
    ]
    if rows:
        heads = ("run", "extrusion", "evidence", "value", "why")
        yield Table("weighings left out", heads, tuple(rows), frozenset({1, 3}))


def _evidence(column: str) -> str:
    return next((kind for kind, one in EVIDENCE.items() if one.column == column), column)
