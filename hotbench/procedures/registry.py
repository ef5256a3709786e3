"""All procedures by name, and building one from options."""

from collections.abc import Mapping
from typing import Any

from hotbench.core.errors import unknown_key
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.options import Option, options_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.ramps import RampTest, StepSizeTest
from hotbench.procedures.relay import RelayTest
from hotbench.procedures.repetition import RepetitionTest
from hotbench.procedures.steps import DipTest, HoldTest, StepTest
from hotbench.procedures.verify import VerifyTest

PROCEDURES: Mapping[str, type[Procedure]] = {
    kind.name: kind
    for kind in (
        StepTest,
        RampTest,
        DipTest,
        HoldTest,
        ExtrudeTest,
        StepSizeTest,
        RepetitionTest,
        VerifyTest,
        RelayTest,
    )
}


def options(name: str) -> tuple[Option, ...]:
    """The options of a procedure; BadInput with the nearest name when there is none."""
    return options_of(_kind(name))


def build(name: str, settings: Mapping[str, Any], **injected: Any) -> Procedure:
    """A procedure from its options, absent ones at their defaults.

    Lists become tuples, so that settings may come from JSON. injected: choosers and scales.
    BadInput for unknown names and for values out of range.
    """
    kind = _kind(name)
    known = {entry.name for entry in options_of(kind)}
    for key in settings:
        if key not in known:
            raise unknown_key(key, known, where=f"option of {name}")
    given = {key: _hashable(value) for key, value in settings.items()}
    return kind(**given, **injected)


def _kind(name: str) -> type[Procedure]:
    if name not in PROCEDURES:
        raise unknown_key(name, PROCEDURES, where="procedure")
    return PROCEDURES[name]


def _hashable(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
