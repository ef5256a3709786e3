"""Rows and files come whole or not at all; the system's own refusals."""

import errno
import hashlib
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.core.records import RunInfo, Sample
from hotbench.store.errors import RecordingFailed
from hotbench.store.files import BackgroundSync, RowFile, create, facts_of, replace_file
from hotbench.store.reader import read_run
from hotbench.store.writer import RunWriter

FULL = Path("/dev/full")
needs_full = pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")


class Grudging:
    """Implements `store.files.RowSink` in memory: takes a few bytes at a time, then fails."""

    def __init__(self, room: int, bite: int = 3, *, stuck: bool = False) -> None:
        self.data, self.room, self.bite, self.stuck = b"", room, bite, stuck

    def write(self, data: bytes, /) -> int:
        taken = min(len(data), self.bite, self.room - len(self.data))
        if taken <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.data += data[:taken]
        return taken

    def truncate(self, size: int | None = None, /) -> int:
        if self.stuck:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self.data = self.data[:size]
        return len(self.data)

    def fileno(self) -> int:
        return -1

    def close(self) -> None:
        pass


@given(
    rows=st.lists(st.binary(min_size=1, max_size=20).map(lambda b: b + b"\n"), max_size=12),
    room=st.integers(0, 200),
    bite=st.integers(1, 30),
)
def test_a_file_holds_whole_rows_wherever_it_gets_full(
    rows: list[bytes], room: int, bite: int
) -> None:
    sink = Grudging(room, bite)
    file = RowFile(Path("x"), sink)
    kept = b""
    for row in rows:
        try:
            file.append(row)
        except OSError:
            break
        kept += row
    assert sink.data == kept
    facts = file.facts()
    assert (facts.sha256, facts.bytes) == (hashlib.sha256(kept).hexdigest(), len(kept))


def test_a_row_that_cannot_be_taken_back_is_not_counted() -> None:
    sink = Grudging(10, stuck=True)
    file = RowFile(Path("x"), sink)
    file.append(b"head\n")
    with pytest.raises(OSError, match="No space"):
        file.append(b"a long row\n")
    assert file.facts() == facts_of(b"head\n")
    assert sink.data.startswith(b"head\n")


def test_only_what_is_new_is_synced() -> None:
    synced: list[int] = []
    file = RowFile(Path("x"), Grudging(100))
    file.sync(synced.append)
    file.append(b"row\n")
    file.sync(synced.append)
    file.sync(synced.append)
    assert synced == [-1]


def test_a_new_file_is_never_an_old_one(tmp_path: Path) -> None:
    create(tmp_path / "a").close()
    with pytest.raises(FileExistsError):
        create(tmp_path / "a")


@settings(deadline=None, max_examples=20)
@given(before=st.binary(max_size=50), after=st.binary(max_size=50))
def test_a_replaced_file_is_the_new_one(
    tmp_path_factory: pytest.TempPathFactory, before: bytes, after: bytes
) -> None:
    folder = tmp_path_factory.mktemp("f")
    (folder / "x").write_bytes(before)
    replace_file(folder / "x", after)
    assert (folder / "x").read_bytes() == after
    assert [path.name for path in folder.iterdir()] == ["x"]


def test_a_file_that_cannot_be_replaced_stays(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    with pytest.raises(OSError, match="x"):
        replace_file(tmp_path / "x", b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_the_background_ends_at_the_first_error() -> None:
    def fail() -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    sync = BackgroundSync(fail, wait=lambda _: False)
    sync.close()
    assert sync.error is not None
    assert sync.error.errno == errno.EIO


def only(name: str) -> Any:
    """Opens the named file on the device that is always full, others where they belong."""
    return lambda path: FULL.open("wb", buffering=0) if path.name == name else create(path)


@needs_full
@pytest.mark.parametrize("name", ["samples.csv", "events.csv"])
def test_the_systems_own_full_disk_at_the_start(tmp_path: Path, name: str) -> None:
    info = RunInfo(run_id="r", procedure="hold", created="")
    with pytest.raises(BadInput, match="cannot create the run folder: No space left on device"):
        RunWriter(tmp_path / "run", info, opener=only(name))


class FullLater:
    """Implements `store.files.RowSink`: a real file whose writes go to a full disk from `after`."""

    def __init__(self, path: Path, after: int) -> None:
        self._file, self._full, self._left = create(path), FULL.open("wb", buffering=0), after

    def write(self, data: bytes, /) -> int | None:
        self._left -= 1
        return (self._file if self._left >= 0 else self._full).write(data)

    def truncate(self, size: int | None = None, /) -> int:
        return self._file.truncate(size)

    def fileno(self) -> int:
        return self._file.fileno()

    def close(self) -> None:
        self._file.close()
        self._full.close()


@needs_full
def test_the_systems_own_full_disk_in_the_midst(tmp_path: Path) -> None:
    info = RunInfo(run_id="r", procedure="hold", created="")
    writer = RunWriter(tmp_path / "run", info, opener=lambda path: FullLater(path, 6))
    for i in range(5):
        writer.on_sample(Sample(i * 0.1, 20.0 + i))
    with pytest.raises(RecordingFailed, match="No space left on device; every earlier row"):
        writer.on_sample(Sample(0.5, 25.0))
    writer.close("cut off")
    run = read_run(tmp_path / "run")
    assert list(run.temperature_C) == [20.0, 21.0, 22.0, 23.0, 24.0]
    assert run.outcome == "cut off"
