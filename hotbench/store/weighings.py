"""Weighings entered after a run was closed: filled in, replaced, undone, rejected with a reason."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from hotbench.core.errors import BadInput, unknown_key
from hotbench.core.records import Event, Extrusion
from hotbench.store.cells import TextTable
from hotbench.store.content import Content, load
from hotbench.store.evidence import (
    COMMANDED,
    MEASURED,
    commanded_digest,
    evidence_of,
)
from hotbench.store.files import facts_of, replace_file
from hotbench.store.layout import EVENTS, EXTRUSIONS, PACKAGE_FILE, SAMPLES, Package, dumps
from hotbench.store.locking import holding
from hotbench.store.rows import event_row, extrusion_row, header, number
from hotbench.store.sniffing import read_text_table
from hotbench.store.tables import read_extrusions, read_samples

Values = Mapping[int, float | None]
NUMBER_COLUMN = "extrusion"
REJECTED, UNDONE = "rejected: ", "undone"
NOTED = re.compile(r"(?P<column>\w+) (?P<reason>.*); extrusion (?P<values>\d+: .*)", re.DOTALL)
VALUES_NOTED = re.compile(r"(\d+): (\S+) -> \S+")


@dataclass(frozen=True)
class Change:
    """One accepted change: what stood before and after, by extrusion (from 1), and why."""

    column: str
    before: Mapping[int, float | None]
    after: Mapping[int, float | None]
    reason: str

    def plain(self) -> dict[str, Any]:
        """JSON values; keys become text."""
        return {
            "column": self.column,
            "before": {str(key): value for key, value in self.before.items()},
            "after": {str(key): value for key, value in self.after.items()},
            "reason": self.reason,
        }

    @classmethod
    def of(cls, plain: Mapping[str, Any]) -> "Change":
        """The inverse of `plain`."""
        before = {int(key): value for key, value in plain["before"].items()}
        after = {int(key): value for key, value in plain["after"].items()}
        return cls(plain["column"], before, after, plain["reason"])


def fill(folder: Path, values: Values, *, column: str = "delivered_mass_g") -> None:
    """Set measured values by extrusion number (from 1), replacing what was there.

    BadInput for an unknown extrusion or column, a negative value, or a run that is not closed.
    """
    _check_column(column)
    _change(folder, lambda extrusions: [_set(extrusions, column, values, "filled in", folder)])


def fill_in_order(
    folder: Path, masses_g: Sequence[float | None], *, column: str = "delivered_mass_g"
) -> None:
    """Set all values in the order of the extrusions, None for what was not measured."""
    fill(folder, dict(enumerate(masses_g, start=1)), column=column)


def fill_from_csv(folder: Path, path: Path) -> None:
    """Take measured values from a CSV file.

    Either a filled-in copy of extrusions.csv (one row per extrusion, same commanded columns) or a
    table with a column 'extrusion' (numbers from 1) and one or more measured columns. The run's own
    extrusions.csv is accepted when it was edited in place.
    """
    table = read_text_table(Path(path))
    columns = [name for name in MEASURED if name in table.frame.columns]
    if not columns:
        raise BadInput("no measured column", where=path, remedy=f"one of {', '.join(MEASURED)}")

    def changes(extrusions: Sequence[Extrusion]) -> list[Change]:
        numbers = _extrusion_numbers(table, extrusions)
        return [
            change
            for name in columns
            if (change := _set(extrusions, name, _column(table, name, numbers), "from CSV", folder))
        ]

    _change(folder, changes)


def reject(folder: Path, extrusion: int, reason: str, *, column: str = "delivered_mass_g") -> None:
    """Leave an outlier out: its value is emptied, and kept with the reason in the history."""
    _check_column(column)
    if not reason.strip():
        raise BadInput("an outlier is rejected only with its reason", where=folder)
    kept = f"{REJECTED}{reason.strip()}"
    _change(folder, lambda extrusions: [_set(extrusions, column, {extrusion: None}, kept, folder)])


def rejected(folder: Path) -> dict[tuple[str, int], Change]:
    """Rejections that stand, by column and extrusion number."""
    found: dict[tuple[str, int], Change] = {}
    for change in history(folder):
        for key in change.after:
            found.pop((change.column, key), None)
            if change.reason.startswith(REJECTED):
                found[change.column, key] = change
    return found


def rejections_noted(events: Sequence[Event]) -> dict[tuple[str, int], tuple[str, str]]:
    """Rejections that stand, told from a run's notes: the value that was there, and the reason."""
    changes: dict[tuple[str, int], list[tuple[str, str]]] = {}
    for event in events:
        match = NOTED.match(event.text) if event.kind == "note" else None
        if match is None or match["column"] not in MEASURED:
            continue
        for n, before in VALUES_NOTED.findall(match["values"]):
            own = changes.setdefault((match["column"], int(n)), [])
            if match["reason"] != UNDONE:
                own.append((before, match["reason"]))
            elif own:
                own.pop()
    return {key: own[-1] for key, own in changes.items() if own and own[-1][1].startswith(REJECTED)}


