"""One self-contained HTML report that a person would send to a friend."""

from calendar import month_name
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined

from hotbench import __version__
from hotbench.bench.analysis import Analysis, melt_tables, next_test_tables, slew_tables
from hotbench.bench.claims import claim_tables, smoothing_tables
from hotbench.bench.figures import (
    Picture,
    heater_pictures,
    held_out_picture,
    melt_pictures,
    slew_pictures,
)
from hotbench.bench.judging import Judgement, judgement_table
from hotbench.bench.melt_pictures import flow_pictures
from hotbench.bench.melting import tables as flow_tables
from hotbench.bench.predicting import heater_flow
from hotbench.bench.profiling import build, gap_tables, headline_table
from hotbench.bench.report_tables import (
    control_table,
    dip_table,
    model_tables,
    provenance_table,
    rate_tables,
)
from hotbench.bench.report_words import at_a_glance, summary
from hotbench.bench.slew_figures import cause_picture, dip_pictures, smoothing_picture
from hotbench.bench.tables import Table, typeset_table
from hotbench.core.errors import unwritable
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


ABOUT_DIPS = (
    "A dip is a short trip to a lower temperature and back, as for an overhang. Down is the time "
    "until the lower temperature is near, back until the upper one is; command ahead is how long "
    "before the surface that needs it the setpoint has to fall."
)
ABOUT_SLEW = (
    "A board watches its own heater: where the temperature strays too far from the setpoint, it "
    "reports a fault and stops the print. These rates keep clear of that."
)
ABOUT_SMOOTHING = (
    "A job that needs another temperature has to ask for it in time. The look-ahead is how early "
    "the setpoint must start to move so that it never moves faster than is safe; less of it makes "
    "the print wait, more of it prints longer at a temperature that is not wanted yet."
)
ABOUT_MELT = (
    "What runs faster than this leaves the nozzle with a cold core: less comes out than was "
    "commanded, and layers do not bond."
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
        raise unwritable(error, path) from error


def render(
    analysis: Analysis,
    profile: MachineProfile,
    judgements: Sequence[Judgement] = (),
    held_out: Sequence[Run] = (),
) -> str:
    """The report as HTML; everything that came from a file is escaped."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["typeset"] = typeset_table
    source = files("hotbench.bench").joinpath("templates/report.html.j2").read_text("utf-8")
    return environment.from_string(source).render(
        title=f"Hot-end report: {profile.machine.name}",
        subtitle=f"{recorded(analysis.runs)}. Written by hotbench {__version__}.",
        facts=at_a_glance(profile),
        summary=summary(profile, judgements),
        cautions=CAUTIONS,
        sections=list(_sections(analysis, profile, judgements, held_out)),
        provenance=provenance_table(analysis),
    )


def recorded(runs: Sequence[Run]) -> str:
    """How many runs there are and the days on which they were recorded."""
    days = sorted({run.info.created[:10] for run in runs})
    many = "1 run" if len(runs) == 1 else f"{len(runs)} runs"
    written = " to ".join(day_text(day) for day in dict.fromkeys((days[0], days[-1])))
    return f"{many}, recorded {written}"


def day_text(day: str) -> str:
    """2026-03-07 as 7 March 2026; as it is where it is no date."""
    try:
        at = datetime.strptime(day, "%Y-%m-%d")
    except ValueError:
        return day
    return f"{at.day} {month_name[at.month]} {at.year}"


def _sections(
    analysis: Analysis,
    profile: MachineProfile,
    judgements: Sequence[Judgement],
    held_out: Sequence[Run],
) -> Iterator[Section]:
    headline = headline_table(profile, profile.machine.name)
    yield Section("Headline numbers", tables=(headline,))
    yield from _judged_section(analysis, judgements, held_out)
    yield from _heater_section(analysis, profile)
    if profile.dips:
        dips = dip_pictures(analysis.heater, [*analysis.runs, *held_out])
        yield Section("Dips", (ABOUT_DIPS,), tuple(dips), tuple(dip_table(profile.dips)))
    yield from slew_sections(analysis, profile)
    if analysis.melt:
        governed = heater_flow(analysis.heater) if analysis.heater else None
        figures = (*melt_pictures(analysis.melt), *flow_pictures(analysis.melts))
        shown = (*melt_tables(analysis.melt), *flow_tables(analysis.melts, governed))
        yield Section("Melting", (ABOUT_MELT,), figures, shown)
    if profile.control:
        yield Section("Controller", tables=(control_table(profile.control),))
    yield from _next_sections(analysis, gap_tables(profile))
    yield from _method(analysis)


def slew_sections(analysis: Analysis, profile: MachineProfile) -> Iterator[Section]:
    """Safe slew with jumps and repetition, and smoothing; only what is known."""
    claims = claim_tables(analysis.jumps, analysis.repetition)
    if analysis.slew or claims:
        figures = list(slew_pictures(analysis.slew)) if analysis.slew else []
        if analysis.slew and analysis.heater:
            figures.append(cause_picture(analysis.heater, analysis.slew, profile.slew))
        tables = [*(slew_tables(analysis.slew) if analysis.slew else []), *claims]
        yield Section("Safe slew rate", (ABOUT_SLEW,), tuple(figures), tuple(tables))
    if trade := smoothing_picture(profile):
        tables = smoothing_tables(profile.smoothing)
        yield Section("Smoothing", (ABOUT_SMOOTHING,), (trade,), tuple(tables))


def _judged_section(
    analysis: Analysis, judgements: Sequence[Judgement], held_out: Sequence[Run]
) -> Iterator[Section]:
    fit = analysis.heater
    if fit and judgements:
        figures = tuple(held_out_picture(fit, run) for run in held_out)
        tables = (judgement_table(judgements),)
        yield Section("How the predictions did", figures=figures, tables=tables)


def _heater_section(analysis: Analysis, profile: MachineProfile) -> Iterator[Section]:
    fit = analysis.heater
    figures = tuple(heater_pictures(fit, analysis.runs)) if fit else ()
    tables = tuple(rate_tables(profile.heater)) if profile.heater else ()
    if figures or tables:
        yield Section("Heating and cooling", figures=figures, tables=tables)


def _next_sections(analysis: Analysis, gaps: tuple[Table, ...]) -> Iterator[Section]:
    tests = next_test_tables(analysis.heater) if analysis.heater else ()
    if gaps or tests:
        yield Section("What to record next", tables=(*gaps, *tests))


def _method(analysis: Analysis) -> Iterator[Section]:
    fit = analysis.heater
    paragraphs = [METHOD_OF_HEATER] if fit else []
    if analysis.slew or analysis.melt:
        paragraphs.append(METHOD_OF_LIMITS)
    tables = tuple(model_tables(fit)) if fit else ()
    if paragraphs:
        yield Section(
            "Method and validity", tuple(paragraphs), tables=tables, findings=_validity(analysis)
        )


def _validity(analysis: Analysis) -> tuple[str, ...]:
    lines = []
    if analysis.heater:
        low_C, high_C = analysis.heater.seen_C
        lines.append(f"The heater model has seen {low_C:.0f} to {high_C:.0f} °C.")
        lines += list(analysis.heater.notes)
    if analysis.melt:
        low_C, high_C = analysis.melt.temperature_range_C
        lines.append(f"Flow limits were tried from {low_C:.0f} to {high_C:.0f} °C.")
    return tuple(lines)
