"""An advisory lock on an open file that the system releases when its process dies."""

import errno
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from hotbench.core.errors import BadInput

_TAKEN = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)
NO_LOCKS = "this file system has no locks: a second writer would not be noticed"

# Beyond any content, because a locked byte cannot be read by others where bytes are locked.
_LOCK_AT = 1 << 40
Take = Callable[[int], None]
"""Locks an open file by its descriptor, or raises OSError when another has it."""


class ByteLocks(Protocol):
    """The part of Windows' `msvcrt` that locking needs."""

    LK_NBLCK: int

    def locking(self, descriptor: int, mode: int, count: int, /) -> None:
        """Lock `count` bytes from the file's position on."""


def take_byte(locks: ByteLocks) -> Take:
    """Locking by a byte far beyond the content, as Windows does it."""

    def take(descriptor: int) -> None:
        place = os.lseek(descriptor, 0, os.SEEK_CUR)
        os.lseek(descriptor, _LOCK_AT, os.SEEK_SET)
        try:
            locks.locking(descriptor, locks.LK_NBLCK, 1)
        finally:
            os.lseek(descriptor, place, os.SEEK_SET)

    return take


if sys.platform == "win32":
    import msvcrt

    _take = take_byte(msvcrt)
else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def acquire(descriptor: int, folder: Path, take: Take = _take) -> str:
    """Lock an open file for as long as it stays open; BadInput when someone records there.

    Returns a remark, empty when the lock holds, NO_LOCKS where the file system cannot lock.
    """
    try:
        take(descriptor)
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
