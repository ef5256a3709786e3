"""Before and after, stock against new: two profiles or two sets of runs side by side."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from hotbench.bench.analysis import FitOptions, analyse_runs
from hotbench.bench.comparing_ladders import (
    SafeRates,
    compared,
    ladder_caption,
    ladder_cautions,
    ladder_tables,
    ladder_words,
)
from hotbench.bench.figures import Picture
from hotbench.bench.profiling import build, short_label, usual_headline
from hotbench.bench.progress import Step, silent
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput, unwritable
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.ladders import DIRECTIONS, LadderComparison, Levels
from hotbench.fitting.ramps import Direction
from hotbench.profile.diff import NOTHING, Comparison, Difference, compare
from hotbench.profile.plain import canonical
from hotbench.profile.summary import plain_kind
from hotbench.profile.types import MachineProfile
from hotbench.profile.yaml_io import read_profile
from hotbench.store.checking import list_runs
from hotbench.store.layout import PACKAGE_FILE
from hotbench.store.reader import read_run

HEADS = ("number", "before", "after", "change", "interval", "differs")
PAGE, PICTURES = ".html", (".svg", ".png", ".pdf")


@dataclass(frozen=True)
class Side:
    """One of the two: its profile, and its runs where it was given as runs."""

    name: str
    profile: MachineProfile
    runs: tuple[Run, ...] = ()

    @property
    def ladders(self) -> list[Run]:
        """Its runs of ramps."""
        return [run for run in self.runs if run.info.procedure == "ramp"]

    @property
    def level_K(self) -> float | None:
        """The board's fault level, as stated or as its runs were recorded with it."""
        level_K = self.profile.provenance.options.get("fault_deviation_K")
        return float(level_K) if isinstance(level_K, int | float) else None

    def safe_rate_K_per_s(self, direction: str) -> float | None:
        """The safe rate that ramps of a direction were trials of; None without."""
        rows = (r for r in self.profile.slew if r.direction == direction and r.evidence.trials)
        return next((row.rate_K_per_s for row in rows), None)


def read_side(given: str | Path, options: FitOptions | None = None) -> Side:
    """A profile file; or run folders, comma separated, or a folder with runs below it.

    Errors: BadInput for what is neither; FellShort where the runs identify nothing.
    """
    text = str(given)
    paths = [Path(part.strip()) for part in text.split(",") if part.strip()]
    if len(paths) == 1 and not paths[0].is_dir():
        return Side(text, read_profile(paths[0]))
    folders = [folder for path in paths for folder in _run_folders(path)]
    runs = tuple(read_run(folder) for folder in dict.fromkeys(folders))
    analysis = analyse_runs(runs, options)
    analysis.raise_if_nothing_identified()
    return Side(text, canonical(build(analysis)), runs)


def _run_folders(path: Path) -> Iterator[Path]:
    if not path.is_dir():
        remedy = "give a profile, or run folders separated by commas"
        raise BadInput("no such run folder", where=path, remedy=remedy)
    if (path / PACKAGE_FILE).is_file():
        yield path
        return
    found = [entry.folder for entry in list_runs(path) if entry.info is not None]
    if not found:
        raise BadInput("no run folders below it", where=path)
    yield from found


def compare_files(
    first: str | Path,
    second: str | Path,
    *,
    out: Path | None = None,
    options: FitOptions | None = None,
    every: bool = True,
    progress: Step = silent,
) -> Result:
    """Differences of two profiles or two sets of runs, with intervals and significance.

    out: a page (.html) or a picture (.svg, .png, .pdf) to write, always of every number; every:
    show every number, or only those that differ and those people ask for first.
    """
    if out is not None and out.suffix.lower() not in (PAGE, *PICTURES):
        limit = ", ".join((PAGE, *PICTURES))
        raise BadInput("no known kind of page or picture", where="--out", value=out, limit=limit)
    progress(0.0, "before")
    before = read_side(first, options)
    progress(0.45, "after")
    after = read_side(second, options)
    found = compare(before.profile, after.profile)
    ladders = compared(before.ladders, after.ladders, _levels(before, after))
    words = _words(found, ladders)
    tables = _tables(before, after, found, ladders, words)
    if out is not None:
        progress(0.9, "drawing")
        _write(out, before, after, found, tables)
    if not every:
        tables = (_brief(found, before.profile), *tables[1:])
    facts = {
        "differences": found.differences,
        "only_before": found.only_before,
        "only_after": found.only_after,
        "shared_runs": found.shared_runs,
        "for_your_prints": words,
        "ladders": ladders,
    }
    return Result(facts if out is None else {**facts, "written": str(out)}, tables)


def _levels(before: Side, after: Side) -> Levels:
    return before.level_K, after.level_K


def _words(found: Comparison, ladders: Sequence[LadderComparison]) -> list[str]:
    """What changed for prints: what the ramps prove first."""
    proven = ladder_words(ladders)
    return [*proven, *(line for line in found.for_prints if not (proven and line == NOTHING))]


