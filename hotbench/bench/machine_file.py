"""A machine's configuration file: what a person states about a printer, once for all its tests."""

import json
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from hotbench.core.errors import BadInput, unknown_key
from hotbench.link.watch import WatchLimits
from hotbench.profile.safe_yaml import Document, Location, clipped, load, read_bytes
from hotbench.wire.faults import FaultPattern, extended

Positive = Annotated[float, Field(gt=0.0)]
Text = Annotated[str, Field(max_length=200)]
LINK_KEYS = {
    "baud": "baud",
    "duty_full_scale": "duty_scale",
    "interval_s": "interval_s",
    "limit_temperature_C": "limit_temperature_C",
    "filament_diameter_mm": "filament_diameter_mm",
    "scale_pattern": "scale_pattern",
}
"""Keys of the file, and the options of commands that they stand for."""


class Part(BaseModel):
    """Base of everything in the file: frozen, no unknown keys, finite numbers only."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class FaultEntry(Part):
    """A wording of this board, put in front of the declared table (`wire.faults`)."""

    pattern: Annotated[str, Field(min_length=1, max_length=200)]
    kind: Annotated[str, Field(min_length=1, max_length=60)]
    ends_run: bool = True
    anywhere: bool = True
    advice: Text = ""


class ExpectedHeater(Part):
    """The heater that should be there. rise_s: `check` must see it rise by a few kelvin by then."""

    name: Text = ""
    power_W: Positive | None = None
    rise_s: Positive | None = None


class MachineFile(Part):
    """What the file may state; None where it states nothing. watch: fields of WatchLimits."""

    hotbench_machine: Literal[1] = 1
    name: Text = ""
    baud: Annotated[int, Field(gt=0)] | None = None
    duty_full_scale: Positive | None = None
    interval_s: Annotated[float, Field(ge=0.02, le=5.0)] | None = None
    limit_temperature_C: Positive | None = None
    filament_diameter_mm: Positive | None = None
    quick_stop: bool = False
    scale_pattern: Text | None = None
    heater: ExpectedHeater = ExpectedHeater()
    watch: dict[str, float] = Field(default_factory=dict)
    faults: tuple[FaultEntry, ...] = ()

    def options(self) -> dict[str, Any]:
        """The options of commands that the file states."""
        stated = {option: getattr(self, key) for key, option in LINK_KEYS.items()}
        return {option: value for option, value in stated.items() if value is not None}

    def fault_table(self) -> tuple[FaultPattern, ...]:
        """The declared table, extended by the file's entries."""
        return extended(FaultPattern(**entry.model_dump()) for entry in self.faults)

    def limits(self, **others: float) -> WatchLimits:
        """The watch's limits; what the file states wins over `others`."""
        return WatchLimits(**{**others, **self.watch})

    def stated(self) -> dict[str, Any]:
        """What the file states, as plain values for a run's provenance; empty for no file."""
        return self.model_dump(mode="json", exclude_defaults=True)


KNOWN: Mapping[str, type[Part]] = {"": MachineFile, "heater": ExpectedHeater, "faults": FaultEntry}


def read_machine(path: Path) -> MachineFile:
    """The machine file at `path`. Errors: BadInput, one line that names file and line."""
    document = load(read_bytes(path), str(path))
    if not isinstance(document.data, dict) or "hotbench_machine" not in document.data:
        raise BadInput(
            "not a machine file",
            where=document.where(),
            remedy="add the line 'hotbench_machine: 1' where it is one",
        )
    try:
        machine = MachineFile.model_validate_json(json.dumps(document.data), strict=True)
    except ValidationError as error:
        raise _problem(error.errors(include_url=False), document) from error
    _check_watch(machine, document)
    _check_faults(machine, document)
    return machine


def _check_watch(machine: MachineFile, document: Document) -> None:
    known = [field.name for field in fields(WatchLimits)]
    for key in machine.watch:
        if key not in known:
            raise unknown_key(clipped(key), known, where=document.where(("watch", key)))
    try:
        machine.limits()
    except BadInput as error:
        where = document.where(("watch",))
        raise BadInput(f"{error.where}: {error.what}", where=where, value=error.value) from error


def _check_faults(machine: MachineFile, document: Document) -> None:
    try:
        machine.fault_table()
    except BadInput as error:
        where = document.where(("faults",))
        raise BadInput(error.what, where=where, value=error.value, remedy=error.remedy) from error


def _problem(problems: list[ErrorDetails], document: Document) -> BadInput:
    """The first problem; unknown keys first, because a misspelt key may also be a missing one."""
    problem = min(problems, key=lambda p: p["type"] != "extra_forbidden")
    location: Location = problem["loc"]
    where = document.where(location)
    if problem["type"] == "extra_forbidden":
        known = KNOWN[str(location[0]) if len(location) > 1 else ""].model_fields
        return unknown_key(clipped(str(location[-1])), known, where=where)
    if problem["type"] == "missing":
        return BadInput(f"missing key '{location[-1]}'", where=document.where(location[:-1]))
    value = problem["input"]
    shown = None if isinstance(value, dict | list) else clipped(value)
    return BadInput(problem["msg"].removeprefix("Input "), where=where, value=shown)
