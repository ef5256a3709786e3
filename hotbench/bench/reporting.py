"""One self-contained HTML report that a person would send to a friend."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined

from hotbench import __version__
from hotbench.bench.analysis import Analysis, heater_tables, melt_tables, slew_tables
from hotbench.bench.figures import (
    Picture,
    heater_pictures,
    held_out_picture,
    melt_pictures,
    slew_pictures,
)
from hotbench.bench.judging import Judgement, judgement_table
from hotbench.bench.profiling import USUAL_C, build, headline_tables
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.profile.types import MachineProfile

CAUTIONS = (
    "These numbers hold for the machine, firmware, material and surroundings they were recorded "
    "with; measure again after any change. They replace neither the firmware's protections nor "
    "the maker's instructions, and nothing here permits leaving a hot machine unattended."
)
METHOD_OF_HEATER = (
    "The heater model is fitted jointly to all runs by nonlinear least squares on the logged duty "
    "and fan; candidates are compared by an information criterion whose sample size is divided by "
    "the residuals' autocorrelation, and a larger model must also predict held-out stretches "
    "better. Intervals come from leaving out one commanded stretch at a time, widened by an "
    "allowance for what the model itself gets wrong."
)
METHOD_OF_LIMITS = (
    "The safe slew rate is the largest rate whose upper tolerance bound on the deviation stays "
    "below the level at which the board faults, capped by what the hot end can physically follow. "
    "Flow limits are where 5 % of the commanded amount is missing, tied over temperatures by "
    "radial heating of the filament in the bore."
)


@dataclass(frozen=True)
class Section:
    """A part of the report."""

    title: str
    paragraphs: tuple[str, ...] = ()
    figures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    findings: tuple[str, ...] = ()


def write_report(
    analysis: Analysis,
    path: Path,
    *,
    profile: MachineProfile | None = None,
    judgements: Sequence[Judgement] = (),
    held_out: Sequence[Run] = (),
) -> None:
    """Write the report of an analysis. Errors: BadInput when the path refuses."""
    stated = profile or build(analysis)
    page = render(analysis, stated, judgements, held_out)
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise BadInput(f"cannot be written: {error.strerror}", where=path) from error


def render(
    analysis: Analysis,
    profile: MachineProfile,
    judgements: Sequence[Judgement] = (),
    held_out: Sequence[Run] = (),
) -> str:
    """The report as HTML; everything that came from a file is escaped."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    source = files("hotbench.bench").joinpath("templates/report.html.j2").read_text("utf-8")
    dates = sorted(run.info.created for run in analysis.runs)
    return environment.from_string(source).render(
        title=f"Hot-end report: {profile.machine.name}",
        subtitle=f"{len(analysis.runs)} runs, recorded {dates[0]} to {dates[-1]}; "
        f"hotbench {__version__}",
        summary=summary(profile, judgements),
        cautions=CAUTIONS,
        sections=list(_sections(analysis, profile, judgements, held_out)),
    )


def summary(profile: MachineProfile, judgements: Sequence[Judgement]) -> list[str]:
    """The profile in a few plain sentences; only what is known."""
    words = (_heater_words(profile), _slew_words(profile), _melt_words(profile))
    lines = [text for text in (" ".join(part) for part in words) if text]
    worst = max(
        (abs(j.error_percent) for j in judgements if j.error_percent is not None), default=None
    )
    if worst is not None:
        lines.append(
            f"On runs that the fit had not seen, predicted times were off by at most {worst:.0f} %."
        )
    if profile.machine.simulated:
        lines.append("The printer was simulated: do not use these figures on hardware.")
    return lines


def _heater_words(profile: MachineProfile) -> Iterator[str]:
    heater = profile.heater
    if heater is None:
        return
    heats = [row for row in heater.heating_rate if row.start == "cold"]
    if heats:
        hot = min(heats, key=lambda r: abs(r.temperature_C - USUAL_C))
        yield f"From cold it passes {hot.temperature_C:g} °C at {hot.quantity.text()}."
    for row in heater.cooling_rate:
        if abs(row.temperature_C - USUAL_C) < 1.0 and row.fan in (0.0, 1.0):
            yield f"With the fan at {row.fan:g} it cools there at {row.quantity.text()}."


def _slew_words(profile: MachineProfile) -> Iterator[str]:
    claims = {r.direction: r for r in profile.slew if r.evidence.trials}
    for direction, row in claims.items():
        yield (
            f"The setpoint may move at up to {number(row.rate_K_per_s)} K/s while {direction}, "
            f"limited by {row.limiting_cause} ({row.evidence.trials} ramps)."
        )


def _melt_words(profile: MachineProfile) -> Iterator[str]:
    rows = profile.melt.flow_limit if profile.melt else ()
    if profile.melt and rows:
        stated = ", ".join(
            f"{r.quantity.text()} at {r.temperature_C:g} °C" for r in (rows[0], rows[-1])
        )
        yield f"It melts {stated} ({profile.melt.material})."


def _sections(
    analysis: Analysis,
    profile: MachineProfile,
    judgements: Sequence[Judgement],
    held_out: Sequence[Run],
) -> Iterator[Section]:
    yield Section("Headline numbers", tables=headline_tables(profile, profile.machine.name))
    if analysis.heater:
        yield from _heater_sections(analysis, judgements, held_out)
    if analysis.slew:
        figures = tuple(slew_pictures(analysis.slew))
        yield Section("Safe slew rate", figures=figures, tables=tuple(slew_tables(analysis.slew)))
    if analysis.melt:
        figures = tuple(melt_pictures(analysis.melt))
        yield Section("Melting", figures=figures, tables=tuple(melt_tables(analysis.melt)))
    yield Section(
        "Method and validity",
        paragraphs=(METHOD_OF_HEATER, METHOD_OF_LIMITS),
        findings=_validity(analysis),
    )
    yield Section("Provenance", tables=(_provenance(analysis),))


def _heater_sections(
    analysis: Analysis, judgements: Sequence[Judgement], held_out: Sequence[Run]
) -> Iterator[Section]:
    fit = analysis.heater
    assert fit is not None  # noqa: S101 - the caller asks only where there is a fit
    yield Section(
        "Heating and cooling",
        figures=tuple(heater_pictures(fit, analysis.runs)),
        tables=tuple(heater_tables(fit)),
    )
    if judgements:
        yield Section(
            "Predictions on runs the fit has not seen",
            figures=tuple(held_out_picture(fit, run) for run in held_out),
            tables=(judgement_table(judgements),),
        )


def _validity(analysis: Analysis) -> tuple[str, ...]:
    lines = [
        f"{gap.what} is not identified: {gap.why}. What would tell: {gap.test}."
        for gap in analysis.gaps
    ]
    if analysis.heater:
        low_C, high_C = analysis.heater.seen_C
        lines.append(f"The heater model has seen {low_C:.0f} to {high_C:.0f} °C.")
        lines += list(analysis.heater.notes)
    if analysis.melt:
        low_C, high_C = analysis.melt.temperature_range_C
        lines.append(f"Flow limits were tried from {low_C:.0f} to {high_C:.0f} °C.")
    return tuple(lines)


def _provenance(analysis: Analysis) -> Table:
    rows = tuple(
        (
            run.info.run_id,
            run.info.procedure,
            run.info.created,
            run.outcome,
            run.info.firmware,
            run.sha256.get("samples.csv", "-"),
        )
        for run in analysis.runs
    )
    heads = ("run", "procedure", "recorded", "outcome", "firmware", "sha256 of samples")
    return Table("runs that these numbers rest on", heads, rows)
