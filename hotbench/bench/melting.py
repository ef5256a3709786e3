"""Melt fits of several hot ends, nozzles and materials as profile sections and tables."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from hotbench.bench.extruded import left_out_table, strain_tables
from hotbench.bench.tables import Table, number, quantity_cells
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.melt import HeaterFlow, MeltFit, fit_melt
from hotbench.fitting.melt_points import EVIDENCE
from hotbench.profile import types as p

FLOW_STEP_C = 10.0
FLOWS = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)
STEEPNESS = "5 % in flow is about 11 K in temperature near 220 °C"
FLOOR = "low end is the feed temperature: nothing measured bounds it"
BELOW = "low end lies below the temperatures tried"
EVEN = (
    "set temperature that keeps the melt leaving as warm as at the reference row; "
    "a model figure, not measured: the interval leaves open what of the filament softens"
)
LEAST_HEADS = ("mm³/s", "°C", "interval", "basis", "validity")
Key = tuple[str, str, str, str, float, float]


@dataclass(frozen=True)
class NamedMelt:
    """The fit of one hot end, nozzle, filament and kind of evidence."""

    hot_end: str
    nozzle: str
    fit: MeltFit
    runs: tuple[Run, ...] = ()

    @property
    def label(self) -> str:
        """What tells it from the others."""
        parts = (self.hot_end, self.nozzle, self.fit.material, self.fit.evidence)
        return ", ".join(part for part in parts if part)


Refused = Callable[[str, BadInput], None]


def fit_each(runs: Sequence[Run], refused: Refused) -> tuple[NamedMelt, ...]:
    """A fit for every hot end, nozzle and filament, and every evidence that was recorded for it.

    refused hears of what cannot be fitted.
    """
    groups: dict[Key, list[Run]] = {}
    for run in runs:
        if run.extrusions:
            groups.setdefault(_key(run), []).append(run)
    return tuple(fit for own in groups.values() for fit in _fits(own, refused))


def _key(run: Run) -> Key:
    i = run.info
    filament = (i.material, i.filament_diameter_mm, i.filament_density_g_per_cm3)
    return (i.printer, i.hot_end, i.nozzle, *filament)


def _fits(runs: Sequence[Run], refused: Refused) -> Iterator[NamedMelt]:
    info, shots = runs[0].info, [shot for run in runs for shot in run.extrusions]
    kinds: list[str | None] = [
        kind
        for kind, evidence in EVIDENCE.items()
        if any(getattr(shot, evidence.column) is not None for shot in shots)
    ]
    for kind in kinds or [None]:
        try:
            yield NamedMelt(info.hot_end, info.nozzle, fit_melt(runs, kind=kind), tuple(runs))
        except BadInput as error:
            refused(f"melt ({kind})" if kind else "melt", error)


def section(named: NamedMelt, heater: HeaterFlow | None) -> p.Melt:
    """The profile's section of one fit; a heater that saturates below the melt limit governs."""
    fit = named.fit
    low_C, high_C = fit.temperature_range_C
    low_flow, high_flow = fit.flow_range_mm3_per_s
    return p.Melt(
        material=fit.material or "not stated",
        hot_end=named.hot_end or None,
        nozzle=named.nozzle or None,
        filament_diameter_mm=fit.filament_diameter_mm,
        evidence_kind=fit.evidence,
        criterion=fit.statement,
        weighings=fit.weighings,
        flow_limit=tuple(_flow_rows(fit, heater)),
        minimum_temperature=tuple(_minimum_temperatures(fit)),
        even_surface=tuple(_even_surface(fit)),
        alpha_L_eff=fit.alpha_L_eff,
        softening_temperature=fit.softening,
        validity=p.Validity(
            low_C=low_C, high_C=high_C, low_mm3_per_s=low_flow, high_mm3_per_s=high_flow
        ),
        statements=(STEEPNESS, EVEN) if fit.joint else (),
    )


def _flow_rows(fit: MeltFit, heater: HeaterFlow | None) -> Iterator[p.FlowLimit]:
    for row in fit.flow_limit_table(temperatures_C(fit), heater):
        melts = row.governed_by == "melting"
        yield p.FlowLimit.of(
            row.flow,
            temperature_C=row.temperature_C,
            governed_by=row.governed_by,
            evidence=fit.evidence if melts else "heater power and filament load",
        )


def temperatures_C(fit: MeltFit) -> list[float]:
    """Every 10 K over the range tried; only the temperatures tried where there is no curve."""
    if not fit.joint:
        return [limit.temperature_C for limit in fit.limits]
    low_C, high_C = fit.temperature_range_C
    steps = math.floor((high_C - low_C) / FLOW_STEP_C + 1e-9)
    return [low_C + FLOW_STEP_C * step for step in range(steps + 1)]


