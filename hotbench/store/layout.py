"""What a run folder looks like: resources, Table Schemas with units, and the package descriptor."""

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from hotbench.core.errors import BadInput
from hotbench.core.records import EXTRUSION_FIELDS, SAMPLE_FIELDS, Outcome, RunInfo

PACKAGE_FILE = "datapackage.json"
SAMPLES, EVENTS, EXTRUSIONS = "samples.csv", "events.csv", "extrusions.csv"
RESOURCES = (SAMPLES, EVENTS, EXTRUSIONS)
EVENT_FIELDS = ("time_s", "kind", "text")
COLUMNS: Mapping[str, tuple[str, ...]] = {
    SAMPLES: SAMPLE_FIELDS,
    EVENTS: EVENT_FIELDS,
    EXTRUSIONS: EXTRUSION_FIELDS,
}
TEXT_COLUMNS = frozenset({"phase", "kind", "text"})
RUN_KEY = "hotbench_run"
FORMAT = 1

_FRACTION = {"minimum": 0, "maximum": 1}
_POSITIVE = {"minimum": 0}
# name: unit for people, UCUM code (unitsofmeasure.org), constraints, description
_NUMBERS: Mapping[str, tuple[str, str, Mapping[str, Any], str]] = {
    "time_s": ("s", "s", {"required": True}, "Seconds since the run began, board time"),
    "temperature_C": ("°C", "Cel", {}, "Hot end, as reported"),
    "setpoint_C": ("°C", "Cel", {}, "Commanded temperature, 0 is off"),
    "duty": ("1", "1", _FRACTION, "Heater duty as a fraction of full"),
    "fan": ("1", "1", _FRACTION, "Part fan as a fraction of full"),
    "flow_mm3_per_s": ("mm³/s", "mm3/s", _POSITIVE, "Commanded filament flow"),
    "commanded_mm3_per_s": ("mm³/s", "mm3/s", _POSITIVE, "Commanded filament flow"),
    "commanded_mm": ("mm", "mm", _POSITIVE, "Commanded filament length"),
    "delivered_mass_g": ("g", "g", _POSITIVE, "Weighed extrudate; empty until weighed"),
    "delivered_mm": ("mm", "mm", _POSITIVE, "Measured filament length that moved"),
    "bond_force_N": ("N", "N", _POSITIVE, "Peak force of a pulled layer bond"),
    "bond_section_mm2": ("mm²", "mm2", _POSITIVE, "Section of the pulled sample"),
}
_TEXTS: Mapping[str, tuple[Mapping[str, Any], str]] = {
    "phase": ({}, "What the procedure was doing; 'validate ...' is held out of fits"),
    "kind": (
        {"required": True, "enum": ["command", "heard", "fault", "phase", "note"]},
        "What kind of event",
    ),
    "text": ({}, r"Verbatim; control characters and backslashes as \xHH, \uHHHH, \\"),
}


@dataclass(frozen=True, kw_only=True)
class FileFacts:
    """What the package states about one resource once it is closed."""

    sha256: str
    bytes: int
    rows: int


@dataclass(frozen=True, kw_only=True)
class Package:
    """The descriptor's content: provenance, outcome, closed resources, history of weighings.

    files: by resource file name; without facts while recording. evidence: the commanded columns'
    digest and the measured columns as last accepted, see `store.weighings`.
    """

    info: RunInfo
    outcome: Outcome = "recording"
    files: Mapping[str, FileFacts | None] = field(default_factory=dict)
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def sha256(self) -> dict[str, str]:
        """Stated digest by file name."""
        return {name: facts.sha256 for name, facts in self.files.items() if facts}


def field_schema(name: str) -> dict[str, Any]:
    """The Table Schema field of a column."""
    if name in _TEXTS:
        constraints, description = _TEXTS[name]
        return _with_constraints(
            {"name": name, "type": "string", "description": description}, constraints
        )
    unit, ucum, constraints, description = _NUMBERS[name]
    schema = {"name": name, "type": "number", "unit": unit, "ucumUnit": ucum}
    return _with_constraints(schema | {"description": description}, constraints)


