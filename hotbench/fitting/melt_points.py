"""Evidence for the flow limit: from recorded extrusions to points of delivered ratio by flow."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, unknown_key
from hotbench.core.records import Extrusion, Run
from hotbench.models.units import filament_area_mm2

EvidenceKind = Literal["delivered mass", "delivered length", "bond force"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One kind of evidence and its noise.

    column: the field of Extrusion that holds it. noise_relative and noise_absolute (in the
    column's unit) add in squares. limit_share: what remains of the low-flow level at the limit.
    shared_level: whether the low-flow level is the same at all temperatures.
    """

    kind: EvidenceKind
    column: str
    noise_relative: float
    noise_absolute: float
    limit_share: float
    shared_level: bool

    @property
    def log_loss(self) -> float:
        """What the logarithm has lost at the limit."""
        return -float(np.log(self.limit_share))


EVIDENCE: dict[str, Evidence] = {
    evidence.kind: evidence
    for evidence in (
        Evidence(
            kind="delivered mass",
            column="delivered_mass_g",
            noise_relative=0.01,
            noise_absolute=0.003,
            limit_share=0.95,
            shared_level=True,
        ),
        Evidence(
            kind="delivered length",
            column="delivered_mm",
            noise_relative=0.005,
            noise_absolute=0.3,
            limit_share=0.95,
            shared_level=True,
        ),
        Evidence(
            kind="bond force",
            column="bond_force_N",
            noise_relative=0.08,
            noise_absolute=0.5,
            limit_share=0.8,
            shared_level=False,
        ),
    )
}
"""Noise: a scale of 0.01 g and 1 % of handling; a filament encoder; scatter between pulled samples.
Common practice, no source; the fit rescales them by its own residuals. Bond strength follows the
wall as well as the flow, so its level is fitted at each temperature."""


@dataclass(frozen=True, kw_only=True)
class MeltPoints:
    """Points of one kind of evidence; arrays have one entry per point.

    level: delivered over commanded amount (mass, length), or force in N over section in mm²
    (bond; section 1 where it is not given). deviation: relative standard deviation as declared.
    """

    evidence: Evidence
    temperature_C: FloatArray
    flow_mm3_per_s: FloatArray
    level: FloatArray
    deviation: FloatArray
    material: str = ""
    filament_diameter_mm: float = 1.75
    excluded: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.level.size)

    @property
    def temperatures_C(self) -> FloatArray:
        """The distinct setpoints, rising."""
        return np.unique(self.temperature_C)

    def place(self) -> NDArray[np.intp]:
        """For each point, which of `temperatures_C` it belongs to."""
        return np.searchsorted(self.temperatures_C, self.temperature_C)


@dataclass(frozen=True, slots=True)
class _Filament:
    material: str
    diameter_mm: float
    density_g_per_cm3: float


def melt_points(
    source: Sequence[Run] | Sequence[Extrusion],
    *,
    kind: str | None = None,
    material: str | None = None,
    filament_diameter_mm: float | None = None,
    filament_density_g_per_cm3: float | None = None,
    section_mm2: float = 1.0,
    exclude: Mapping[int, str] | None = None,
    limit_share: float | None = None,
) -> MeltPoints:
    """Points of one kind of evidence from runs or from bare extrusions.

    kind: which evidence; None takes the first of mass, length, bond force that was recorded.
    exclude: index of an extrusion to its reason; the reasons stay with the points, and so do those
    of entries of zero or less, which are left out. Filament figures come from the runs unless given
    (bare extrusions: 1.75 mm, 1.24 g/cm³). Errors: BadInput when runs of different filament are
    mixed or nothing was weighed.
    """
    extrusions = extrusions_of(source)
    evidence = _evidence(extrusions, kind)
    if limit_share is not None:
        evidence = replace(evidence, limit_share=_checked_share(limit_share))
    filament = _filament(source, material, filament_diameter_mm, filament_density_g_per_cm3)
    left_out = {**_unusable(extrusions, evidence), **(exclude or {})}
    kept = _kept(extrusions, evidence, left_out)
    return _points(kept, evidence, filament, section_mm2, left_out)


def extrusions_of(source: Sequence[Run] | Sequence[Extrusion]) -> list[Extrusion]:
    """All extrusions of runs, in order; bare extrusions as they are."""
    found: list[Extrusion] = []
    for item in source:
        found.extend([item] if isinstance(item, Extrusion) else item.extrusions)
    return found


def _evidence(extrusions: Sequence[Extrusion], kind: str | None) -> Evidence:
    if kind is not None:
        if kind not in EVIDENCE:
            raise unknown_key(kind, EVIDENCE, where="melt evidence")
        return EVIDENCE[kind]
    for evidence in EVIDENCE.values():
        if any(getattr(item, evidence.column) is not None for item in extrusions):
            return evidence
    raise BadInput(
        "no extrusion has a delivered amount",
        where="melt evidence",
        remedy="enter a mass, a length or a bond force",
    )


