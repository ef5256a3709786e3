"""What the notebooks call: one bench, whose results show themselves below a cell."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import copy_context
from dataclasses import dataclass, replace
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

from hotbench.bench.analysis import (
    Analysis,
    FitOptions,
    analyse,
    gap_tables,
    heater_tables,
    melt_tables,
    slew_tables,
)
from hotbench.bench.comparing import compare_files
from hotbench.bench.connecting import check_printer, connected
from hotbench.bench.figures import (
    Picture,
    heater_pictures,
    held_out_picture,
    melt_pictures,
    picture,
    slew_pictures,
)
from hotbench.bench.judging import judge, judgement_table
from hotbench.bench.preparing import Setup, next_folder
from hotbench.bench.profiling import build, build_file, headline_tables
from hotbench.bench.progress import Step, silent
from hotbench.bench.recording import record
from hotbench.bench.reporting import write_report
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, typeset_table
from hotbench.bench.tuning import tune_file
from hotbench.bench.weighing import AskingScale
from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.link.stopping import StopOnSignals
from hotbench.plots import traces
from hotbench.plots.style import Colours, new_figure
from hotbench.profile.types import MachineProfile
from hotbench.profile.yaml_io import read_profile, write_profile
from hotbench.store.checking import RunEntry, list_runs
from hotbench.store.reader import read_run

RUNS = Path("bench-runs")
"""Where notebooks and panel keep their runs, beside the notebook."""
Confirm = Callable[[Sequence[str]], None]
FIGURES: dict[str, Callable[[Analysis], Iterator[Picture]]] = {
    "heater": lambda a: heater_pictures(a.heater, a.runs) if a.heater else iter(()),
    "slew": lambda a: slew_pictures(a.slew) if a.slew else iter(()),
    "melt": lambda a: melt_pictures(a.melt) if a.melt else iter(()),
}


@dataclass(frozen=True)
class Page:
    """Tables and figures that show themselves below a cell."""

    tables: tuple[Table, ...] = ()
    figures: tuple[Picture, ...] = ()

    def _repr_html_(self) -> str:
        drawn = [*map(table_html, self.tables), *map(figure_html, self.figures)]
        return "\n".join(drawn)

    def __repr__(self) -> str:
        heads = [table.caption for table in self.tables]
        return "; ".join([*heads, *(figure.title for figure in self.figures)])


@dataclass(frozen=True, repr=False)
class Recording(Page):
    """A recorded run with its trace."""

    run: Run | None = None
    folder: Path = RUNS


@dataclass(frozen=True, repr=False)
class Fitted(Page):
    """Fits of several runs; tables and figures of the part that was asked for."""

    analysis: Analysis | None = None


@dataclass(frozen=True, kw_only=True)
class Bench(Setup):
    """One printer and one folder of runs.

    On a real port each recording shows its plan and asks before it heats, unless ask is False.
    """

    folder: Path = RUNS
    ask: bool = True

    def check(self) -> Page:
        """Identify the printer, time the line, warm by a few kelvin and switch off again."""
        return shown(check_printer(self.link(), self._confirm))

    def plan(self, test: str, **settings: Any) -> Page:
        """What a test would do, before anything gets hot."""
        plan = self.plan_of(self.prepare(test, settings))
        return Page(lines_table(f"plan of the {test} test", "what will happen", list(plan.lines)))

    def record(self, test: str, **settings: Any) -> Recording:
        """Run a test into the next free folder; interrupting the kernel stops it, heater off.

        Errors: BadInput before anything is commanded; RecordingEnded, the run kept, after that.
        """
        folder = next_folder(self.folder, test)
        link = self.link(int(folder.name.rsplit("-", 1)[1]))
        scale = None if link.simulated else AskingScale(asker())
        procedure = self.prepare(test, settings, scale)
        if not link.simulated:
            self._confirm(self.plan_of(procedure).lines)
        with StopOnSignals() as stop, connected(link) as line, showing(test) as step:
            result = record(procedure, line, link, folder, self.about(), stop=stop, step=step)
        return recording(folder, result.tables())

    def file(self, name: Path | str) -> Path:
        """A file of this bench, for use from another one."""
        return self.folder.resolve() / name

    def runs(self) -> Page:
        """Every run in the folder, oldest first."""
        heads = ("run", "test", "recorded", "samples", "outcome")
        return Page((Table("runs", heads, tuple(_run_row(e) for e in self._entries())),))

    def latest(self, *tests: str) -> tuple[Path, ...]:
        """The newest complete run of each test. Errors: BadInput when there is none.

        On the simulated printer, missing runs are recorded at once.
        """
        return tuple(self._newest(test) or self._missing(test) for test in tests)

    def fit(self, *tests: str, show: str = "heater") -> Fitted:
        """Fit the newest runs of `tests`; show: heater, slew or melt."""
        options = FitOptions(fault_deviation_K=self.fault_K)
        folders = self.latest(*tests)
        with showing("fit") as step:
            analysis = analyse(folders, options, step)
        return fitted(analysis, show)

    def profile(self, *tests: str, out: Path | str = "machine.yaml") -> Page:
        """Fit the newest runs of `tests` and write the profile."""
        options = FitOptions(fault_deviation_K=self.fault_K)
        folders = self.latest(*tests)
        with showing("profile") as step:
            return shown(build_file(folders, self.file(out), options, progress=step))

    def tune(self, file: Path | str, *, at_C: float = 220.0, duty_full_scale: float = 1.0) -> Page:
        """Controller gains from a profile."""
        found = self.file(file)
        return shown(tune_file(found, temperature_C=at_C, duty_full_scale=duty_full_scale))

    def compare(self, first: Path | str, second: Path | str) -> Page:
        """Differences of two profiles, with intervals and significance."""
        return shown(compare_files(self.file(first), self.file(second)))

    def show_profile(self, file: Path | str) -> Page:
        """A profile's headline numbers."""
        profile: MachineProfile = read_profile(self.file(file))
        return Page(headline_tables(profile, profile.machine.name))

    def text(self, file: Path | str, lines: int = 30) -> Page:
        """The first lines of a file, as they are."""
        found = self.file(file).read_text(encoding="utf-8").splitlines()[:lines]
        return Page(lines_table(f"{file}, first {lines} lines", "line", found))

    def report(self, fit: Fitted, out: Path | str = "report.html") -> Page:
        """Write the report of a fit; open the file in a browser."""
        if fit.analysis is None:
            raise BadInput("holds no fit", where="report", remedy="hand it what fit() gave")
        profile = build(fit.analysis)
        write_profile(profile, self.file("machine.yaml"))
        write_report(fit.analysis, self.file(out), profile=profile)
        return Page((Table("written", ("", "where"), (("report", str(self.file(out))),)),))

    def judge(self, fit: Fitted, recorded: Recording) -> Page:
        """Predict a run that the fit has not seen, and hold it against the record."""
        analysis, run = fit.analysis, recorded.run
        if analysis is None or analysis.heater is None or run is None:
            raise BadInput("needs a heater fit and a recorded run", where="judge")
        table = judgement_table(judge(analysis, [run]))
        return Page((table,), (held_out_picture(analysis.heater, run),))

    def _confirm(self, lines: Sequence[str]) -> None:
        if self.ask:
            confirm_by_typing(lines)

    def _entries(self) -> list[RunEntry]:
        return list_runs(self.folder) if self.folder.is_dir() else []

    def _newest(self, test: str) -> Path | None:
        done = [
            entry.folder
            for entry in self._entries()
            if entry.info is not None
            and (entry.info.procedure, entry.outcome) == (test, "complete")
            and entry.info.port == self.port
        ]
        return done[-1] if done else None

    def _missing(self, test: str) -> Path:
        if not self.link().simulated:
            raise BadInput(
                f"no complete {test} run of this port",
                where=self.folder,
                remedy="record one with the notebook of that test",
            )
        return self.record(test, **USUAL.get(test, {})).folder


