"""Many runs and printers at once: one fit per run, a table, and what drifts on a printer."""

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import kendalltau, theilslopes

from hotbench.bench.analysis import FitOptions, analyse_runs
from hotbench.bench.progress import Step, silent
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, number
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, HotbenchError, unwritable
from hotbench.core.quantity import Quantity
from hotbench.fitting.heater_result import HeaterFit
from hotbench.profile.types import CoolingRate, Heater, HoldDuty
from hotbench.profile.yaml_io import read_profile
from hotbench.store.checking import RunEntry, list_runs
from hotbench.store.reader import read_run

AT_C = 200.0
FEWEST_RUNS = 5
"""Runs of one printer that a drift is judged on: fewer cannot reach the level by their order."""
LEVEL = 0.05
FIRST_KEY, COLD = b"hotbench_profile:", "cold"
NAMES = ("heating_rate", "cooling_rate", "combined_lag", "hold_duty")
HEADS = (
    "printer", "run", "recorded", "heats / K/s", "cools / K/s", "lag / s", "holds with", "",
)  # fmt: skip
DRIFT_HEADS = ("printer", "number", "from", "to", "change per 30 days", "interval", "evidence")
MAY_BE: Mapping[tuple[str, bool], str] = {
    ("heating_rate", False): "the heater or its supply may be weakening, or its seat loosening",
    ("heating_rate", True): "the heater, its supply or the hot end may have been changed",
    ("cooling_rate", True): "insulation may be missing, or air may reach the hot end",
    (
        "cooling_rate",
        False,
    ): "heat may be kept in: more insulation, or a weaker cooling of the sink",
    ("combined_lag", True): "the sensor may be loosening in its seat",
    ("combined_lag", False): "the sensor may have been reseated or changed",
    ("hold_duty", True): "more heat may be lost, or the heater may be weakening",
    ("hold_duty", False): "less heat may be lost, or the heater may be stronger",
}
"""What a number that falls (False) or grows (True) may point to; common practice, no source."""


@dataclass(frozen=True)
class Surveyed:
    """One run's numbers at AT_C; `remark` says why some are missing."""

    printer: str
    run_id: str
    folder: str
    created: str
    numbers: Mapping[str, Quantity] = field(default_factory=dict)
    remark: str = ""


@dataclass(frozen=True)
class Drift:
    """A number that moves over a printer's runs: a suspicion with its evidence, no verdict.

    first, last: ends of the line through the medians of slopes. per_30_days: its slope with a
    95 % interval. p: that as orderly a movement comes by chance, all numbers of all printers of
    the survey counted (Bonferroni).
    """

    printer: str
    name: str
    unit: str
    runs: int
    first: float
    last: float
    per_30_days: Quantity
    tau: float
    p: float

    @property
    def suspicion(self) -> str:
        """In plain words."""
        change = 100.0 * (self.last / self.first - 1.0)
        may_be = MAY_BE[self.name, change > 0.0]
        return f"{self.printer}: {self.name.replace('_', ' ')} moves by {change:+.0f} %: {may_be}"


def survey_folder(
    folder: Path,
    options: FitOptions | None = None,
    *,
    workers: int = 2,
    cluster: str | None = None,
    out: Path | None = None,
    profiles: bool = False,
    progress: Step = silent,
) -> Result:
    """`hotbench survey FOLDER`: fit every run below it on its own and look for drift.

    cluster: address of a Dask scheduler, whose workers see the same folders. out: a CSV table.
    profiles: take the machine profiles below it instead, as they state their numbers.
    Errors: BadInput where there is nothing; a run that cannot be fitted, or a profile that cannot
    be read, is a row with its reason.
    """
    if profiles:
        rows = survey_profiles(folder)
    else:
        entries = list_runs(folder)
        if not entries:
            remedy = "give --profiles for machine profiles"
            raise BadInput("no run folders below it", where=folder, remedy=remedy)
        rows = survey(entries, folder, options, workers=workers, cluster=cluster, progress=progress)
    drifts = drifting(rows)
    if out is not None:
        write_table(rows, out)
    facts = {
        "profiles" if profiles else "runs": rows,
        "drifts": drifts,
        "suspicions": [d.suspicion for d in drifts],
    }
    return Result(facts, _tables(rows, drifts, "profiles" if profiles else "runs"))


def survey(
    entries: Sequence[RunEntry],
    root: Path,
    options: FitOptions | None = None,
    *,
    workers: int = 2,
    cluster: str | None = None,
    progress: Step = silent,
) -> list[Surveyed]:
    """One row per run in the order of printers and dates, whatever the number of workers."""
    from joblib import Parallel, delayed

    jobs = [(entry, printer_of(entry, root), options or FitOptions()) for entry in entries]
    with ExitStack() as stack:
        stack.enter_context(_backend(cluster))
        pool = Parallel(n_jobs=workers, return_as="generator", batch_size=1)
        found = []
        for row in pool(delayed(survey_one)(*job) for job in jobs):
            found.append(row)
            progress(len(found) / len(jobs), row.run_id)
    return sorted(found, key=_place)


