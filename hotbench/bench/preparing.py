"""What panel and notebooks share: which printer, a test from its options, the next free folder."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import SIMULATED, LinkOptions, filled, known_to, link_options
from hotbench.bench.durations import pace_from
from hotbench.bench.recording import PanLater, RunOptions
from hotbench.bench.serving import printer_spec
from hotbench.core.ports import Scale
from hotbench.procedures import registry
from hotbench.procedures.plan import Plan
from hotbench.procedures.procedure import Procedure


@dataclass(frozen=True, kw_only=True)
class Setup:
    """Which printer, and what is stated about it.

    port: `sim:NAME`, a device, `socket://host:port` or `rfc2217://host:port`. machine: its machine
    file; what is stated here wins over it. machine_profile: its profile; a test that leaves what
    the profile's heater model predicts is ended, and plans tell their time by its rates.
    """

    port: str
    machine: Path | None = None
    machine_profile: Path | None = None
    limit_temperature_C: float | None = None
    fault_deviation_K: float | None = None
    material: str = "PLA"
    ambient_C: float | None = None

    @property
    def fault_K(self) -> float | None:
        """The deviation at which this board faults, K; None when nobody stated it."""
        return fault_level_K(self.port, self.fault_deviation_K)

    def link(self, seed: int = 1) -> LinkOptions:
        """How to reach the printer. Errors: BadInput for an unusable machine file."""
        return link_options({**vars(self), "profile": self.machine_profile, "seed": seed})

    def about(self) -> RunOptions:
        """What is kept with a run."""
        return RunOptions(**known_to(RunOptions, filled(vars(self))))

    def prepare(
        self, test: str, settings: Mapping[str, Any], scale: Scale | None = None
    ) -> Procedure:
        """The test; BadInput names a wrong option or a plan beyond the temperature limit."""
        if test == "ramp" and self.fault_K is not None:
            settings = {"fault_deviation_K": self.fault_K, **settings}
        made = prepared(test, settings, self.about(), scale)
        self.plan_of(made)
        return made

    def plan_of(self, made: Procedure) -> Plan:
        """What will happen; BadInput when it goes beyond the temperature limit."""
        plan = made.plan(pace_from(self.machine_profile))
        plan.check_limit(self.link().limit_temperature_C)
        return plan


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
