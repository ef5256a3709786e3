"""An extrusion run taken up after a break: what was weighed before counts."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.procedure import Procedure
from hotbench.store.reader import read_run


class Filament(Protocol):
    """What two runs must share to be one session."""

    @property
    def material(self) -> str:
        """Free text."""

    @property
    def filament_diameter_mm(self) -> float:
        """Diameter, mm."""

    @property
    def filament_density_g_per_cm3(self) -> float:
        """Density, g/cm³."""


def continued(made: Procedure, about: Filament, earlier: Sequence[Path]) -> Procedure:
    """The extrusion test with the extrusions of earlier runs done; BadInput for other filament."""
    if not isinstance(made, ExtrudeTest):
        raise BadInput("only an extrusion test continues earlier runs", where="--continues")
    done: list[Extrusion] = []
    for folder in earlier:
        run = read_run(folder)
        if not run.extrusions:
            raise BadInput("run has no extrusions", where=folder)
        _check_same(run.info, about, folder)
        done.extend(run.extrusions)
    return replace(made, done=tuple(done))


def _check_same(then: Filament, now: Filament, folder: Path) -> None:
    for name in ("material", "filament_diameter_mm", "filament_density_g_per_cm3"):
        if getattr(then, name) != getattr(now, name):
            raise BadInput(
                f"was recorded with another {name}",
                where=folder,
                value=getattr(now, name),
                limit=getattr(then, name),
                remedy="a session keeps to one filament",
            )
