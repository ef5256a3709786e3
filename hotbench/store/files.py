"""Files that lose nothing: whole rows appended, whole files replaced, syncing in the background."""

import hashlib
import io
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Protocol

from hotbench.store.layout import FileFacts

SYNC_PERIOD_s = 0.5


class RowSink(Protocol):
    """The part of an unbuffered binary file that appending needs."""

    def write(self, data: bytes, /) -> int | None:
        """Write some of `data`; returns how many bytes went out."""

    def truncate(self, size: int | None = None, /) -> int:
        """Cut the file."""

    def fileno(self) -> int:
        """The file descriptor."""

    def close(self) -> None:
        """Close the file."""


Opener = Callable[[Path], RowSink]


def create(path: Path) -> io.FileIO:
    """A new unbuffered file, opened for appending; FileExistsError when it is there already."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
    return io.FileIO(descriptor, "ab")


class RowFile:
    """An append-only file of rows; a row that does not fit entirely is taken back."""

    def __init__(self, path: Path, sink: RowSink) -> None:
        self.path = path
        self._sink = sink
        self._digest = hashlib.sha256()
        self._size = 0
        self._rows = -1  # the header is no row
        self._dirty = False

    def append(self, data: bytes) -> None:
        """Hand whole rows to the system; OSError leaves the file as it was."""
        try:
            self._write_all(data)
        except OSError:
            self._take_back()
            raise
        self._size += len(data)
        self._rows += data.count(b"\n")
        self._digest.update(data)
        self._dirty = True

    def _write_all(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[self._sink.write(bytes(view)) or 0 :]

    def _take_back(self) -> None:
        try:
            self._sink.truncate(self._size)
        except OSError:
            return  # the reader drops an unfinished row by itself

    def sync(self, fsync: Callable[[int], None] = os.fsync) -> None:
        """Have what was appended reach the disk."""
        if self._dirty:
            self._dirty = False
            fsync(self._sink.fileno())

    def facts(self) -> FileFacts:
        """Digest, size and number of rows so far."""
        return FileFacts(sha256=self._digest.hexdigest(), bytes=self._size, rows=max(self._rows, 0))

    def close(self) -> None:
        """Release the file and its lock."""
        self._sink.close()


class BackgroundSync:
    """Calls `sync` every period in a thread, so that the disk never delays the one that records.

    wait: takes the period in seconds and returns True to end; by default it lets real time pass.
    """

    def __init__(
        self,
        sync: Callable[[], None],
        wait: Callable[[float], bool] | None = None,
        period_s: float = SYNC_PERIOD_s,
    ) -> None:
        self.error: OSError | None = None
        self._sync = sync
        self._stop = threading.Event()
        self._wait = wait or self._stop.wait
        self._period_s = period_s
        self._thread = threading.Thread(target=self._loop, name="run-sync", daemon=True)
        self._thread.start()

    def _loop(self) -> None:
        while not self._wait(self._period_s):
            try:
                self._sync()
            except OSError as error:
                self.error = error
                return

    def close(self) -> None:
        """End the thread."""
        self._stop.set()
        self._thread.join()


def replace_file(path: Path, content: bytes) -> None:
    """Put `content` at `path` entirely or not at all, and have it on disk."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with temporary.open("wb") as file:
            file.write(content)
            flush_to_disk(file)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    sync_folder(path.parent)


def flush_to_disk(file: IO[bytes]) -> None:
    """Empty the file's buffers onto the disk."""
    file.flush()
    os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Have the folder's entries on disk, where the platform lets a folder be synced."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def facts_of(content: bytes) -> FileFacts:
    """Digest, size and number of rows of a resource's bytes."""
    return FileFacts(
        sha256=hashlib.sha256(content).hexdigest(),
        bytes=len(content),
        rows=max(content.count(b"\n") - 1, 0),
    )