def _tables(
    before: Side,
    after: Side,
    found: Comparison,
    ladders: Sequence[LadderComparison],
    words: list[str],
) -> tuple[Table, ...]:
    """Differences, what they mean, the ladders, what only one side states, what to beware of."""
    runs = (before.ladders, after.ladders)
    shown: tuple[Table, ...] = ()
    if ladders:
        safe, levels_K = _safe_rates(before, after), _levels(before, after)
        shown = ladder_tables(ladders, ladder_caption(*runs), safe, levels_K)
    beware = [
        f"{run}: both sides rest on it, so they are not independent" for run in found.shared_runs
    ]
    beware += ladder_cautions(*runs) if ladders else []
    return (*tables_of(found, words), *shown, *_alone(found), *_beware(beware))


def _safe_rates(before: Side, after: Side) -> SafeRates:
    rates: dict[Direction, tuple[float, float]] = {}
    for direction in DIRECTIONS:
        first, second = (side.safe_rate_K_per_s(direction) for side in (before, after))
        if first and second:
            rates[direction] = (first, second)
    return rates


def tables_of(found: Comparison, words: list[str]) -> tuple[Table, Table]:
    """The comparison for people: every difference, and what it means."""
    rows = tuple(_row(difference) for difference in found.differences)
    (meaning,) = lines_table("what changed for your prints", "in words", words)
    return Table("differences", HEADS, rows, frozenset({1, 2, 3})), meaning


def _brief(found: Comparison, profile: MachineProfile) -> Table:
    """What differs, and the headline numbers nearest to a usual print."""
    asked = {row.where for row in usual_headline(profile)}
    shown = [d for d in found.differences if d.significant or d.where in asked]
    hidden = len(found.differences) - len(shown)
    caption = f"differences ({hidden} more numbers, none known to differ: --all)"
    rows = tuple(_row(d) for d in shown)
    return Table(caption if hidden else "differences", HEADS, rows, frozenset({1, 2, 3}))


def _alone(found: Comparison) -> tuple[Table, ...]:
    alone = [f"only before: {w}" for w in found.only_before]
    alone += [f"only after: {w}" for w in found.only_after]
    return lines_table("stated by one profile only", "number", alone)


def _beware(lines: list[str]) -> tuple[Table, ...]:
    return lines_table("beware", "of the comparison", lines)


def _row(d: Difference) -> tuple[str, ...]:
    shown: Quantity = d.percent if d.percent is not None else d.change
    interval = "-"
    if shown.low is not None and shown.high is not None:
        interval = f"{signed(shown.low)} to {signed(shown.high)}"
    verdict = {True: "yes", False: "no", None: "unknown"}[d.significant]
    label = short_label(f"{plain_kind(d.kind)} {d.condition}".strip())
    before, after = number(d.before.value), f"{number(d.after.value)} {d.after.unit}".strip()
    return (label, before, after, f"{signed(shown.value)} {shown.unit}", interval, verdict)


def signed(value: float, digits: int = 2) -> str:
    """A change: the number with its sign, also a plus."""
    return f"{'-' if value < 0.0 else '+'}{number(abs(value), digits)}"


def _write(
    out: Path, before: Side, after: Side, found: Comparison, tables: Sequence[Table]
) -> None:
    """The page, or the picture of changes alone. Errors: BadInput when the path refuses."""
    from hotbench.bench.compare_pictures import changes_figure, pictures

    try:
        if out.suffix.lower() != PAGE:
            changes_figure(found).savefig(out)
            return
        runs = (before.runs, after.runs)
        shown = tuple(pictures(before.profile, after.profile, runs, found))
        out.write_text(_page(before, after, tables, shown), encoding="utf-8")
    except OSError as error:
        raise unwritable(error, out) from error


def _page(before: Side, after: Side, tables: Sequence[Table], shown: Sequence[Picture]) -> str:
    """One self-contained page in the report's dress."""
    from jinja2 import Environment, StrictUndefined

    from hotbench.bench.reporting import CAUTIONS, Section
    from hotbench.bench.tables import typeset_table

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["typeset"] = typeset_table
    source = files("hotbench.bench").joinpath("templates/report.html.j2").read_text("utf-8")
    differences, words, *others = tables
    return environment.from_string(source).render(
        title=_title(before.profile.machine.name, after.profile.machine.name),
        subtitle=f"Before: {before.name}. After: {after.name}.",
        facts=[],
        summary=[],
        cautions=CAUTIONS,
        sections=[
            Section("What changed", tables=(words,)),
            Section("Side by side", figures=tuple(shown), tables=tuple(others)),
            Section("Every number", tables=(differences,)),
        ],
        provenance=_provenance(before, after),
    )


def _title(before: str, after: str) -> str:
    return f"{before}, before and after" if before == after else f"{before} and {after}"


def _provenance(before: Side, after: Side) -> Table:
    heads = ("side", "run", "test", "recorded", "outcome", "sha256 of samples")
    rows = tuple(
        (
            name,
            run.run,
            run.procedure,
            run.created,
            run.outcome,
            run.sha256.get("samples.csv", "-"),
        )
        for name, side in (("before", before), ("after", after))
        for run in side.profile.provenance.runs
    )
    return Table("runs that these numbers rest on", heads, rows)
