"""Where delivered mass comes from: the simulated pan, a scale on a second port, or a person."""

import math
import re
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from threading import Thread

from hotbench.bench.names import QUESTIONING
from hotbench.core.errors import BadInput, FellShort, NoReply, unknown_key
from hotbench.core.ports import Scale, Transport
from hotbench.link.client import Printer

_NUMBER = r"([-+]?\s*\d+(?:[.,]\d+)?)\s*g"
_OVERLOAD = r"\bO\.?L\b|\bERR|[-_^]{3,}"


@dataclass(frozen=True, slots=True)
class ScaleShape:
    """How a scale writes its lines: regular expressions; reading has one group, the grams.

    Lines that match unstable or overload are no readings.
    """

    reading: str
    unstable: str = r"(?!)"
    overload: str = _OVERLOAD


SHAPES: dict[str, ScaleShape] = {
    "number": ScaleShape(rf"{_NUMBER}\b"),
    "flags-first": ScaleShape(rf"^\s*ST\s*,.*?{_NUMBER}\b", r"^\s*US\s*,", r"^\s*OL\b"),
    "letters-first": ScaleShape(rf"^S\s+S\s+{_NUMBER}\b", r"^S\s+D\b", r"^S\s+[-+I]\s*$"),
    "mark-last": ScaleShape(rf"{_NUMBER}\s*$", r"\?\s*$"),
}
"""Common shapes, from memory: '12.34 g'; 'ST,NT,+0012.34 g' with US and OL; 'S S 12.34 g' with S D,
S +, S - and S I; '12.34 g' with a question mark at the end while it moves."""
TARE_g = 0.05
"""An empty, tared pan reads no more than this either way."""
DRIFT_g = 0.01
"""Change between two weighings that is named: a step of a pocket scale. Common practice."""
STABLE_READINGS = 8
STABLE_WITHIN_g = 0.002
PATIENCE_s = 30.0
FORGET_s = 0.05
"""How long a scale's backlog is read away: at usual rates many times what a line can hold back."""

Idle = Callable[[], object]
"""Called again and again while waiting, so that the printer is watched meanwhile."""


def _nothing() -> None:
    """Nobody to watch yet."""


class LineScale:
    """Implements `core.ports.Scale` over the lines that a weighing scale prints.

    Read in turn before and after each extrusion. A reading counts as stable when STABLE_READINGS
    lines in a row agree within STABLE_WITHIN_g. A pan that was not tared, and what changed between
    weighings, is named through `say`.
    """

    def __init__(
        self,
        transport: Transport,
        pattern: str | None = None,
        shape: str = "number",
        *,
        patience_s: float = PATIENCE_s,
    ) -> None:
        if shape not in SHAPES:
            raise unknown_key(shape, SHAPES, where="--scale-shape")
        known = SHAPES[shape] if pattern is None else ScaleShape(pattern)
        self._transport, self._patience_s = transport, patience_s
        self._pattern = _compiled(known.reading)
        self._unstable = re.compile(known.unstable)
        self._overload = re.compile(known.overload, re.IGNORECASE)
        self._recent: deque[float] = deque(maxlen=STABLE_READINGS)
        self._partial, self._trouble = b"", "nothing was heard"
        self._before, self._last_g = True, 0.0
        self.idle: Idle = _nothing
        self.say: Callable[[str], object] = _silent

    def mass_g(self) -> float:
        """The next stable reading, g; NoReply when none comes in time, FellShort below zero."""
        reading_g = self._stable_g()
        if reading_g < -TARE_g:
            raise FellShort(
                f"{self._transport.name}: reads {reading_g:g} g, below zero; "
                "tare with the empty pan in place"
            )
        if self._before:
            self._name_change(reading_g)
        self._before, self._last_g = not self._before, reading_g
        return reading_g

    def _stable_g(self) -> float:
        end_s = self._transport.now_s() + self._patience_s
        self._recent.clear()
        self._forget()
        while self._transport.now_s() < end_s:
            self.idle()
            for line in self._lines():
                self._take(line)
            recent = self._recent
            if len(recent) == STABLE_READINGS and max(recent) - min(recent) <= STABLE_WITHIN_g:
                return recent[-1]
        waited = f"no stable reading within {self._patience_s:g} s"
        raise NoReply(f"{self._transport.name}: {waited}; {self._trouble}")

    def _name_change(self, reading_g: float) -> None:
        """Before an extrusion the pan reads what it read after the last one, or zero."""
        change_g = reading_g - self._last_g
        if abs(reading_g) <= TARE_g or abs(change_g) <= DRIFT_g:
            return
        self.say(
            f"scale: {change_g:+.3f} g since the last weighing (not tared, primed, oozed or "
            "drifted); differences count"
        )

    def _forget(self) -> None:
        """Drop what was printed before now: it may be from before the extrusion.

        A scale that prints without a pause never leaves its line empty: FORGET_s is enough.
        """
        end_s = self._transport.now_s() + FORGET_s
        while self._transport.read(self._transport.now_s() + 0.01):
            if self._transport.now_s() >= end_s:
                break
        self._partial = b""

    def _lines(self) -> list[str]:
        *lines, self._partial = (
            self._partial + self._transport.read(self._transport.now_s() + 0.05)
        ).split(b"\n")
        return [text for line in lines if (text := line.decode("ascii", "replace").strip())]

    def _take(self, line: str) -> None:
        """A reading, or why it is none."""
        match = self._pattern.search(line)
        if self._overload.search(line):
            self._refuse("overload", line)
        elif self._unstable.search(line):
            self._refuse("not settled", line)
        elif match:
            self._recent.append(grams(match[1]))
            self._trouble = f"readings move, last '{line}'"
        else:
            self._trouble = f"not understood: '{line[:40]}'"

    def _refuse(self, why: str, line: str) -> None:
        self._recent.clear()
        self._trouble = f"{why}: '{line[:40]}'"