def survey_profiles(folder: Path) -> list[Surveyed]:
    """One row per machine profile below a folder. Errors: BadInput where there is none."""
    try:
        files = [path for path in sorted(folder.rglob("*.yaml")) if _is_profile(path)]
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=folder) from error
    if not files:
        raise BadInput("no machine profiles below it", where=folder)
    return sorted(map(_of_profile, files), key=_place)


def _is_profile(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(FIRST_KEY)) == FIRST_KEY


def _of_profile(path: Path) -> Surveyed:
    try:
        profile = read_profile(path)
    except BadInput as error:
        return Surveyed("", path.name, str(path), "", remark=str(error))
    heater, machine = profile.heater, profile.machine
    return Surveyed(
        printer=machine.printer or machine.name,
        run_id=path.name,
        folder=str(path),
        created=profile.provenance.date,
        numbers=dict(_stated(heater)) if heater else {},
        remark="" if heater else "no heater data in it",
    )


def _stated(heater: Heater) -> Iterator[tuple[str, Quantity]]:
    """What a profile states at AT_C: heating from cold, cooling, holding without fan; the lag."""
    for heating in heater.heating_rate:
        if heating.temperature_C == AT_C and heating.start == COLD:
            yield "heating_rate", heating.quantity
    rows: tuple[CoolingRate | HoldDuty, ...] = (*heater.cooling_rate, *heater.hold_duty)
    for row in rows:
        if row.temperature_C == AT_C and not row.fan:
            yield "hold_duty" if isinstance(row, HoldDuty) else "cooling_rate", row.quantity
    if heater.combined_lag is not None:
        yield "combined_lag", heater.combined_lag


def _place(row: Surveyed) -> tuple[str, str, str]:
    return row.printer, row.created, row.folder


def _backend(cluster: str | None) -> AbstractContextManager[Any]:
    """Where joblib sends the work: processes of this machine, or a Dask cluster."""
    if cluster is None:
        return nullcontext()
    try:
        from distributed import Client
    except ImportError as error:
        raise BadInput("Dask is not installed", remedy="install hotbench[cluster]") from error
    from joblib import parallel_config

    return _Cluster(Client, parallel_config, cluster)


@dataclass
class _Cluster(AbstractContextManager[None]):
    """A client of a scheduler as joblib's backend, closed afterwards."""

    client_of: Any
    configured: Any
    address: str
    stack: ExitStack = field(default_factory=ExitStack)

    def __enter__(self) -> None:
        try:
            self.stack.enter_context(self.client_of(self.address, timeout="10s"))
        except (OSError, TimeoutError, ValueError) as error:
            remedy = "start the scheduler, or give its address as it prints it"
            raise BadInput("no such Dask scheduler", where=self.address, remedy=remedy) from error
        self.stack.enter_context(self.configured(backend="dask"))

    def __exit__(self, *_: object) -> None:
        self.stack.close()


def printer_of(entry: RunEntry, root: Path) -> str:
    """Whose run it is: as the run says, else the folder that holds its runs, else the firmware."""
    if entry.info is not None and entry.info.printer:
        return entry.info.printer
    parents = entry.folder.parent.relative_to(root).parts if entry.folder != root else ()
    if parents:
        return "/".join(parents)
    return (entry.info.firmware if entry.info else "") or "unnamed"


def survey_one(entry: RunEntry, printer: str, options: FitOptions) -> Surveyed:
    """One run fitted by itself; what it cannot tell is left out, with the reason."""
    info = entry.info
    bare = Surveyed(
        printer=printer,
        run_id=info.run_id if info else entry.folder.name,
        folder=str(entry.folder),
        created=info.created if info else "",
    )
    try:
        analysis = analyse_runs([read_run(entry.folder)], options)
    except HotbenchError as error:
        return replace(bare, remark=str(error))
    if analysis.heater is None:
        reason = "; ".join(f"{gap.what}: {gap.why}" for gap in analysis.gaps)
        return replace(bare, remark=reason or "no heater data in it")
    return replace(bare, numbers=dict(_numbers(analysis.heater)))


def _numbers(fit: HeaterFit) -> Iterator[tuple[str, Quantity]]:
    """At AT_C: heating from cold, cooling and holding without fan; and the lag."""
    wanted = {
        "heating rate": "heating_rate",
        "cooling rate": "cooling_rate",
        "hold duty": "hold_duty",
    }
    for row in (*fit.heating_rate, *fit.cooling_rate, *fit.hold_duty):
        figure = row.figure
        usual = figure.temperature_C == AT_C and not figure.fan
        if usual and (figure.kind != "heating rate" or figure.start_C is None):
            yield wanted[figure.kind], row.quantity
    yield "combined_lag", fit.combined_lag


