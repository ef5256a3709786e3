"""One writer at a time, on systems that lock files and on systems that lock bytes."""

import errno
import os
from pathlib import Path

import pytest

from hotbench.core.errors import BadInput
from hotbench.store.locking import NO_LOCKS, acquire, holding, is_locked, take_byte


class Bytes:
    """Implements `store.locking.ByteLocks`: remembers which file and byte is locked."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        self.held: set[tuple[int, int]] = set()

    def locking(self, descriptor: int, mode: int, count: int) -> None:
        assert (mode, count) == (self.LK_NBLCK, 1)
        key = (os.fstat(descriptor).st_ino, os.lseek(descriptor, 0, os.SEEK_CUR))
        if key in self.held:
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        self.held.add(key)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "samples.csv").write_bytes(b"time_s\n0.1\n")
    return tmp_path / "samples.csv"


def test_a_byte_beyond_the_content_is_locked_and_the_place_kept(path: Path) -> None:
    locks = Bytes()
    with path.open("r+b") as file:
        file.seek(3)
        assert acquire(file.fileno(), path.parent, take_byte(locks)) == ""
        assert os.lseek(file.fileno(), 0, os.SEEK_CUR) == 3
        assert {place for _, place in locks.held} == {1 << 40}
        assert path.stat().st_size == 11


def test_a_second_taker_of_the_byte_is_refused(path: Path) -> None:
    take = take_byte(Bytes())
    with path.open("r+b") as first, path.open("r+b") as second:
        acquire(first.fileno(), path.parent, take)
        with pytest.raises(BadInput, match="another process is writing this run"):
            acquire(second.fileno(), path.parent, take)
        assert os.lseek(second.fileno(), 0, os.SEEK_CUR) == 0


@pytest.mark.parametrize("code", [errno.EACCES, errno.EAGAIN, errno.EDEADLK])
def test_every_way_of_saying_taken(path: Path, code: int) -> None:
    def take(descriptor: int) -> None:
        raise OSError(code, os.strerror(code))

    with path.open("rb") as file, pytest.raises(BadInput, match="another process"):
        acquire(file.fileno(), path.parent, take)


@pytest.mark.parametrize("code", [errno.ENOLCK, errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP])
def test_a_file_system_without_locks_is_remarked(path: Path, code: int) -> None:
    def take(descriptor: int) -> None:
        raise OSError(code, os.strerror(code))

    with path.open("rb") as file:
        assert acquire(file.fileno(), path.parent, take) == NO_LOCKS


def test_the_systems_own_lock(path: Path) -> None:
    assert not is_locked(path, path.parent)
    with holding(path, path.parent):
        assert is_locked(path, path.parent)
        with pytest.raises(BadInput), holding(path, path.parent):
            pass
    assert not is_locked(path, path.parent)
    assert not is_locked(path.with_name("none.csv"), path.parent)