def _silent(remark: str) -> None:
    """Nobody listens yet."""


def attend(scale: Scale | None, printer: Printer, fed_g: float | None = None) -> None:
    """While a scale is waited for the printer is read on, and its remarks go into the run.

    fed_g: the mass of filament that each extrusion is fed, where it is known.
    """
    if isinstance(scale, LineScale | AskingScale):
        scale.idle, scale.say = printer.next_sample, printer.note
    if isinstance(scale, AskingScale):
        scale.fed_g = fed_g


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
    """A mass as scales and people write it, with point or comma; ValueError unless finite."""
    mass_g = float(text.replace(" ", "").replace(",", "."))
    if not math.isfinite(mass_g):
        raise ValueError(f"not a finite number: {text!r}")
    return mass_g


BELIEVABLE = (0.2, 1.3)
"""Delivered over commanded amount outside which an entry is asked for again; common practice."""
MOST = 10.0
"""A multiple of the commanded amount that no slip of diameter or density explains."""
MG_PER_G = 1000.0


def doubt(value: float, fed: float, unit: str = "g") -> str | None:
    """Why an amount is hardly believable where `fed` was commanded; None when it is."""
    low, high = BELIEVABLE
    if low * fed <= value <= high * fed:
        return None
    near = f"{value:g} is not near {fed:.3g}"
    if unit == "g" and low * fed <= value / MG_PER_G <= high * fed:
        return f"{near} {unit}; if these were mg, it is {value / MG_PER_G:g}"
    if is_impossible(value, fed):
        return f"{near} {unit}, which was fed; of this extrusion alone"
    return f"{near} {unit}, which was fed; the same again to keep it"


def is_impossible(value: float, fed: float) -> bool:
    """Whether an amount cannot be meant, so that typing it again does not keep it."""
    return value > MOST * fed


class AskingScale:
    """Implements `core.ports.Scale` by asking a person for each extruded mass.

    The question waits in a thread of its own; meanwhile `idle` goes on reading the printer, so
    that the record has no gap and the watch stays awake. A hardly believable mass is kept only
    when it is typed twice, an impossible one never; what was typed and not kept goes to `say`.
    fed_g: the mass of filament that each extrusion is fed; None where nobody knows.
    """

    def __init__(self, ask: Callable[[str], str], fed_g: float | None = None) -> None:
        self._ask = ask
        self._total_g = 0.0
        self._before = True
        self.fed_g = fed_g
        self.idle: Idle = _nothing
        self.say: Callable[[str], object] = _silent

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
        question, doubted_g = QUESTION, math.nan
        while text := self._asked(question).strip():
            mass_g = _typed_g(text)
            why = self._why_not(text, mass_g)
            if why is None or (mass_g == doubted_g and not self._impossible(mass_g)):
                return mass_g
            self.say(f"mass '{text}' asked for again: {why}")
            question, doubted_g = f"{why}; {QUESTION}", mass_g
        return None

    def _why_not(self, text: str, mass_g: float) -> str | None:
        if not mass_g > 0.0:
            return f"'{text}' is not a mass above 0 g"
        return None if self.fed_g is None else doubt(mass_g, self.fed_g)

    def _impossible(self, mass_g: float) -> bool:
        return self.fed_g is not None and is_impossible(mass_g, self.fed_g)

    def _asked(self, question: str) -> str:
        answer: Future[str] = Future()
        task = (answer, self._ask, question)
        Thread(target=_ask_into, args=task, name=QUESTIONING, daemon=True).start()
        while not answer.done():
            self.idle()
        return answer.result()


QUESTION = "mass of this extrusion in g (Enter: later)"


def _typed_g(text: str) -> float:
    """The mass in a person's words; NaN where there is none."""
    try:
        mass_g = grams(text)
    except ValueError:
        return math.nan
    return mass_g if mass_g > 0.0 else math.nan


def _ask_into(answer: Future[str], ask: Callable[[str], str], question: str) -> None:
    try:
        answer.set_result(ask(question))
    except BaseException as error:  # noqa: BLE001 - whatever it is belongs to whoever waits
        answer.set_exception(error)
