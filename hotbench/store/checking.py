"""Listing, verifying and recovering run folders."""

from dataclasses import dataclass, replace
from pathlib import Path

from hotbench.core.errors import BadInput
from hotbench.core.records import Event, Outcome, RunInfo
from hotbench.store.content import Content, load, outcome_of
from hotbench.store.evidence import commanded_digest, evidence_of
from hotbench.store.files import create, facts_of, flush_to_disk, replace_file
from hotbench.store.layout import (
    EVENTS,
    EXTRUSIONS,
    PACKAGE_FILE,
    RUN_KEY,
    SAMPLES,
    dumps,
    load_package,
)
from hotbench.store.locking import holding, is_locked
from hotbench.store.rows import event_row, header
from hotbench.store.tables import read_extrusions, read_samples


@dataclass(frozen=True)
class RunEntry:
    """A run folder in a listing. info is None when the package cannot be read: see problem."""

    folder: Path
    info: RunInfo | None
    outcome: Outcome
    sample_count: int
    problem: str = ""


@dataclass(frozen=True)
class Verification:
    """A run folder held against what its package states; problems are one line each."""

    folder: Path
    outcome: Outcome
    problems: tuple[str, ...]

    @property
    def intact(self) -> bool:
        """Closed, and every file as it was closed."""
        return not self.problems


def list_runs(folder: Path) -> list[RunEntry]:
    """Every run folder at or below `folder`, oldest first; other data packages are left out."""
    folder = Path(folder)
    if not folder.is_dir():
        raise BadInput("no such folder", where=folder)
    found = (_entry(path.parent) for path in folder.rglob(PACKAGE_FILE))
    entries = [entry for entry in found if entry is not None]
    return sorted(entries, key=lambda e: (e.info.created if e.info else "", str(e.folder)))


def verify(folder: Path) -> Verification:
    """Compare every file with the size and digest that the closed package states."""
    folder = Path(folder)
    content = load(folder)
    outcome = outcome_of(folder, content)
    if outcome == "recording":
        return Verification(folder, outcome, ("still being recorded",))
    problems = [line for name in content.package.files if (line := _problem(folder, content, name))]
    if content.package.outcome == "recording":
        problems.insert(0, "cut off: the recording did not end properly, recover closes it")
    return Verification(folder, outcome, tuple(problems))


def recover(folder: Path) -> Verification:
    """Close a run that was cut off: every whole row stays, an unfinished one becomes a note.

    A run that is whole stays as it is. BadInput when it is being recorded or was edited.
    """
    folder = Path(folder)
    if load(folder).cut:
        with holding(folder / SAMPLES, folder):
            content = load(folder)
            _refuse_edited(folder, content)
            _close_cut_run(folder, content)
    return verify(folder)


def _entry(folder: Path) -> RunEntry | None:
    try:
        package = load_package(folder)
    except BadInput as error:
        foreign = RUN_KEY.encode() not in (folder / PACKAGE_FILE).read_bytes()
        return None if foreign else RunEntry(folder, None, "cut off", 0, str(error))
    facts = package.files.get(SAMPLES)
    if facts is not None:
        return RunEntry(folder, package.info, package.outcome, facts.rows)
    live = is_locked(folder / SAMPLES, folder)
    count = _row_count(folder / SAMPLES)
    return RunEntry(folder, package.info, "recording" if live else "cut off", count)


def _row_count(path: Path) -> int:
    return max(path.read_bytes().count(b"\n") - 1, 0) if path.is_file() else 0


def _problem(folder: Path, content: Content, name: str) -> str:
    facts = content.package.files[name]
    if name not in content.whole:
        return f"{name}: missing"
    if facts is None:
        return f"{name}: ends in an unfinished row" if content.rest[name] else ""
    data = content.whole[name] + content.rest[name]
    if facts_of(data).sha256 == facts.sha256:
        return ""
    found_rows = facts_of(content.whole[name]).rows
    if found_rows < facts.rows:
        return f"{name}: cut off, {found_rows} of {facts.rows} rows are there"
    return f"{name}: edited since it was closed{_edit_remark(folder, content, name)}"


def _edit_remark(folder: Path, content: Content, name: str) -> str:
    if name != EXTRUSIONS:
        return ""
    try:
        extrusions = read_extrusions(content.whole[name], folder / name)
    except BadInput:
        return ""
    same = commanded_digest(extrusions) == content.package.evidence.get("commanded_sha256")
    return "; only measured columns differ, `hotbench weigh accept` takes them" if same else ""


def _refuse_edited(folder: Path, content: Content) -> None:
    for name in content.package.files:
        problem = _problem(folder, content, name)
        if "edited" in problem:
            raise BadInput(problem, where=folder, remedy="recover only closes runs cut off")


def _close_cut_run(folder: Path, content: Content) -> None:
    if EVENTS not in content.whole:
        create(folder / EVENTS).close()
    whole = {name: content.whole.get(name) or header(name) for name in (SAMPLES, EVENTS)}
    whole |= {EXTRUSIONS: content.whole[EXTRUSIONS]} if EXTRUSIONS in content.whole else {}
    whole[EVENTS] += b"".join(_rest_notes(content, whole[SAMPLES], folder))
    for name, data in whole.items():
        _settle(folder / name, content.whole.get(name, b""), data)
    files = {name: facts_of(data) for name, data in whole.items()}
    extrusions = read_extrusions(whole.get(EXTRUSIONS, b""), folder / EXTRUSIONS)
    evidence = evidence_of(extrusions) if extrusions else {}
    package = replace(content.package, outcome="cut off", files=files, evidence=evidence)
    replace_file(folder / PACKAGE_FILE, dumps(package))


def _rest_notes(content: Content, samples: bytes, folder: Path) -> list[bytes]:
    times_s = read_samples(samples, folder / SAMPLES)["time_s"]
    last_s = float(times_s[-1]) if times_s.size else 0.0
    return [
        event_row(Event(last_s, "note", f"unfinished row of {name} set aside: {_shown(rest)}"))
        for name, rest in content.rest.items()
        if rest
    ]


def _shown(rest: bytes) -> str:
    return rest[:200].decode("utf-8", "backslashreplace")


def _settle(path: Path, kept: bytes, wanted: bytes) -> None:
    """Cut an unfinished row off the file and append what is missing; whole rows stay in place."""
    with path.open("r+b") as file:
        file.truncate(len(kept))
        file.seek(len(kept))
        file.write(wanted[len(kept) :])
        flush_to_disk(file)