def restore(folder: Path, extrusion: int, *, column: str = "delivered_mass_g") -> None:
    """Give a rejected value back; BadInput when the extrusion is not rejected."""
    _check_column(column)
    change = rejected(folder).get((column, extrusion))
    if change is None:
        raise BadInput("is not rejected", where=f"{folder}, extrusion {extrusion}")
    value = {extrusion: change.before[extrusion]}
    _change(folder, lambda extrusions: [_set(extrusions, column, value, "restored", folder)])


def undo(folder: Path) -> Change:
    """Take back the last change; BadInput when there is none."""
    undone: list[Change] = []

    def changes(_: Sequence[Extrusion], history: list[Any]) -> list[Change]:
        if not history:
            raise BadInput("no weighing to undo", where=folder)
        last = Change.of(history.pop())
        undone.append(last)
        return [Change(last.column, last.after, last.before, UNDONE)]

    _rewrite(Path(folder), changes, remember=False)
    return undone[0]


def history(folder: Path) -> list[Change]:
    """All accepted changes, oldest first."""
    return [Change.of(plain) for plain in load(Path(folder)).package.evidence.get("changes", ())]


def _check_column(column: str) -> None:
    if column not in MEASURED:
        raise unknown_key(column, MEASURED, where="measured column")


def _change(folder: Path, changes: Callable[[Sequence[Extrusion]], list[Change]]) -> None:
    _rewrite(Path(folder), lambda extrusions, _: changes(extrusions), remember=True)


def _rewrite(
    folder: Path,
    changes_of: Callable[[Sequence[Extrusion], list[Any]], list[Change]],
    *,
    remember: bool,
) -> None:
    """Apply changes to the last accepted values and state the new digests."""
    with holding(folder / SAMPLES, folder):
        content = load(folder)
        accepted = _accepted(folder, content)
        history = list(content.package.evidence["changes"])
        changes = [change for change in changes_of(accepted, history) if change.after]
        changed = list(accepted)
        for change in changes:
            _apply(changed, change)
        if remember:
            history += [change.plain() for change in changes]
        _write(folder, content, changed, [_note(change) for change in changes], history)


def _accepted(folder: Path, content: Content) -> list[Extrusion]:
    """The extrusions as last accepted, whatever was done to the file meanwhile."""
    package = content.package
    if EXTRUSIONS not in package.files:
        raise BadInput("run has no extrusions", where=folder)
    if package.outcome == "recording":
        raise BadInput("run is not closed", where=folder, remedy="recover closes a run cut off")
    commanded = _commanded_now(folder, content)
    measured = package.evidence["measured"]
    pairs = zip(commanded, measured, strict=True)
    # Runs of earlier versions have fewer measured columns.
    return [_with(extrusion, dict(zip(MEASURED, row, strict=False))) for extrusion, row in pairs]