USUAL: dict[str, dict[str, Any]] = {"step": {"fans": (0.0, 0.5, 1.0)}}
"""Settings with which a missing run is recorded on the simulated printer."""


def another(bench: Bench, port: str) -> Bench:
    """The same bench at another printer, with runs of its own."""
    return replace(bench, port=port, folder=bench.folder / port.replace(":", "-").replace("/", "-"))


def recording(folder: Path, tables: tuple[Table, ...] = ()) -> Recording:
    """A run folder as it shows itself. Errors: BadInput for an unusable folder."""
    run = read_run(folder)
    return Recording(tables, (recorded_picture(run),), run, folder)


def recorded_picture(run: Run) -> Picture:
    """Temperature, setpoint, duty and fan of a run."""

    def draw(c: Colours) -> Any:
        figure, (top, bottom) = new_figure(2, height_in=4.0, ratios=(3.0, 1.2))
        traces.temperature(top, run, c)
        traces.drive(bottom, run, c)
        return figure

    said = f"Run {run.info.run_id}: measured temperature and setpoint, duty and fan below."
    return picture(f"Run {run.info.run_id}", said, draw)


def fitted(analysis: Analysis, show: str = "heater") -> Fitted:
    """One part of an analysis. Errors: BadInput for an unknown part."""
    if show not in FIGURES:
        raise BadInput("unknown part", where="show", value=show, limit=", ".join(FIGURES))
    parts: dict[str, Callable[[], list[Table]]] = {
        "heater": lambda: heater_tables(analysis.heater) if analysis.heater else [],
        "slew": lambda: slew_tables(analysis.slew) if analysis.slew else [],
        "melt": lambda: melt_tables(analysis.melt) if analysis.melt else [],
    }
    tables = (*parts[show](), *gap_tables(analysis.gaps))
    return Fitted(tables, tuple(FIGURES[show](analysis)), analysis)


