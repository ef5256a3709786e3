"""The recorder: an Observer that appends a run to its folder as it happens."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from hotbench.core.errors import BadInput
from hotbench.core.records import Event, Extrusion, Outcome, RunInfo, Sample
from hotbench.store import rows
from hotbench.store.errors import RecordingFailed
from hotbench.store.evidence import evidence_of
from hotbench.store.files import (
    BackgroundSync,
    Opener,
    RowFile,
    create,
    replace_file,
    sync_folder,
)
from hotbench.store.layout import EVENTS, EXTRUSIONS, PACKAGE_FILE, SAMPLES, Package, dumps
from hotbench.store.locking import acquire


class RunWriter:
    """Writes one run folder; one writer per folder, from one thread.

    Every row is handed to the system before the call returns and reaches the disk within a
    second. Once a write has failed, samples are refused with RecordingFailed, while events are
    kept for `close`, so that the commands that switch the heater off pass.
    """

    def __init__(
        self,
        folder: Path,
        info: RunInfo,
        *,
        opener: Opener = create,
        sync_wait: Callable[[float], bool] | None = None,
        fsync: Callable[[int], None] = os.fsync,
    ) -> None:
        self.folder = Path(folder)
        self.info = info
        self._opener, self._fsync = opener, fsync
        self._files: dict[str, RowFile] = {}
        self._extrusions: list[Extrusion] = []
        self._late_events: list[Event] = []
        self._failed = self._closed = False
        _claim(self.folder)
        remark = self._begin()
        self._background = BackgroundSync(self._sync, sync_wait)
        if remark:
            self.on_event(Event(0.0, "note", remark))

    def on_sample(self, sample: Sample) -> None:
        """Append a sample; RecordingFailed when it cannot be kept."""
        self.on_samples([sample])

    def on_samples(self, samples: Sequence[Sample]) -> None:
        """Append many samples at once, for imports."""
        self._append(SAMPLES, rows.sample_rows(samples))

    def on_event(self, event: Event) -> None:
        """Append an event; after a failure it is kept for `close`."""
        if self._failed:
            self._late_events.append(event)
        else:
            self._append(EVENTS, rows.event_row(event))

    def on_extrusion(self, extrusion: Extrusion) -> None:
        """Append an extrusion."""
        if EXTRUSIONS not in self._files:
            self._guarded(self._open_extrusions)
        self._append(EXTRUSIONS, rows.extrusion_row(extrusion))
        self._extrusions.append(extrusion)

    def close(self, outcome: Outcome = "complete") -> None:
        """State outcome, sizes and digests in the package; calling it again does nothing.

        Raises RecordingFailed when that cannot be written; the run then reads as cut off.
        """
        if self._closed:
            return
        self._closed = True
        self._background.close()
        try:
            self._finish(outcome)
        except OSError as error:
            raise RecordingFailed(self.folder, error) from error
        finally:
            for file in self._files.values():
                file.close()

    def _begin(self) -> str:
        """Lay the files; the lock's remark."""
        try:
            remark = self._open(SAMPLES)
            self._open(EVENTS)
            self._write_package()
        except OSError as error:
            self._abandon()
            raise _unusable(self.folder, error) from error
        except BadInput:
            self._abandon()
            raise
        return remark

    def _abandon(self) -> None:
        for file in self._files.values():
            file.close()

    def _open(self, name: str) -> str:
        path = self.folder / name
        sink = self._opener(path)
        file = self._files[name] = RowFile(path, sink)
        remark = acquire(sink.fileno(), self.folder) if name == SAMPLES else ""
        file.append(rows.header(name))
        return remark

    def _open_extrusions(self) -> None:
        self._open(EXTRUSIONS)
        self._write_package()

    def _write_package(self, outcome: Outcome = "recording") -> None:
        closed = outcome != "recording"
        files = {name: file.facts() if closed else None for name, file in self._files.items()}
        evidence = evidence_of(self._extrusions) if closed and self._extrusions else {}
        package = Package(info=self.info, outcome=outcome, files=files, evidence=evidence)
        replace_file(self.folder / PACKAGE_FILE, dumps(package))

    def _finish(self, outcome: Outcome) -> None:
        late, self._late_events = self._late_events, []
        for event in late:
            self._files[EVENTS].append(rows.event_row(event))
        self._sync()
        self._write_package(outcome)

    def _append(self, name: str, data: bytes) -> None:
        self._guarded(lambda: self._files[name].append(data))

    def _guarded(self, write: Callable[[], None]) -> None:
        if self._closed:
            raise ValueError(f"{self.folder}: the run is closed")
        error = self._background.error
        try:
            if error is not None:
                raise error
            write()
        except OSError as failure:
            self._failed = True
            raise RecordingFailed(self.folder, failure) from failure

    def _sync(self) -> None:
        for file in tuple(self._files.values()):
            file.sync(self._fsync)


def _claim(folder: Path) -> None:
    """Create the folder, or accept an empty one."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sync_folder(folder.parent)
    except OSError as error:
        raise _unusable(folder, error) from error
    check_free(folder)


def check_free(folder: Path) -> None:
    """BadInput when a run could not go there: something is in it already, or a file in the way."""
    try:
        standing = next(place for place in (folder, *folder.parents) if place.exists())
        occupied = folder.is_dir() and any(folder.iterdir())
    except OSError as error:
        raise _unusable(folder, error) from error
    if not standing.is_dir():
        raise BadInput("is a file", where=standing, remedy="name a folder for the run")
    if occupied:
        raise BadInput(
            "folder is not empty", where=folder, remedy="name a new folder, runs are never replaced"
        )


def _unusable(folder: Path, error: OSError) -> BadInput:
    reason = error.strerror or type(error).__name__
    return BadInput(
        f"cannot create the run folder: {reason}", where=folder, remedy="choose another place"
    )
