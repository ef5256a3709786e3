"""From fits to the machine profile, and profiles checked and shown."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from hotbench import __version__
from hotbench.bench.analysis import Analysis, FitOptions, Gap, analyse
from hotbench.bench.claims import jump_rows, repetition_rows, smoothing_rows
from hotbench.bench.evidence import unlike_as_recorded, unlike_its_rates, unlike_their_runs
from hotbench.bench.melting import section
from hotbench.bench.predicting import dip_rows, heater_flow, slew_rows
from hotbench.bench.progress import Step, silent
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, basis_text, number
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_result import FigureRow, HeaterFit
from hotbench.fitting.slew import FAULT_SPREAD
from hotbench.profile import types as p
from hotbench.profile.check import ASSUMED_SPREAD, brief, check, refused
from hotbench.profile.provenance import disagreements, provenance
from hotbench.profile.summary import HeadlineRow, headline, unidentified
from hotbench.profile.walk import Entry, entries
from hotbench.profile.yaml_io import read_profile, write_profile
from hotbench.store.checking import list_runs
from hotbench.store.reader import read_run

USUAL_C, USUAL_DIP_C = 220.0, 190.0
SECTION_OF: Mapping[str, str] = {
    "slew": "setpoint changes",
    "jumps": "setpoint changes",
    "smoothing": "setpoint changes",
    "repetition": "dips",
    "control": "controller",
}
"""Where a headline row is shown, when that is not its own section of the profile."""
FROM_TO = re.compile(r",? from (\S+) °C, to (\S+) °C")
HEADLINE_HEADS = ("number", "value", "interval", "unit", "basis")


def build(analysis: Analysis, name: str | None = None) -> p.MachineProfile:
    """The profile of one analysis; the same runs always give the same profile."""
    fit = analysis.heater
    slew = slew_rows(analysis.slew, fit)
    governed = heater_flow(analysis.heater) if analysis.heater else None
    melts = tuple(section(named, governed) for named in analysis.melts)
    return p.MachineProfile(
        machine=_machine(analysis.runs, name),
        heater=_heater(fit, analysis.gaps) if fit else None,
        slew=slew,
        jumps=jump_rows(analysis.jumps),
        repetition=repetition_rows(analysis.repetition),
        dips=dip_rows(fit, analysis.runs) if fit else (),
        smoothing=smoothing_rows(slew),
        melt=melts[0] if melts else None,
        other_melts=melts[1:],
        provenance=provenance(
            analysis.runs,
            software_version=__version__,
            options=_options(analysis),
        ),
    )


def _options(analysis: Analysis) -> dict[str, float]:
    """What was stated, and the spread that safe rates assume where none was."""
    stated = {k: v for k, v in analysis.options.plain().items() if v is not None}
    bounds = analysis.slew.directions if analysis.slew else ()
    if "fault_spread" in stated or not any(fit.method == "tolerance bound" for fit in bounds):
        return stated
    return {**stated, ASSUMED_SPREAD: FAULT_SPREAD}


def build_file(
    folders: Sequence[Path],
    out: Path,
    options: FitOptions,
    *,
    name: str | None = None,
    progress: Step = silent,
) -> Result:
    """Fit the runs, write the profile, and hand back its headline; FellShort when it is empty."""
    analysis = analyse(folders, options, progress)
    analysis.raise_if_nothing_identified()
    profile = build(analysis, name)
    write_profile(profile, out)
    return Result({"profile": str(out), **_facts(profile)}, headline_tables(profile, f"{out}"))


def show_file(file: Path) -> Result:
    """A profile's headline numbers."""
    profile = read_profile(file)
    return Result(_facts(profile), headline_tables(profile, profile.machine.name))


def check_file(file: Path, runs_folder: Path | None) -> Result:
    """Form, evidence, plausibility, and the runs the profile names; refusals fall short."""
    profile = read_profile(file)
    findings = check(profile)
    found = _found(runs_folder) if runs_folder else {}
    differing = unlike_its_rates(profile)
    differing += _against(profile, found) if runs_folder else []
    lines = [*brief(findings), *differing]
    short = refused(findings) or bool(differing)
    caption = f"{file}: {'refused' if short else 'accepted'}"
    shown = lines_table(caption, "finding", lines or ["nothing to remark"])
    facts = {"accepted": not short, "findings": findings, "runs": differing}
    return Result(facts, shown, f"{file}: the check refuses this profile" if short else None)


def _found(folder: Path) -> dict[str, Run]:
    runs = (read_run(entry.folder) for entry in list_runs(folder) if entry.info)
    return {run.info.run_id: run for run in runs}


def _against(profile: p.MachineProfile, runs: Mapping[str, Run]) -> list[str]:
    """Where the runs at hand are not those of the profile, or hold other ramps than it states."""
    digests = {name: run.sha256 for name, run in runs.items()}
    return [
        *disagreements(profile.provenance, digests),
        *unlike_as_recorded(profile, runs),
        *unlike_their_runs(profile, runs),
    ]


def headline_tables(profile: p.MachineProfile, caption: str) -> tuple[Table, ...]:
    """The numbers people ask for first, a table for each section, then what is not known."""
    sections: dict[str, list[HeadlineRow]] = {}
    for row in usual_headline(profile):
        sections.setdefault(_section(row), []).append(row)
    tables = [_headline_table(_caption(name, profile), rows) for name, rows in sections.items()]
    first = replace(
        tables[0] if tables else _headline_table("", ()), caption=f"machine profile: {caption}"
    )
    return (first, *tables[1:], *gap_tables(profile))


