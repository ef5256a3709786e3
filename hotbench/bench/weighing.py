"""Where delivered mass comes from: the simulated pan, a scale on a second port, or a person."""

import re
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from threading import Thread

from hotbench.core.errors import BadInput, NoReply
from hotbench.core.ports import Transport

NUMBER_IN_GRAMS = r"([-+]?\s*\d+(?:[.,]\d+)?)\s*g\b"
"""The default pattern of a scale's line: a number followed by g."""
STABLE_READINGS = 8
STABLE_WITHIN_g = 0.002
PATIENCE_s = 30.0

Idle = Callable[[], object]
"""Called again and again while waiting, so that the printer is watched meanwhile."""


def _nothing() -> None:
    """Nobody to watch yet."""


class LineScale:
    """Implements `core.ports.Scale` over the lines that a weighing scale prints.

    A reading counts as stable when STABLE_READINGS lines in a row agree within STABLE_WITHIN_g.
    """

    def __init__(self, transport: Transport, pattern: str | None = None) -> None:
        self._transport = transport
        self._pattern = _compiled(pattern or NUMBER_IN_GRAMS)
        self._partial = b""
        self.idle: Idle = _nothing

    def mass_g(self) -> float:
        """The next stable reading, g; NoReply when none comes in time."""
        end_s = self._transport.now_s() + PATIENCE_s
        recent: deque[float] = deque(maxlen=STABLE_READINGS)
        self._forget()
        while self._transport.now_s() < end_s:
            self.idle()
            recent.extend(self._readings())
            if len(recent) == STABLE_READINGS and max(recent) - min(recent) <= STABLE_WITHIN_g:
                return recent[-1]
        raise NoReply(f"{self._transport.name}: no stable reading within {PATIENCE_s:g} s")

    def _forget(self) -> None:
        """Drop what was printed before now: it may be from before the extrusion."""
        while self._transport.read(self._transport.now_s() + 0.01):
            pass
        self._partial = b""

    def _readings(self) -> list[float]:
        *lines, self._partial = (
            self._partial + self._transport.read(self._transport.now_s() + 0.05)
        ).split(b"\n")
        found = (self._pattern.search(line.decode("ascii", "replace")) for line in lines)
        return [grams(match[1]) for match in found if match]


def _compiled(pattern: str) -> re.Pattern[str]:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise BadInput(f"not a regular expression: {error}", where="--scale-pattern") from error
    if compiled.groups != 1:
        raise BadInput(
            "needs exactly one group, the mass in grams",
            where="--scale-pattern",
            value=f"{compiled.groups} groups",
        )
    return compiled


def grams(text: str) -> float:
    """A mass as scales and people write it, with point or comma."""
    return float(text.replace(" ", "").replace(",", "."))


class AskingScale:
    """Implements `core.ports.Scale` by asking a person for each extruded mass.

    The question waits in a thread of its own; meanwhile `idle` goes on reading the printer, so
    that the record has no gap and the watch stays awake.
    """

    def __init__(self, ask: Callable[[str], str]) -> None:
        self._ask = ask
        self._total_g = 0.0
        self._before = True
        self.idle: Idle = _nothing

    def mass_g(self) -> float | None:
        """Total so far before an extrusion; after it, with the mass that the person types.

        None for an empty answer: to be filled in later.
        """
        if self._before:
            self._before = False
            return self._total_g
        self._before = True
        gained_g = self._answer()
        if gained_g is None:
            return None
        self._total_g += gained_g
        return self._total_g

    def _answer(self) -> float | None:
        question = "mass of this extrusion in g (Enter: later)"
        while True:
            text = self._asked(question).strip()
            if not text:
                return None
            try:
                return grams(text)
            except ValueError:
                question = f"'{text}' is not a mass; {question}"

    def _asked(self, question: str) -> str:
        answer: Future[str] = Future()
        Thread(target=_ask_into, args=(answer, self._ask, question), daemon=True).start()
        while not answer.done():
            self.idle()
        return answer.result()


def _ask_into(answer: Future[str], ask: Callable[[str], str], question: str) -> None:
    try:
        answer.set_result(ask(question))
    except BaseException as error:  # noqa: BLE001 - whatever it is belongs to whoever waits
        answer.set_exception(error)
