"""Measured values of a run's extrusions: what is pending, entered, undone, rejected, given back."""

from collections.abc import Callable, Mapping
from pathlib import Path

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.bench.weighing import doubt, grams, is_impossible
from hotbench.core.errors import BadInput, unknown_key
from hotbench.core.records import Extrusion
from hotbench.models.units import mass_of_length_g
from hotbench.store import weighings
from hotbench.store.reader import read_run

COLUMNS: Mapping[str, str] = {
    "mass": "delivered_mass_g",
    "length": "delivered_mm",
    "bond": "bond_force_N",
    "section": "bond_section_mm2",
}
UNITS: Mapping[str, str] = {"mass": "g", "length": "mm", "bond": "N", "section": "mm²"}
HEADS = ("extrusion", "°C", "mm³/s", "mm", "mass / g", "length / mm", "force / N", "section / mm²")

Ask = Callable[[str], str]


def column_of(evidence: str) -> str:
    """The column of a kind of evidence: mass, length, bond or section."""
    if evidence not in COLUMNS:
        raise unknown_key(evidence, COLUMNS, where="evidence")
    return COLUMNS[evidence]


def pending(folder: Path, evidence: str = "mass") -> dict[int, Extrusion]:
    """Extrusions without a value, by number (from 1); those rejected are not asked for again."""
    column, rejected = column_of(evidence), weighings.rejected(folder)
    return {
        n: extrusion
        for n, extrusion in enumerate(read_run(folder).extrusions, start=1)
        if getattr(extrusion, column) is None and (column, n) not in rejected
    }


def listing(folder: Path) -> Result:
    """Every extrusion with what was entered, and the reasons of rejections."""
    extrusions, rejected = read_run(folder).extrusions, weighings.rejected(folder)
    if not extrusions:
        raise BadInput("run has no extrusions", where=folder)
    rows = tuple(_row(n, extrusion, rejected) for n, extrusion in enumerate(extrusions, start=1))
    state = {kind: sorted(pending(folder, kind)) for kind in ("mass", "length", "bond")}
    reasons = [
        {"extrusion": n, "column": column, "value": change.before[n], "reason": change.reason}
        for (column, n), change in rejected.items()
    ]
    facts = {"run": str(folder), "extrusions": extrusions, "pending": state, "rejected": reasons}
    tables = [Table(f"extrusions of {folder}", HEADS, rows, frozenset(range(len(HEADS))))]
    if reasons:
        told = tuple((str(r["extrusion"]), str(r["column"]), str(r["reason"])) for r in reasons)
        tables.append(Table("left out", ("extrusion", "column", "why"), told))
    return Result(facts, tuple(tables))


def _row(
    n: int, extrusion: Extrusion, rejected: Mapping[tuple[str, int], weighings.Change]
) -> tuple[str, ...]:
    commanded = (extrusion.setpoint_C, extrusion.commanded_mm3_per_s, extrusion.commanded_mm)
    cells = []
    for column in COLUMNS.values():
        value = getattr(extrusion, column)
        missing = "rejected" if (column, n) in rejected else "-"
        cells.append(missing if value is None else number(value, 4))
    return (str(n), *(number(value) for value in commanded), *cells)


def enter(folder: Path, values: Mapping[int, float], evidence: str = "mass") -> Result:
    """Enter values by extrusion number; what stood there before stays in the history."""
    weighings.fill(folder, values, column=column_of(evidence))
    return listing(folder)


def enter_by_prompt(folder: Path, ask: Ask, evidence: str = "mass") -> Result:
    """Ask for every value that is pending; kept one by one, so that a break loses nothing.

    An empty answer leaves it pending, 'undo' takes the last answer back and asks again.
    """
    waiting = pending(folder, evidence)
    numbers, place, entered = list(waiting), 0, list[int]()
    while place < len(numbers):
        n = numbers[place]
        answer = _answer(folder, n, waiting[n], evidence, ask)
        if answer == "undo":
            if entered:
                weighings.undo(folder)
                place = entered.pop()
            continue
        if isinstance(answer, float):
            weighings.fill(folder, {n: answer}, column=column_of(evidence))
            entered.append(place)
        place += 1
    return listing(folder)


def _answer(
    folder: Path, n: int, extrusion: Extrusion, evidence: str, ask: Ask
) -> float | str | None:
    question = (
        f"extrusion {n}, {extrusion.setpoint_C:g} °C, {extrusion.commanded_mm3_per_s:.3g} mm³/s: "
        f"{evidence} in {UNITS[evidence]} (Enter: later, undo: the one before)"
    )
    doubted = None
    while True:
        text = ask(question).strip()
        if not text:
            return None
        if text == "undo":
            return text
        try:
            value = grams(text)
        except ValueError:
            question = f"'{text}' is not a number; {evidence} in {UNITS[evidence]}"
            continue
        why = doubt_about(folder, extrusion, value, evidence)
        sure = value == doubted and not impossible(folder, extrusion, value, evidence)
        if value >= 0.0 and (why is None or sure):
            return value
        doubted = value
        question = why or f"{value:g} is below zero"


def doubt_about(
    folder: Path, extrusion: Extrusion, value: float, evidence: str = "mass"
) -> str | None:
    """Why a value is hardly believable, so that the person is asked again; None when it is."""
    expected = _expected(folder, extrusion, evidence)
    return None if expected is None else doubt(value, expected, UNITS[evidence])


def impossible(folder: Path, extrusion: Extrusion, value: float, evidence: str = "mass") -> bool:
    """Whether a value cannot be meant, so that typing it again does not keep it."""
    expected = _expected(folder, extrusion, evidence)
    return expected is not None and is_impossible(value, expected)


def _expected(folder: Path, extrusion: Extrusion, evidence: str) -> float | None:
    if evidence == "length":
        return extrusion.commanded_mm
    if evidence != "mass":
        return None
    info = read_run(folder).info
    return mass_of_length_g(
        extrusion.commanded_mm, info.filament_diameter_mm, info.filament_density_g_per_cm3
    )


def enter_from_csv(folder: Path, file: Path | None = None) -> Result:
    """Take values from a CSV file; None accepts the run's own table as it was edited in place."""
    weighings.fill_from_csv(folder, Path(folder) / "extrusions.csv" if file is None else file)
    return listing(folder)


def undo(folder: Path) -> Result:
    """Take the last change back."""
    weighings.undo(folder)
    return listing(folder)


def reject(folder: Path, extrusion: int, reason: str, evidence: str = "mass") -> Result:
    """Leave an outlier out; its value and the reason are kept."""
    weighings.reject(folder, extrusion, reason, column=column_of(evidence))
    return listing(folder)


def restore(folder: Path, extrusion: int, evidence: str = "mass") -> Result:
    """Give a rejected value back."""
    weighings.restore(folder, extrusion, column=column_of(evidence))
    return listing(folder)


def history(folder: Path) -> Result:
    """Every change in order."""
    changes = weighings.history(folder)
    rows = tuple(
        (change.column, str(n), _shown(change.before[n]), _shown(value), change.reason)
        for change in changes
        for n, value in change.after.items()
    )
    heads = ("column", "extrusion", "before", "after", "why")
    facts = {"run": str(folder), "changes": [change.plain() for change in changes]}
    return Result(facts, (Table(f"changes in {folder}", heads, rows, frozenset({1, 2, 3})),))


def _shown(value: float | None) -> str:
    return "-" if value is None else number(value, 4)
