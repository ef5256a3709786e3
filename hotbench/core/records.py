"""What a run consists of: samples, events, extrusions and the facts about how they came to be."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from hotbench.core.arrays import FloatArray, TextArray

EventKind = Literal["command", "heard", "fault", "phase", "note"]
Outcome = Literal["recording", "complete", "stopped", "faulted", "cut off"]

SAMPLE_FIELDS = (
    "time_s",
    "temperature_C",
    "setpoint_C",
    "duty",
    "fan",
    "flow_mm3_per_s",
    "phase",
)
EXTRUSION_FIELDS = (
    "setpoint_C",
    "commanded_mm3_per_s",
    "commanded_mm",
    "delivered_mass_g",
    "delivered_mm",
    "bond_force_N",
    "bond_section_mm2",
)
COMMANDED_DUTY = "commanded_duty"
"""Setting of a run whose duty holds from its own time stamp on, as where a script set it."""
VALIDATION_PHASE = "validate"
"""Phases whose name starts with this word are held out of every fit and judge it."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One temperature reading. duty and fan are fractions 0 to 1; unknown values are NaN."""

    time_s: float
    temperature_C: float
    setpoint_C: float = math.nan
    duty: float = math.nan
    fan: float = math.nan
    flow_mm3_per_s: float = 0.0
    phase: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """A command sent, a line heard that is no sample, a fault, a change of phase, or a note."""

    time_s: float
    kind: EventKind
    text: str


@dataclass(frozen=True, slots=True)
class Extrusion:
    """One commanded extrusion and what came out of it; what was not weighed is None."""

    setpoint_C: float
    commanded_mm3_per_s: float
    commanded_mm: float
    delivered_mass_g: float | None = None
    delivered_mm: float | None = None
    bond_force_N: float | None = None
    bond_section_mm2: float | None = None


@dataclass(frozen=True, kw_only=True)
class RunInfo:
    """Provenance of a run, as `datapackage.json` keeps it.

    created: ISO 8601 UTC. settings: the procedure's options, JSON values only. ambient_C: given
    by the user, else None (then taken from a cold start). time_scale: board seconds per wall
    second, 1 on hardware. hot_end, nozzle, material and the filament's figures belong to extrusion
    runs. machine: what the machine file stated, and the profile that the watch held it against.
    """

    run_id: str
    procedure: str
    created: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    printer: str = ""
    firmware: str = ""
    port: str = ""
    host: str = ""
    software_version: str = ""
    ambient_C: float | None = None
    hot_end: str = ""
    nozzle: str = ""
    material: str = ""
    filament_diameter_mm: float = 1.75
    filament_density_g_per_cm3: float = 1.24
    time_scale: float = 1.0
    simulated: bool = False
    note: str = ""
    machine: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Run:
    """A recorded run as columns; every array has one entry per sample, in time order.

    sha256: digest per resource file name, empty while recording.
    """

    info: RunInfo
    time_s: FloatArray
    temperature_C: FloatArray
    setpoint_C: FloatArray
    duty: FloatArray
    fan: FloatArray
    flow_mm3_per_s: FloatArray
    phase: TextArray
    events: Sequence[Event] = ()
    extrusions: Sequence[Extrusion] = ()
    outcome: Outcome = "complete"
    sha256: Mapping[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.time_s.size)

    def mask_phase(self, prefix: str) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """True where the phase starts with `prefix`."""
        return np.char.startswith(self.phase.astype(np.str_), prefix)

    @classmethod
    def from_samples(
        cls,
        info: RunInfo,
        samples: Sequence[Sample],
        *,
        events: Sequence[Event] = (),
        extrusions: Sequence[Extrusion] = (),
        outcome: Outcome = "complete",
    ) -> "Run":
        """Columns from a list of samples."""

        def column(name: str) -> FloatArray:
            return np.array([getattr(sample, name) for sample in samples], dtype=np.float64)

        return cls(
            info=info,
            time_s=column("time_s"),
            temperature_C=column("temperature_C"),
            setpoint_C=column("setpoint_C"),
            duty=column("duty"),
            fan=column("fan"),
            flow_mm3_per_s=column("flow_mm3_per_s"),
            phase=np.array([sample.phase for sample in samples], dtype=np.str_),
            events=tuple(events),
            extrusions=tuple(extrusions),
            outcome=outcome,
        )
