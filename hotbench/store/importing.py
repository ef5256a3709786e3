"""Bringing in a log that was recorded elsewhere."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from hotbench.core.arrays import FloatArray, TextArray
from hotbench.core.errors import BadInput, unknown_key
from hotbench.core.records import COMMANDED_DUTY, VALIDATION_PHASE, RunInfo, Sample
from hotbench.store.cells import TextTable, missing_column
from hotbench.store.sniffing import read_text_table
from hotbench.store.units import (
    FIELDS,
    ColumnSpec,
    celsius,
    fractions,
    is_unit,
    seconds,
    unit_error,
)
from hotbench.store.writer import RunWriter

LEAST_ROWS = 10
BATCH_ROWS = 10_000
_REQUIRED = ("time", "temperature")


def parse_columns(declarations: Iterable[str]) -> dict[str, str]:
    """FIELD=NAME[:UNIT] declarations as a mapping; BadInput for anything else."""
    columns: dict[str, str] = {}
    for declaration in declarations:
        field, equals, name = declaration.partition("=")
        if not (field.strip() and equals and name.strip()):
            raise BadInput(f"'{declaration}' is not FIELD=NAME[:UNIT]", where="--column")
        if field.strip() in columns:
            raise BadInput(f"'{field}' is given twice", where="--column")
        columns[field.strip()] = name.strip()
    return columns


def import_csv(
    path: Path,
    out: Path,
    columns: Mapping[str, str],
    *,
    ambient_C: float | None = None,
    validate_after_s: float | None = None,
    commanded_duty: bool = False,
    created: str = "",
    software_version: str = "",
    note: str = "",
) -> Path:
    """Write the run folder `out` from the CSV file `path`; returns `out`.

    columns: file column by field (time, temperature, setpoint, duty, fan, flow, phase), as
    'NAME' or 'NAME:UNIT'. Times start at 0 in the run. From validate_after_s on, samples are held
    out of fits. commanded_duty: each row holds what was applied from then on, not what a report
    showed. Delimiter and decimal sign are found out; a column name may contain colons.
    Raises BadInput with one line for whatever is wrong; nothing is written then.
    """
    path = Path(path)
    table = read_text_table(path)
    specs = _specs(columns, table)
    fields, meanings = _fields(table, specs)
    _hold_out(fields, validate_after_s)
    info = RunInfo(
        run_id=Path(out).name or path.stem,
        procedure="import",
        created=created,
        settings={
            "source": path.name,
            "source_sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
            "columns": {spec.field: spec.name for spec in specs.values()},
            "units": meanings,
            "validate_after_s": validate_after_s,
            COMMANDED_DUTY: commanded_duty,
        },
        software_version=software_version,
        ambient_C=ambient_C,
        note=note,
    )
    _write(Path(out), info, fields)
    return Path(out)


def _specs(columns: Mapping[str, str], table: TextTable) -> dict[str, ColumnSpec]:
    known = [str(name) for name in table.frame.columns]
    for field in columns:
        if field not in FIELDS:
            raise unknown_key(field, FIELDS, where="--column")
    for field in _REQUIRED:
        if field not in columns:
            remedy = f"say which it is, --column {field}=NAME; in the file: {', '.join(known[:12])}"
            raise BadInput(f"no column for {field}", where="--column", remedy=remedy)
    return {field: _spec(field, text, known, table.path) for field, text in columns.items()}


def _spec(field: str, text: str, known: Sequence[str], path: Path) -> ColumnSpec:
    if text in known:
        return ColumnSpec(field, text)
    name, colon, unit = text.rpartition(":")
    if colon and name in known:
        spec = ColumnSpec(field, name, unit)
        if not is_unit(field, unit):
            raise unit_error(spec, unit)
        return spec
    raise missing_column(name if colon and is_unit(field, unit) else text, known, path)


def _fields(
    table: TextTable, specs: Mapping[str, ColumnSpec]
) -> tuple[dict[str, Any], dict[str, str]]:
    """Columns of the run by Sample field, and what each unit was taken to mean."""
    if len(table.frame) < LEAST_ROWS:
        raise BadInput(
            "too few rows", where=table.path, value=len(table.frame), limit=f"at least {LEAST_ROWS}"
        )
    time_s, time_unit = _time(table, specs["time"])
    fields: dict[str, Any] = {"time_s": time_s}
    meanings = {"time": time_unit}
    for spec in specs.values():
        if spec.field != "time":
            name, fields_values, meaning = _field(table, spec)
            fields[name], meanings[spec.field] = fields_values, meaning
    return fields, meanings


def _field(table: TextTable, spec: ColumnSpec) -> tuple[str, FloatArray | TextArray, str]:
    if spec.field == "phase":
        return "phase", table.text(spec.name).to_numpy(dtype=np.str_), "text"
    values = table.numbers(spec.name, empty_allowed=spec.field not in _REQUIRED)
    if spec.field in ("duty", "fan"):
        scaled = fractions(values, spec)
        return spec.field, scaled.values, scaled.meaning
    if spec.field == "flow":
        return "flow_mm3_per_s", values, "mm3/s"
    return f"{spec.field}_C", celsius(values, spec.unit), spec.unit or "C"


def _time(table: TextTable, spec: ColumnSpec) -> tuple[FloatArray, str]:
    unit = spec.unit or _time_unit(table, spec)
    time_s = _timestamps(table, spec) if unit == "iso" else _numbers_s(table, spec, unit)
    stalled = np.flatnonzero(np.diff(time_s) <= 0.0)
    if stalled.size:
        raise table.bad_cell(spec.name, int(stalled[0]) + 1, "time does not increase")
    return time_s - time_s[0], unit


def _time_unit(table: TextTable, spec: ColumnSpec) -> str:
    """Text with a colon or a date dash is a timestamp; a name that says ms is milliseconds."""
    first = table.text(spec.name).iloc[0]
    if ":" in first or "-" in first[1:]:
        return "iso"
    return "ms" if spec.name.lower().rstrip(")]").endswith(("_ms", "(ms", "[ms", " ms")) else "s"


def _numbers_s(table: TextTable, spec: ColumnSpec, unit: str) -> FloatArray:
    return seconds(table.numbers(spec.name, empty_allowed=False), unit)


def _timestamps(table: TextTable, spec: ColumnSpec) -> FloatArray:
    stamps = pd.to_datetime(table.text(spec.name), format="ISO8601", utc=True, errors="coerce")
    bad = stamps.isna().to_numpy(dtype=np.bool_)
    if bad.any():
        raise table.bad_cell(spec.name, int(np.argmax(bad)), "not an ISO 8601 timestamp")
    return np.asarray((stamps - stamps.iloc[0]).dt.total_seconds(), dtype=np.float64)


def _hold_out(fields: dict[str, Any], validate_after_s: float | None) -> None:
    if validate_after_s is None:
        return
    last_s = float(fields["time_s"][-1])
    if not 0.0 < validate_after_s <= last_s:
        raise BadInput(
            "the held-out part must begin within the log",
            value=f"{validate_after_s:g} s",
            limit=f"0 to {last_s:g} s",
        )
    phase = fields.get("phase", np.full(fields["time_s"].size, "", dtype=np.str_))
    late = fields["time_s"] >= validate_after_s
    held_out = np.char.rstrip(np.char.add(f"{VALIDATION_PHASE} ", phase))
    fields["phase"] = np.where(late, held_out, phase)


def _write(out: Path, info: RunInfo, fields: Mapping[str, Any]) -> None:
    columns = {name: values.tolist() for name, values in fields.items()}
    rows = zip(*columns.values(), strict=True)
    samples = [Sample(**dict(zip(columns, row, strict=True))) for row in rows]
    writer = RunWriter(out, info)
    for start in range(0, len(samples), BATCH_ROWS):
        writer.on_samples(samples[start : start + BATCH_ROWS])
    writer.close("complete")
