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
        self._line = self._line_before = b""

    @property
    def enabled(self) -> bool:
        """Whether lines carry numbers and checksums."""
        return self._enabled

    def restart(self) -> bytes:
        """The line that sets the board's count to 0; the next command has number 1."""
        self._number, self._line, self._line_before = 0, b"", b""
        return encode("M110 N0")

    def encode(self, text: str) -> bytes:
        """The line for the next command."""
        self._number += self._enabled
        self._line_before = self._line
        self._line = encode(text, self._number if self._enabled else None)
        return self._line

    def again(self) -> bytes:
        """The last line once more, the same bytes."""
        return self._line

    def lines_from(self, wanted: int) -> bytes | None:
        """What a board that asks for line `wanted` still lacks of the last two lines.

        b"" when it has them all; None when it asks for any other line: it has lost count, as
        after a restart. Without line numbers always the last line.
        """
        if not self._enabled:
            return self._line
        missing = {0: b"", 1: self._line, 2: self._line_before + self._line}
        known = min(self._number, 2)
        lacking = self._number + 1 - wanted
        return missing[lacking] if 0 <= lacking <= known else None
