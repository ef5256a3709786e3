"""Steps that lift a profile of an older version to the one this package reads."""

from collections.abc import Callable, Mapping
from typing import Any

from hotbench.core.errors import BadInput
from hotbench.profile.types import VERSION

Document = dict[str, Any]
Migration = Callable[[Document], Document]

MIGRATIONS: Mapping[int, Migration] = {}
"""By the version a step starts from; it returns the document one version up."""


def upgrade(
    document: Document,
    *,
    where: object = None,
    migrations: Mapping[int, Migration] = MIGRATIONS,
    current: int = VERSION,
) -> Document:
    """The document at version `current`.

    Errors: BadInput when the version is no whole number, newer than `current`, or has no path.
    """
    version = _version(document, where, current)
    for step in range(version, current):
        if step not in migrations:
            raise BadInput("profile version is no longer read", where=where, value=step)
        document = {**migrations[step](document), "hotbench_profile": step + 1}
    return document


def _version(document: Document, where: object, current: int) -> int:
    version = document.get("hotbench_profile")
    if type(version) is not int or version < 1:
        what = "hotbench_profile must be a whole number"
        raise BadInput(what, where=where, value=repr(version), limit=f"1 to {current}")
    if version > current:
        what, remedy = "profile version is newer than this package", "update hotbench"
        raise BadInput(what, where=where, value=version, limit=current, remedy=remedy)
    return version
