"""A declared table that tells what kind of fault an error line reports."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from hotbench.core.errors import BadInput

REFUSED = "refused"
TRANSMISSION = "transmission"


@dataclass(frozen=True, slots=True)
class FaultPattern:
    """A wording and the kind of fault it stands for.

    pattern: regular expression, searched in the line, upper and lower case alike. ends_run: False
    for complaints a run survives. anywhere: True when the wording is a fault even in a line that
    does not start like an error. advice: what the user can do, one clause.
    """

    pattern: str
    kind: str
    ends_run: bool = True
    anywhere: bool = False
    advice: str = ""

    def matches(self, text: str) -> bool:
        """Whether the wording occurs in `text`."""
        return _compiled(self.pattern).search(text) is not None


DEFAULT_FAULTS: tuple[FaultPattern, ...] = (
    FaultPattern(
        r"checksum|line\s*(number|no\b)|last line|framing|parity", TRANSMISSION, ends_run=False
    ),
    FaultPattern(
        r"unknown (command|code)|unsupported (command|code)", "unknown command", ends_run=False
    ),
    FaultPattern(r"\b(card|media|storage|eeprom)\b", "storage", ends_run=False),
    FaultPattern(
        r"(extru\w*|target|setpoint|temperature)\s+(was\s+)?refused|cold extru",
        REFUSED,
        anywhere=True,
        advice="the board's own limits stand; stay inside them",
    ),
    FaultPattern(
        r"setpoint\b.*(too (far|fast|abrupt)|at once|jump|step)|stray|deviat|track",
        "setpoint moved too abruptly",
        advice="move the setpoint more slowly",
    ),
    FaultPattern(
        r"runaway|left its (setpoint|target)|lost (its )?temperature",
        "thermal runaway",
        advice="check heater and sensor are seated before heating again",
    ),
    FaultPattern(
        r"over.?(temp|heat)|max.?temp|too hot|above its (greatest|highest|max\w*) temp",
        "over temperature",
        advice="let it cool; check the sensor and the drive",
    ),
    FaultPattern(
        r"(open|short|broken|out of range|disconnect\w*|fail\w*|fault\w*|min.?temp)"
        r".*(sensor|thermistor|thermocouple|probe)"
        r"|(sensor|thermistor|thermocouple|probe)"
        r".*(open|short|broken|out of range|disconnect\w*|fail\w*|fault)|min.?temp",
        "sensor open or short",
        advice="check the sensor's wiring",
    ),
    FaultPattern(
        r"heat\w*\b.*(fail|timed? ?out|too slow)|(not|n't) (warm|heat)",
        "heating failed",
        advice="check the heater's wiring and supply",
    ),
    FaultPattern(
        r"emergency|halted|stopped|kill|shut ?down|locked",
        "halted",
        advice="release or restart the board once the cause is known",
    ),
)
"""Common wordings of the trade; the first that matches counts. Common practice, no source."""

UNKNOWN = FaultPattern("", "unknown")


@lru_cache(maxsize=256)
def _compiled(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern, re.IGNORECASE)


def classify(text: str, table: Iterable[FaultPattern] = DEFAULT_FAULTS) -> FaultPattern:
    """The first entry whose wording occurs in `text`; UNKNOWN when none does."""
    return next((entry for entry in table if entry.matches(text)), UNKNOWN)


def extended(
    extra: Iterable[FaultPattern], base: tuple[FaultPattern, ...] = DEFAULT_FAULTS
) -> tuple[FaultPattern, ...]:
    """`base` with a user's entries in front; BadInput for a pattern that is no expression."""
    table = (*extra, *base)
    for entry in table:
        try:
            _compiled(entry.pattern)
        except re.error as error:
            raise BadInput(
                "fault pattern is no regular expression", value=entry.pattern, remedy=str(error)
            ) from error
    return table
