"""Command lines: encoding with line numbers and checksums, and decoding as a board does."""

import re
from dataclasses import dataclass
from functools import reduce

_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+)?)")


class BadLine(ValueError):
    """A command line that a board must refuse: wrong checksum, or not a command."""


@dataclass(frozen=True, slots=True)
class Command:
    """A decoded command: `code` such as 'M104', its words, and the line number if it had one."""

    code: str
    words: dict[str, float | None]
    line_number: int | None = None

    def get(self, letter: str, default: float) -> float:
        """The value of a word, or `default` when the word or its number is absent."""
        value = self.words.get(letter)
        return default if value is None else value


def checksum(text: str) -> int:
    """Exclusive-or of all bytes before the asterisk, as the trade's line protocol has it."""
    return reduce(lambda acc, byte: acc ^ byte, text.encode("ascii"), 0)


def encode(text: str, line_number: int | None = None) -> bytes:
    """The line to send, ending in a newline; numbered and check-summed when a number is given."""
    if line_number is None:
        return f"{text}\n".encode("ascii")
    numbered = f"N{line_number} {text}"
    return f"{numbered}*{checksum(numbered)}\n".encode("ascii")


def decode(line: str) -> Command:
    """The command in `line`; raises BadLine on a wrong checksum or when there is no command."""
    body = _verified(line.split(";")[0].strip())
    words = [(letter, number) for letter, number in _WORD.findall(body.upper())]
    line_number = int(float(words.pop(0)[1] or -1)) if words and words[0][0] == "N" else None
    if not words or words[0][0] not in "GMT" or not words[0][1]:
        raise BadLine(f"not a command: {line!r}")
    code = words[0][0] + words[0][1]
    return Command(code, {k: float(v) if v else None for k, v in words[1:]}, line_number)


def _verified(text: str) -> str:
    body, star, claimed = text.partition("*")
    if star and (not claimed.strip().isdigit() or int(claimed) != checksum(body)):
        raise BadLine(f"checksum mismatch: {text!r}")
    return body


class Numbering:
    """Numbers commands, and knows what to send when the board asks for a line again."""

    def __init__(self, *, enabled: bool = True) -> None:
        self._enabled = enabled
        self._number = 0
        self._line = b""

    @property
    def enabled(self) -> bool:
        """Whether lines carry numbers and checksums."""
        return self._enabled

    def restart(self) -> bytes:
        """The line that sets the board's count to 0; the next command has number 1."""
        self._number, self._line = 0, b""
        return encode("M110 N0")

    def encode(self, text: str) -> bytes:
        """The line for the next command."""
        self._number += self._enabled
        self._line = encode(text, self._number if self._enabled else None)
        return self._line

    def again(self) -> bytes:
        """The last line once more, the same bytes."""
        return self._line

    def has_arrived(self, wanted: int) -> bool:
        """Whether a request for line `wanted` shows that the last line was taken."""
        return self._enabled and wanted == self._number + 1

    def out_of_step(self, wanted: int) -> bytes:
        """The line that brings the board's count back in step; empty when `wanted` is the last."""
        if not self._enabled or wanted == self._number:
            return b""
        return encode(f"M110 N{self._number - 1}")