def _checked_share(share: float) -> float:
    if not 0.0 < share < 1.0:
        raise BadInput("limit share out of range", value=share, limit="between 0 and 1")
    return share


def _filament(
    source: Sequence[Run] | Sequence[Extrusion],
    material: str | None,
    diameter_mm: float | None,
    density_g_per_cm3: float | None,
) -> _Filament:
    recorded = {
        _Filament(i.material, i.filament_diameter_mm, i.filament_density_g_per_cm3)
        for i in (item.info for item in source if isinstance(item, Run))
    } or {_Filament("", 1.75, 1.24)}
    if len(recorded) > 1:
        raise BadInput(
            "runs of different filament in one melt fit",
            value=", ".join(sorted(f"{f.material} {f.diameter_mm} mm" for f in recorded)),
            remedy="fit each filament by itself",
        )
    known = recorded.pop()
    return _Filament(
        known.material if material is None else material,
        diameter_mm or known.diameter_mm,
        density_g_per_cm3 or known.density_g_per_cm3,
    )


def _unusable(extrusions: Sequence[Extrusion], evidence: Evidence) -> dict[int, str]:
    """Entries of nothing, by index: they have no logarithm. Refused when there is nothing else."""
    values = [getattr(item, evidence.column) for item in extrusions]
    bad = {
        index: f"{evidence.column} of {value:g} is no delivered amount"
        for index, value in enumerate(values)
        if value is not None and not (math.isfinite(value) and value > 0.0)
    }
    if bad and len(bad) == sum(value is not None for value in values):
        first = min(bad)
        raise BadInput(
            f"{evidence.column} must be positive",
            where=f"extrusion {first}",
            value=values[first],
            remedy="enter what was delivered, or leave it empty",
        )
    return bad


def _kept(
    extrusions: Sequence[Extrusion], evidence: Evidence, exclude: Mapping[int, str]
) -> list[Extrusion]:
    for index in exclude:
        if not 0 <= index < len(extrusions):
            raise BadInput("no such extrusion to exclude", value=index, limit=len(extrusions) - 1)
    return [
        item
        for index, item in enumerate(extrusions)
        if index not in exclude and getattr(item, evidence.column) is not None
    ]


def _points(
    kept: Sequence[Extrusion],
    evidence: Evidence,
    filament: _Filament,
    section_mm2: float,
    exclude: Mapping[int, str],
) -> MeltPoints:
    values = np.array([getattr(item, evidence.column) for item in kept], dtype=np.float64)
    full = _full_amount(kept, evidence, filament, section_mm2)
    bad = np.flatnonzero(~(full > 0.0))
    if bad.size:
        raise BadInput(
            "commanded amount or section must be positive",
            where=f"point {int(bad[0])}",
            value=float(full[bad[0]]),
        )
    return MeltPoints(
        evidence=evidence,
        temperature_C=np.array([item.setpoint_C for item in kept], dtype=np.float64),
        flow_mm3_per_s=np.array([item.commanded_mm3_per_s for item in kept], dtype=np.float64),
        level=values / full,
        deviation=np.hypot(evidence.noise_relative, evidence.noise_absolute / values),
        material=filament.material,
        filament_diameter_mm=filament.diameter_mm,
        excluded=dict(exclude),
    )


def _full_amount(
    kept: Sequence[Extrusion], evidence: Evidence, filament: _Filament, section_mm2: float
) -> FloatArray:
    """What would be there had everything commanded come out; the section for pulled samples."""
    commanded_mm = np.array([item.commanded_mm for item in kept], dtype=np.float64)
    if evidence.kind == "bond force":
        return _sections_mm2(kept, section_mm2)
    if evidence.kind == "delivered length":
        return commanded_mm
    area_mm2 = filament_area_mm2(filament.diameter_mm)
    return commanded_mm * area_mm2 * filament.density_g_per_cm3 / 1000.0


def _sections_mm2(kept: Sequence[Extrusion], assumed_mm2: float) -> FloatArray:
    """Each pulled sample's own section; one for all where none was measured."""
    measured = [item.bond_section_mm2 for item in kept]
    if all(section is None for section in measured):
        return np.full(len(measured), assumed_mm2)
    if not all(measured):
        raise BadInput(
            "some pulled samples have a section and some have none",
            where=f"extrusion {[bool(section) for section in measured].index(False)}",
            remedy="enter bond_section_mm2 for all of them, or for none",
        )
    return np.array(measured, dtype=np.float64)