def _caption(section: str, profile: p.MachineProfile) -> str:
    """The section's name; with the controller, what its gains are stated for."""
    control = profile.control
    if section != SECTION_OF["control"] or control is None:
        return section
    board = f"{control.form} form, full duty {control.duty_full_scale:g}"
    return f"{section}: {control.rule}; {board}, at {control.at_temperature_C:g} °C"


def headline_table(profile: p.MachineProfile, caption: str) -> Table:
    """The same numbers in one table, for a page that has the room."""
    return _headline_table(f"machine profile: {caption}", usual_headline(profile))


def gap_tables(profile: p.MachineProfile) -> tuple[Table, ...]:
    """What the runs could not tell."""
    return lines_table(
        "not identified", "what, why, and the test that would", unidentified(profile)
    )


def _section(row: HeadlineRow) -> str:
    head = re.split(r"[.\[]", row.where)[0]
    return SECTION_OF.get(head, head)


def _headline_table(caption: str, rows: Iterable[HeadlineRow]) -> Table:
    return Table(
        caption, HEADLINE_HEADS, tuple(_headline_row(row) for row in rows), frozenset({1, 2})
    )


def usual_headline(profile: p.MachineProfile) -> list[HeadlineRow]:
    """The headline rows with long tables cut to the one nearest to a usual print."""
    kept: dict[tuple[object, ...], Entry] = {}
    for entry in entries(profile):
        group = _group(entry)
        if group not in kept or _distance(entry) < _distance(kept[group]):
            kept[group] = entry
    names = {entry.where for entry in kept.values()}
    return [row for row in headline(profile) if row.where in names]


def _group(entry: Entry) -> tuple[object, ...]:
    """What one headline row stands for: a table's rows that differ in their temperatures only."""
    if entry.kind.startswith("melt."):
        return (entry.where,)
    others = [(k, v) for k, v in entry.keys.items() if k not in ("temperature_C", "from_C", "to_C")]
    return (entry.kind, *others)


def _distance(entry: Entry) -> float:
    """How far a row is from a usual print and a usual dip."""
    usual = {"temperature_C": USUAL_C, "from_C": USUAL_C, "to_C": USUAL_DIP_C}
    return sum(abs(float(str(entry.keys[k])) - at) for k, at in usual.items() if k in entry.keys)


def short_label(label: str) -> str:
    """'dip down 220 to 190 °C' for 'dip down from 220 °C, to 190 °C'."""
    return FROM_TO.sub(r" \1 to \2 °C", label)


def _headline_row(row: HeadlineRow) -> tuple[str, ...]:
    interval = "-"
    if row.low is not None and row.high is not None:
        interval = f"{number(row.low)} to {number(row.high)}"
    stated = Quantity(
        value=row.value,
        unit=row.unit,
        low=row.low,
        high=row.high,
        confidence=row.confidence if row.low is not None else None,
        basis=row.basis,
    )
    return (short_label(row.label), number(row.value), interval, row.unit, basis_text(stated))


def _facts(profile: p.MachineProfile) -> dict[str, object]:
    return {
        "machine": profile.machine.name,
        "headline": headline(profile),
        "unidentified": unidentified(profile),
    }


def _machine(runs: Sequence[Run], name: str | None) -> p.Machine:
    first = runs[0].info
    intervals = [_interval_s(run) for run in runs if len(run) > 1]
    stated = name or first.printer or first.firmware or "unnamed"
    return p.Machine(
        name=stated,
        printer=first.printer,
        firmware=first.firmware,
        simulated=any(run.info.simulated for run in runs),
        sample_interval_s=min(intervals) if intervals else None,
    )


def _interval_s(run: Run) -> float:
    return round(float(run.time_s[-1] - run.time_s[0]) / (len(run) - 1), 3)


def _heater(fit: HeaterFit, gaps: Iterable[Gap]) -> p.Heater:
    return p.Heater(
        model=fit.model,
        parameters=dict(fit.parameters),
        ambient=fit.ambient,
        valid_temperature=p.Range(low=fit.seen_C[0], high=fit.seen_C[1], unit="°C"),
        heating_rate=tuple(_heating(row) for row in fit.heating_rate),
        cooling_rate=tuple(_cooling(row) for row in fit.cooling_rate),
        combined_lag=fit.combined_lag,
        hold_duty=tuple(_holding(row) for row in fit.hold_duty),
        load_per_flow=fit.load_per_flow,
        validation=tuple(
            p.HeldOut(
                run=v.run_id,
                phase=v.phase,
                rms_K=v.rms_K,
                worst_K=v.worst_K,
                error_percent=v.error_percent,
                samples=v.samples,
            )
            for v in fit.validation
        ),
        unidentified=tuple(
            p.Unidentified(parameter=gap.what, reason=gap.why, test=gap.test) for gap in gaps
        ),
    )


def _heating(row: FigureRow) -> p.HeatingRate:
    figure = row.figure
    return p.HeatingRate.of(row.quantity, temperature_C=figure.temperature_C, start=figure.start)


def _cooling(row: FigureRow) -> p.CoolingRate:
    figure = row.figure
    return p.CoolingRate.of(row.quantity, temperature_C=figure.temperature_C, fan=figure.fan)


def _holding(row: FigureRow) -> p.HoldDuty:
    figure = row.figure
    quantity = row.quantity
    if quantity.low is not None and quantity.high is not None:
        quantity = replace(quantity, low=max(quantity.low, 0.0), high=min(quantity.high, 1.0))
    return p.HoldDuty.of(quantity, temperature_C=figure.temperature_C, fan=figure.fan)