def drifting(rows: Sequence[Surveyed]) -> list[Drift]:
    """Numbers that move with time on a printer, beyond chance over everything looked at.

    Order against time by Kendall's tau, size by Theil's and Sen's median slope: neither minds a
    single bad run or the shape of the scatter.
    """
    by_printer = groupby(sorted(rows, key=lambda row: row.printer), key=lambda row: row.printer)
    looked = [
        (printer, name, series)
        for printer, own in [(printer, list(group)) for printer, group in by_printer]
        for name in NAMES
        if (series := _series(own, name)) is not None
    ]
    found = [_drift(printer, name, *series, len(looked)) for printer, name, series in looked]
    return [drift for drift in found if drift.p < LEVEL]


Series = tuple[FloatArray, FloatArray, str]


def _series(rows: Sequence[Surveyed], name: str) -> Series | None:
    """Days since the first run, values and unit; None for too few runs on too few days."""
    dated = [(_day(row.created), row.numbers[name]) for row in rows if name in row.numbers]
    known = [(day, quantity) for day, quantity in dated if day is not None and quantity.value > 0.0]
    if len({day for day, _ in known}) < FEWEST_RUNS:
        return None
    days = np.array([day for day, _ in known])
    values = np.array([quantity.value for _, quantity in known])
    return days - days.min(), values, known[0][1].unit


def _day(created: str) -> float | None:
    try:
        return datetime.fromisoformat(created).timestamp() / 86400.0
    except ValueError:
        return None


def _drift(
    printer: str, name: str, days: FloatArray, values: FloatArray, unit: str, looked: int
) -> Drift:
    tau, p = kendalltau(days, values)
    slope, middle, low, high = theilslopes(values, days, alpha=0.95)
    last_day = float(days.max())
    return Drift(
        printer=printer,
        name=name,
        unit=unit,
        runs=days.size,
        first=float(middle),
        last=float(middle + slope * last_day),
        per_30_days=Quantity(
            value=30.0 * float(slope),
            unit=f"{unit or '1'} per 30 days",
            low=30.0 * float(low),
            high=30.0 * float(high),
            confidence=0.95,
            basis="fitted",
        ),
        tau=float(np.nan_to_num(tau)),
        p=float(min(1.0, looked * np.nan_to_num(p, nan=1.0))),
    )


def write_table(rows: Sequence[Surveyed], path: Path) -> None:
    """The survey as CSV: one line per run, value and interval of each number."""
    heads = ["printer", "run_id", "folder", "created", "remark"]
    columns = [f"{name}{end}" for name in NAMES for end in ("", "_low", "_high")]
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, [*heads, *columns], lineterminator="\n")
            writer.writeheader()
            writer.writerows(_csv_row(row, heads) for row in rows)
    except OSError as error:
        raise unwritable(error, path) from error


def _csv_row(row: Surveyed, heads: Sequence[str]) -> dict[str, object]:
    stated = {name: asdict(row)[name] for name in heads}
    for name, quantity in row.numbers.items():
        ends = {"": quantity.value, "_low": quantity.low, "_high": quantity.high}
        stated |= {f"{name}{end}": value for end, value in ends.items()}
    return stated


def _tables(
    rows: Sequence[Surveyed], drifts: Sequence[Drift], what: str = "runs"
) -> tuple[Table, ...]:
    cells = tuple(_cells(row) for row in rows)
    caption = f"{len(rows)} {what} at {AT_C:g} °C: heating from cold, cooling without fan"
    heads = (HEADS[0], what.removesuffix("s"), *HEADS[2:])
    table = Table(caption, heads, cells, frozenset({3, 4, 5, 6}))
    moving = tuple(_drift_cells(drift) for drift in drifts)
    shown = [Table("what moves with time", DRIFT_HEADS, moving)] if moving else []
    lines = [drift.suspicion for drift in drifts]
    words = lines_table("suspicions, not verdicts: look at the machine", "in words", lines)
    return (table, *shown, *words)


def _cells(row: Surveyed) -> tuple[str, ...]:
    numbers = [number(row.numbers[name].value) if name in row.numbers else "-" for name in NAMES]
    return (row.printer, row.run_id, row.created[:10], *numbers, row.remark)


def _drift_cells(drift: Drift) -> tuple[str, ...]:
    slope = drift.per_30_days
    return (
        drift.printer,
        drift.name.replace("_", " "),
        f"{number(drift.first)} {drift.unit}".strip(),
        f"{number(drift.last)} {drift.unit}".strip(),
        f"{slope.value:+.2g}",
        "-"
        if slope.low is None or slope.high is None
        else f"{slope.low:+.2g} to {slope.high:+.2g}",
        f"{drift.runs} runs, tau {drift.tau:+.2f}, p {number(drift.p, 2)}",
    )
