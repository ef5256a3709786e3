"""An advisory lock on an open file that the system releases when its process dies."""

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hotbench.core.errors import BadInput

_TAKEN = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)
NO_LOCKS = "this file system has no locks: a second writer would not be noticed"

if sys.platform == "win32":
    import msvcrt

    # Beyond any content, because a locked byte cannot be read by others on this platform.
    _LOCK_AT = 1 << 40

    def _take(descriptor: int) -> None:
        place = os.lseek(descriptor, 0, os.SEEK_CUR)
        os.lseek(descriptor, _LOCK_AT, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(descriptor, place, os.SEEK_SET)

else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def acquire(descriptor: int, folder: Path) -> str:
    """Lock an open file for as long as it stays open; BadInput when someone records there.

    Returns a remark, empty when the lock holds, NO_LOCKS where the file system cannot lock.
    """
    try:
        _take(descriptor)
    except OSError as error:
        if error.errno in _TAKEN:
            raise BadInput("another process is writing this run", where=folder) from error
        return NO_LOCKS
    return ""


def is_locked(path: Path, folder: Path) -> bool:
    """Whether a living writer holds the lock on `path`."""
    try:
        with path.open("rb") as file:
            acquire(file.fileno(), folder)
    except BadInput:
        return True
    except OSError:
        return False
    return False


@contextmanager
def holding(path: Path, folder: Path) -> Iterator[None]:
    """Keep every writer off the run while its files are rewritten; creates `path` if missing."""
    with path.open("ab") as file:
        acquire(file.fileno(), folder)
        yield
