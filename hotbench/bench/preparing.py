"""What panel and notebooks share: a test from its options, and the next free run folder."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import SIMULATED
from hotbench.bench.recording import PanLater, RunOptions
from hotbench.bench.serving import printer_spec
from hotbench.core.ports import Scale
from hotbench.procedures import registry
from hotbench.procedures.procedure import Procedure


def prepared(
    name: str, settings: Mapping[str, Any], about: RunOptions, scale: Scale | None = None
) -> Procedure:
    """The test called `name`; rates and flows are chosen as it goes where none are listed.

    scale: where masses come from; None means the simulated pan. Errors: BadInput names the option.
    """
    plain, injected = choosers(name, settings, about.filament_density_g_per_cm3)
    if name == "extrude":
        plain["filament_diameter_mm"] = about.filament_diameter_mm
        injected["scale"] = scale or PanLater()
    return registry.build(name, plain, **injected)


def next_folder(root: Path, name: str) -> Path:
    """The first free folder `NAME-1`, `NAME-2`, ... below `root`; nothing is made."""
    number = 1
    while (root / f"{name}-{number}").exists():
        number += 1
    return root / f"{name}-{number}"


def fault_level_K(port: str, stated_K: float | None = None) -> float | None:
    """The deviation at which the board faults: as stated, or as a simulated board has it."""
    if stated_K is not None or not port.startswith(SIMULATED):
        return stated_K
    return printer_spec(port.removeprefix(SIMULATED)).fault_deviation_K
