"""Patterns that a user declares to read roles and layers out of a job's comments."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from hotbench.core.errors import BadInput

NO_ROLE, LAYER_MARK, UNMATCHED = 0, -1, -2
UNNAMED = "other"
"""Role of everything printed before a pattern has matched."""


def _compiled(pattern: str, where: str) -> re.Pattern[str]:
    try:
        return re.compile(pattern)
    except re.error as error:
        raise BadInput(
            "not a regular expression", where=where, value=pattern, remedy=str(error)
        ) from error


@dataclass(frozen=True)
class CommentPatterns:
    """Regular expressions searched for in comments, since comment styles differ.

    roles: role name -> pattern; the first match in this order wins and holds until the next.
    layer: a comment that begins a new layer; None takes layers from the height alone.
    Errors: BadInput for a pattern that is no regular expression.
    """

    roles: Mapping[str, str] = field(default_factory=dict)
    layer: str | None = None

    def __post_init__(self) -> None:
        for role, pattern in self.roles.items():
            _compiled(pattern, f"pattern of role '{role}'")
        if self.layer is not None:
            _compiled(self.layer, "layer pattern")

    @property
    def names(self) -> tuple[str, ...]:
        """Role names by number; number 0 is UNNAMED."""
        return (UNNAMED, *(name for name in self.roles if name != UNNAMED))

    def classifier(self) -> "Classifier":
        """A matcher that compiles every pattern once."""
        number = {name: index for index, name in enumerate(self.names)}
        roles = [(re.compile(text), number[name]) for name, text in self.roles.items()]
        return Classifier(re.compile(self.layer) if self.layer is not None else None, roles)


NO_PATTERNS = CommentPatterns()


@dataclass(frozen=True)
class Classifier:
    """Tells what a comment means: LAYER_MARK, a role's number, or UNMATCHED."""

    layer: re.Pattern[str] | None
    roles: list[tuple[re.Pattern[str], int]]

    def __call__(self, comment: str) -> int:
        """The meaning of one comment."""
        if self.layer is not None and self.layer.search(comment):
            return LAYER_MARK
        matches = (number for pattern, number in self.roles if pattern.search(comment))
        return next(matches, UNMATCHED)
