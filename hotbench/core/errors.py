"""Errors a person can act on: one line that says what, where, value, limit and remedy."""

from collections.abc import Iterable
from difflib import get_close_matches


class HotbenchError(Exception):
    """Base of every error that ends a command with one line; `exit_code` goes to the shell."""

    exit_code = 1


class BadInput(HotbenchError):
    """Input or usage that cannot be accepted (exit code 2).

    The message reads "WHERE: WHAT (VALUE, LIMIT); REMEDY" with the absent parts left out.
    """

    exit_code = 2

    def __init__(
        self,
        what: str,
        *,
        where: object = None,
        value: object = None,
        limit: object = None,
        remedy: str | None = None,
    ) -> None:
        self.what, self.where, self.value = what, where, value
        self.limit, self.remedy = limit, remedy
        super().__init__(self._line())

    def _line(self) -> str:
        details = [f"got {self.value}"] if self.value is not None else []
        details += [f"limit {self.limit}"] if self.limit is not None else []
        line = f"{self.where}: {self.what}" if self.where is not None else self.what
        line += f" ({', '.join(details)})" if details else ""
        line += f"; {self.remedy}" if self.remedy else ""
        return " ".join(line.split())


class FellShort(HotbenchError):
    """The command ran and its result falls short: a failed check, nothing identifiable."""


class ControllerFault(FellShort):
    """The control board reported a fault; `text` keeps its line verbatim, `kind` classifies it."""

    def __init__(self, text: str, advice: str = "", kind: str = "unknown") -> None:
        self.text, self.kind = text, kind
        super().__init__(f"control board fault: {text.strip()}" + (f"; {advice}" if advice else ""))


class WatchTripped(FellShort):
    """The independent watch ended a test; the message names the evidence."""


class LinkError(FellShort):
    """The serial line failed while a procedure was running."""


class LinkLost(LinkError):
    """The port vanished or was closed by the other side."""


class NoReply(LinkError):
    """The board did not answer within the deadline."""


class Stopped(HotbenchError):
    """A person or a signal ended the procedure; the heater is off."""

    exit_code = 130


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word closest to `word`, or None when none is near."""
    matches = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return matches[0] if matches else None


def unwritable(error: OSError, path: object) -> BadInput:
    """A BadInput for a file that could not be written, with what would help."""
    remedies = {
        IsADirectoryError: "a folder; name a file in it",
        FileNotFoundError: "make its folder first",
        NotADirectoryError: "part of the path is a file; name a folder",
        PermissionError: "write it where you may",
    }
    remedy = remedies.get(type(error))
    return BadInput(f"cannot be written: {error.strerror}", where=path, remedy=remedy)


def unknown_key(
    key: str, known: Iterable[str], *, where: object = None, kind: str = "key"
) -> BadInput:
    """A BadInput for an unknown key, or `kind` of name, that suggests the nearest known one."""
    names = sorted(known)
    guess = nearest(key, names)
    remedy = f"did you mean '{guess}'?" if guess else f"known: {', '.join(names)}"
    return BadInput(f"unknown {kind} '{key}'", where=where, remedy=remedy)