def _flows(fit: MeltFit) -> list[float]:
    low_C, high_C = fit.temperature_range_C
    low, high = 0.5 * fit.flow_limit(low_C).value, 1.2 * fit.flow_limit(high_C).value
    return [flow for flow in FLOWS if low <= flow <= high]


def _minimum_temperatures(fit: MeltFit) -> Iterator[p.MinimumTemperature]:
    for flow in _flows(fit) if fit.joint else ():
        try:
            stated = fit.minimum_temperature(flow)
        except BadInput:
            continue
        yield p.MinimumTemperature.of(stated, flow_mm3_per_s=flow, validity=_validity(fit, stated))


def _validity(fit: MeltFit, stated: Quantity) -> str | None:
    """What the low end of a minimum temperature rests on."""
    if fit.softening is None or stated.low is None:
        return None
    if stated.low <= fit.feed_C:
        return FLOOR
    return BELOW if stated.low < fit.temperature_range_C[0] else None


def _nearest(flow_mm3_per_s: float) -> float:
    """On the grid of flows, so that two profiles' rows can be laid side by side."""
    return min(FLOWS, key=lambda flow: abs(math.log(flow / flow_mm3_per_s)))


def _even_surface(fit: MeltFit) -> Iterator[p.EvenSurface]:
    if not fit.joint:
        return
    middle_C = sum(fit.temperature_range_C) / 2.0
    reference = _nearest(0.5 * fit.flow_limit(middle_C).value)
    rows = fit.even_surface_table(
        sorted({reference, *_flows(fit)}), reference_C=middle_C, reference_mm3_per_s=reference
    )
    for row in rows:
        if row.within_limit:
            yield p.EvenSurface.of(
                row.temperature,
                flow_mm3_per_s=row.flow_mm3_per_s,
                reference=row.flow_mm3_per_s == reference,
            )


def tables(melts: Sequence[NamedMelt], heater: HeaterFlow | None) -> list[Table]:
    """Governing limits, minimum temperatures, even surface, and several fits side by side.

    Then what each extrusion asked of the heater, and which weighings were left out.
    """
    shown: list[Table] = []
    for named in melts:
        shown += _section_tables(named.label, section(named, heater))
    if len(melts) > 1:
        shown.append(comparison(melts))
    return [*shown, *_record_tables(melts)]


def _record_tables(melts: Sequence[NamedMelt]) -> Iterator[Table]:
    """Each set of runs once, however many kinds of evidence were fitted to it."""
    groups: dict[tuple[str, ...], tuple[tuple[Run, ...], dict[str, Mapping[int, str]]]] = {}
    for named in melts:
        names = tuple(run.info.run_id for run in named.runs)
        groups.setdefault(names, (named.runs, {}))[1][named.fit.evidence] = named.fit.excluded
    for runs, excluded in groups.values():
        yield from strain_tables(runs)
        yield from left_out_table(runs, excluded)


def _section_tables(label: str, melt: p.Melt) -> Iterator[Table]:
    limits = tuple(
        (
            f"{r.temperature_C:g}",
            *quantity_cells(r.quantity),
            r.governed_by or "-",
            r.evidence or "-",
        )
        for r in melt.flow_limit
    )
    heads = ("°C", "flow", "interval", "unit", "basis", "governed by", "evidence")
    yield Table(f"flow limit: {label}", heads, limits, frozenset({0, 1, 2}))
    least = tuple(
        (
            number(r.flow_mm3_per_s),
            *quantity_cells(r.quantity)[:2],
            r.basis,
            r.validity or "",
        )
        for r in melt.minimum_temperature
    )
    if least:
        caption = f"minimum temperature: {label}; {STEEPNESS}"
        yield Table(caption, LEAST_HEADS, least, frozenset({0, 1, 2}))
    even = tuple(
        (
            number(r.flow_mm3_per_s),
            *quantity_cells(r.quantity)[:2],
            "reference" if r.reference else "",
        )
        for r in melt.even_surface
    )
    if even:
        yield Table(
            f"even surface: {EVEN}",
            ("mm³/s", "°C", "interval", ""),
            even,
            frozenset({0, 1, 2}),
        )


def _rests_on(row: p.FlowLimit) -> tuple[str, str]:
    return row.governed_by or "-", row.evidence or "-"


def comparison(melts: Sequence[NamedMelt]) -> Table:
    """Flow limits side by side, one row per temperature; '-' where a fit cannot say."""
    at_C = sorted({at for named in melts for at in temperatures_C(named.fit)})
    rows = tuple((f"{at:g}", *(_cell(named.fit, at) for named in melts)) for at in at_C)
    heads = ("°C", *(named.label for named in melts))
    return Table("flow limits side by side", heads, rows, frozenset(range(len(heads))))


def _cell(fit: MeltFit, at_C: float) -> str:
    try:
        limit = fit.flow_limit(at_C)
    except BadInput:
        return "-"
    return f"{limit.text()}{', extrapolated' if limit.basis == 'extrapolated' else ''}"
