"""Bytes to lines, in bounded memory, whatever arrives."""

DAMAGED = "\ufffd"
"""Stands for a byte that is no ASCII, and ends a line that was too long to keep."""


class LineSplitter:
    """Collects bytes and hands out whole lines.

    CR, LF and both end a line; empty lines vanish. NULs before a line are dropped, anything else
    unprintable stays in the line so that the parser sees the damage. Of a line longer than
    `limit` the first `limit` bytes come out, ended by DAMAGED; the rest is dropped.
    """

    def __init__(self, limit: int = 1024) -> None:
        self._limit = limit
        self._partial = b""
        self._skipping = False

    @property
    def pending(self) -> int:
        """Bytes held back for a line that is not finished."""
        return len(self._partial)

    def feed(self, data: bytes) -> list[str]:
        """The lines finished by `data`, in order."""
        *finished, rest = data.replace(b"\r", b"\n").split(b"\n")
        lines = [line for part in finished if (line := self._finish(part))]
        self._hold(rest)
        return lines

    def reset(self) -> None:
        """Forget the unfinished line, as after a reconnection."""
        self._partial, self._skipping = b"", False

    def _finish(self, part: bytes) -> str:
        self._hold(part)
        text = self._partial.lstrip(b"\0").decode("ascii", "replace").strip(" \t")
        too_long = self._skipping
        self.reset()
        return text + DAMAGED if too_long else text

    def _hold(self, part: bytes) -> None:
        room = self._limit - len(self._partial)
        self._skipping |= len(part) > room
        self._partial += part[:room]