def shown(result: Result) -> Page:
    """A command's result below a cell; a shortfall becomes the last table."""
    short = [result.shortfall] if result.shortfall else []
    return Page((*result.tables(), *lines_table("falls short", "reason", short)))


def confirm_by_typing(lines: Sequence[str]) -> None:
    """Show the plan and go on only after a typed yes. Errors: BadInput otherwise."""
    plan = "\n".join(f"  {line}" for line in lines)
    if input(f"{plan}\nThis heats the printer. Type yes to start: ").strip().lower() != "yes":
        raise BadInput("not started", where="heating", remedy="type yes to heat")


def asker() -> Callable[[str], str]:
    """`input` that works from another thread too: it carries this cell's context along."""
    return partial(copy_context().run, input)


def table_html(table: Table) -> str:
    """A table as HTML, every cell escaped, units as printed; a long one is folded."""
    table = typeset_table(table)
    head = f"<thead><tr>{_cells(table, table.heads, HEAD)}</tr></thead>"
    body = "".join(f"<tr>{_cells(table, row, BODY)}</tr>" for row in table.rows)
    line = ";white-space:nowrap" if len(table.caption) <= CAPTION_IN_ONE_LINE else ""
    caption = f'<caption style="{CAPTION}{line}">{escape(table.caption)}</caption>'
    drawn = f"<table>{caption}{head if any(table.heads) else ''}<tbody>{body}</tbody></table>"
    if len(table.rows) <= LONG:
        return drawn
    summary = f"{escape(table.caption)}: {len(table.rows)} rows"
    return f'<details><summary style="{SUMMARY}">{summary}</summary>{drawn}</details>'


HEAD, BODY = 'th scope="col"', "td"
CAPTION = "caption-side:top;text-align:left;font-weight:600;padding:.6em 0 .2em"
CAPTION_IN_ONE_LINE = 90
SUMMARY = "font-weight:600;padding:.6em 0 .2em;cursor:pointer"
LONG = 25
"""More rows than this push what follows out of sight: the table opens on demand."""
CARD = "background:#fff;border-radius:6px;padding:8px 10px;margin:.8em 0;max-width:820px"


def _cells(table: Table, texts: Sequence[str], tag: str) -> str:
    sides = ["right" if i in table.numeric else "left" for i in range(len(texts))]
    end = tag.partition(" ")[0]
    return "".join(
        f'<{tag} style="text-align:{side}">{escape(text)}</{end}>'
        for side, text in zip(sides, texts, strict=True)
    )


def figure_html(figure: Picture) -> str:
    """A figure on a light card with its title and caption."""
    head = f'<figcaption style="color:#22303A"><b>{escape(figure.title)}</b></figcaption>'
    foot = f'<p style="color:#4A555E;margin:.3em 0 0">{escape(figure.caption)}</p>'
    return f'<figure style="{CARD}">{head}{figure.svg}{foot}</figure>'


@contextmanager
def showing(title: str) -> Iterator[Step]:
    """Progress below the cell, gone when done; silent outside a notebook."""
    if not _in_notebook():
        yield silent
        return
    from IPython.display import display
    from ipywidgets import HTML, FloatProgress, HBox

    bar, text = FloatProgress(max=1.0, description=title), HTML()
    box = HBox([bar, text])
    display(box)  # type: ignore[no-untyped-call]

    def step(fraction: float, what: str) -> None:
        if fraction - bar.value >= STEP or fraction >= 1.0:
            bar.value, text.value = fraction, escape(what)

    try:
        yield step
    finally:
        box.close()


STEP = 0.02
"""Smallest progress worth a message to the browser."""


def _in_notebook() -> bool:
    return "ipykernel" in sys.modules


def _run_row(entry: RunEntry) -> tuple[str, ...]:
    info = entry.info
    if info is None:
        return (entry.folder.name, "-", "-", "-", entry.problem)
    when = info.created.replace("T", " ").removesuffix("Z") + " UTC"
    return (info.run_id, info.procedure, when, str(entry.sample_count), entry.outcome)