def _with_constraints(schema: dict[str, Any], constraints: Mapping[str, Any]) -> dict[str, Any]:
    return schema | {"constraints": dict(constraints)} if constraints else schema


def descriptor(package: Package) -> dict[str, Any]:
    """The Data Package descriptor (datapackage.org) of a run."""
    info = package.info
    return {
        "name": _slug(info.run_id),
        "id": info.run_id,
        "title": f"hotbench {info.procedure} run {info.run_id}",
        **({"created": info.created} if info.created else {}),
        "resources": [_resource(name, facts) for name, facts in package.files.items()],
        RUN_KEY: {
            "format": FORMAT,
            "outcome": package.outcome,
            **asdict(info),
            "evidence": dict(package.evidence),
        },
    }


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9._-]+", "-", text.lower()).strip("-._") or "run"


def _resource(file_name: str, facts: FileFacts | None) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "name": file_name.removesuffix(".csv"),
        "type": "table",
        "path": file_name,
        "scheme": "file",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
    }
    if facts is not None:
        resource |= {"hash": f"sha256:{facts.sha256}", "bytes": facts.bytes, "rows": facts.rows}
    columns = [field_schema(name) for name in COLUMNS[file_name]]
    return resource | {"schema": {"fields": columns, "missingValues": [""]}}


def dumps(package: Package) -> bytes:
    """The descriptor as UTF-8 JSON; BadInput when a setting is not a JSON value."""
    try:
        text = json.dumps(descriptor(package), ensure_ascii=False, indent=2, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise BadInput(f"run settings must be plain JSON values: {error}") from error
    return f"{text}\n".encode()


def _runs_below(folder: Path) -> str | None:
    """Where runs are, one or two levels down."""
    below = [*folder.glob(f"*/{PACKAGE_FILE}"), *sorted(folder.glob(f"*/*/{PACKAGE_FILE}"))]
    return f"the runs are below it: {below[0].parent.parent}/*" if below else None


def load_package(folder: Path) -> Package:
    """The package of a run folder; BadInput when there is none or it is not of our kind."""
    path = folder / PACKAGE_FILE
    try:
        found = json.loads(path.read_bytes())
    except FileNotFoundError as error:
        what = f"not a run folder: no {PACKAGE_FILE}"
        raise BadInput(what, where=folder, remedy=_runs_below(folder)) from error
    except NotADirectoryError as error:
        raise BadInput("not a run folder: a file", where=folder) from error
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=path) from error
    except (ValueError, RecursionError) as error:
        raise BadInput("is not a readable package", where=path) from error
    return _parse(found, path)


def _parse(found: Any, path: Path) -> Package:
    run = found.get(RUN_KEY) if isinstance(found, dict) else None
    if not isinstance(run, dict):
        raise BadInput("is not a package of a recorded run", where=path)
    if run.get("format") != FORMAT:
        raise BadInput(
            "run folder of another format", where=path, value=run.get("format"), limit=FORMAT
        )
    try:
        known = {entry.name for entry in fields(RunInfo)}
        info = RunInfo(**{key: value for key, value in run.items() if key in known})
        files = {entry["path"]: _facts(entry) for entry in found["resources"]}
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise BadInput(f"is incomplete: {error}", where=path) from error
    unknown = sorted(set(files) - set(RESOURCES))
    if unknown:
        raise BadInput("names a file that no run has", where=path, value=unknown[0])
    return Package(
        info=info,
        outcome=run.get("outcome", "recording"),
        files=files,
        evidence=run.get("evidence") or {},
    )


def _facts(resource: Mapping[str, Any]) -> FileFacts | None:
    if "hash" not in resource:
        return None
    digest = str(resource["hash"]).removeprefix("sha256:")
    return FileFacts(sha256=digest, bytes=int(resource["bytes"]), rows=int(resource["rows"]))