def _commanded_now(folder: Path, content: Content) -> list[Extrusion]:
    """Commanded columns as they are; refused unless their digest is the one stated."""
    path = folder / EXTRUSIONS
    facts = content.package.files[EXTRUSIONS]
    data = content.whole.get(EXTRUSIONS, b"") + content.rest.get(EXTRUSIONS, b"")
    if facts is not None and facts_of(data).sha256 == facts.sha256:
        extrusions = list(read_extrusions(data, path))
    else:
        table = read_text_table(path)
        columns = [table.numbers(name, empty_allowed=False).tolist() for name in COMMANDED]
        extrusions = [Extrusion(*row) for row in zip(*columns, strict=True)]
    if commanded_digest(extrusions) != content.package.evidence.get("commanded_sha256"):
        raise BadInput(
            "commanded columns were edited or rows are missing",
            where=path,
            remedy="restore the file, only measured columns may change",
        )
    return extrusions


def _extrusion_numbers(table: TextTable, extrusions: Sequence[Extrusion]) -> list[int]:
    if NUMBER_COLUMN in table.frame.columns:
        return [int(n) for n in table.numbers(NUMBER_COLUMN, empty_allowed=False)]
    columns = [table.numbers(name, empty_allowed=False).tolist() for name in COMMANDED]
    given = [Extrusion(*row) for row in zip(*columns, strict=True)]
    if commanded_digest(given) != commanded_digest(extrusions):
        raise BadInput(
            "commanded columns differ from the run's",
            where=table.path,
            value=f"{len(given)} rows",
            limit=f"{len(extrusions)} extrusions",
            remedy=f"fill in a copy of {EXTRUSIONS}, or give a column '{NUMBER_COLUMN}'",
        )
    return list(range(1, len(given) + 1))


def _column(table: TextTable, name: str, numbers: Sequence[int]) -> dict[int, float | None]:
    values = table.numbers(name, empty_allowed=True).tolist()
    pairs = zip(numbers, values, strict=True)
    return {key: None if math.isnan(value) else value for key, value in pairs}


def _set(
    extrusions: Sequence[Extrusion], column: str, values: Values, reason: str, folder: Path
) -> Change:
    """The change that gives `column` these values; unchanged ones are left out."""
    for key, value in values.items():
        where = f"{folder}, extrusion {key}"
        if not 1 <= key <= len(extrusions):
            raise BadInput("no such extrusion", where=where, limit=f"1 to {len(extrusions)}")
        if value is not None and not 0.0 <= value < float("inf"):
            raise BadInput(f"{column} must be zero or more", where=where, value=value)
    before = {key: getattr(extrusions[key - 1], column) for key in values}
    new = {key: value for key, value in values.items() if value != before[key]}
    return Change(column, {key: before[key] for key in new}, new, reason)


def _apply(extrusions: list[Extrusion], change: Change) -> None:
    for key, value in change.after.items():
        extrusions[key - 1] = _with(extrusions[key - 1], {change.column: value})


def _with(extrusion: Extrusion, measured: Mapping[str, float | None]) -> Extrusion:
    return replace(extrusion, **cast(dict[str, Any], measured))


def _note(change: Change) -> str:
    parts = [
        f"{key}: {number(change.before[key]) or 'none'} -> {number(value) or 'none'}"
        for key, value in change.after.items()
    ]
    return f"{change.column} {change.reason}; extrusion {', '.join(parts)}"


def _write(
    folder: Path,
    content: Content,
    extrusions: Sequence[Extrusion],
    notes: Sequence[str],
    history: list[Any],
) -> None:
    time_s = read_samples(content.whole[SAMPLES], folder / SAMPLES)["time_s"]
    last_s = float(time_s[-1]) if time_s.size else 0.0
    events = content.whole[EVENTS] + b"".join(
        event_row(Event(last_s, "note", note)) for note in notes
    )
    table = header(EXTRUSIONS) + b"".join(map(extrusion_row, extrusions))
    package = _restated(content.package, events, table, evidence_of(extrusions, history))
    replace_file(folder / EXTRUSIONS, table)
    replace_file(folder / EVENTS, events)
    replace_file(folder / PACKAGE_FILE, dumps(package))


def _restated(
    package: Package, events: bytes, extrusions: bytes, evidence: Mapping[str, Any]
) -> Package:
    files = dict(package.files)
    files |= {EVENTS: facts_of(events), EXTRUSIONS: facts_of(extrusions)}
    return replace(package, files=files, evidence=evidence)
