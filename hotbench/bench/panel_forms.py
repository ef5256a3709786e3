"""What the panel's form offers, and what a person typed into it as options of a test."""

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from hotbench.bench.connecting import SIMULATED
from hotbench.bench.tables import number
from hotbench.core.errors import BadInput, unknown_key
from hotbench.link.serial_port import list_ports
from hotbench.procedures.options import Option
from hotbench.procedures.registry import PROCEDURES, options
from hotbench.sim.printers import PRINTERS

TITLES: Mapping[str, str] = {
    "step": "Step test",
    "ramp": "Ramp ladder",
    "dip": "Dips",
    "hold": "Hold",
    "extrude": "Extrusion",
    "jump": "Setpoint jumps",
    "repeat": "Repeated dips",
    "verify": "Check of new gains",
    "relay": "Relay swings",
}
HIDDEN = frozenset({"filament_diameter_mm", "fault_deviation_K"})
"""Options that belong to the reel or the board rather than to the test: stated once for all."""
FIRST: Mapping[str, tuple[str, ...]] = {
    "ramp": ("low_C", "high_C", "fan", "max_ramps"),
    "extrude": ("temperatures_C", "flows_mm3_per_s", "length_mm", "max_weighings"),
}
SHOWN_FIRST = 4
START_VALUES: Mapping[tuple[str, str], str] = {("step", "fans"): "0, 0.5, 1"}
"""Where the panel begins with more than the procedure's own default."""
DIPS = frozenset({"dip"})


def catalogue() -> list[dict[str, Any]]:
    """Every test with its title, summary and fields, as plain values."""
    return [
        {
            "name": name,
            "title": TITLES.get(name, name),
            "summary": kind.summary,
            "fields": [_field(name, entry) for entry in _ordered(name)],
        }
        for name, kind in PROCEDURES.items()
    ]


def port_choices() -> list[dict[str, str]]:
    """Simulated printers and the serial ports of this computer."""
    simulated = [{"port": f"{SIMULATED}{name}", "what": "simulated printer"} for name in PRINTERS]
    real = [{"port": port.device, "what": port.description} for port in list_ports()]
    return [*simulated, *real]


def yaml_files(*folders: Path) -> list[str]:
    """YAML files in these folders, as the form offers them: machine files and profiles."""
    found = (path for folder in folders for path in folder.glob("*.yaml"))
    return sorted({os.path.relpath(path) for path in found})


def settings_from(test: str, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Options from the form's texts; empty fields keep the default.

    BadInput names the field that cannot be read.
    """
    known = {entry.name: entry for entry in options(test)}
    given = {}
    for name, text in typed.items():
        if name not in known:
            raise unknown_key(name, known, where=f"option of {test}")
        if isinstance(text, bool):
            given[name] = text
        elif str(text).strip():
            given[name] = _value(known[name], str(text))
    return given


def _ordered(name: str) -> list[Option]:
    entries = [entry for entry in options(name) if entry.name not in HIDDEN]
    first = FIRST.get(name, tuple(entry.name for entry in entries[:SHOWN_FIRST]))
    return sorted(entries, key=lambda e: first.index(e.name) if e.name in first else len(first))


def _field(test: str, entry: Option) -> dict[str, Any]:
    first = FIRST.get(test, tuple(e.name for e in options(test)[:SHOWN_FIRST]))
    start = START_VALUES.get((test, entry.name), _text(entry))
    return {
        "name": entry.name,
        "label": entry.meaning,
        "unit": "" if entry.unit == "fraction" else entry.unit,
        "kind": "flag" if isinstance(entry.default, bool) else "text",
        "start": entry.default if isinstance(entry.default, bool) else start,
        "hint": _hint(entry),
        "first": entry.name in first,
    }


def _hint(entry: Option) -> str:
    if entry.default == () or entry.default is None:
        return "chosen as it goes" if entry.default == () else "none"
    share = "0 to 1" if entry.unit == "fraction" else ""
    several = "several with commas" if _is_list(entry) else ""
    return ", ".join(part for part in (share, several) if part)


def _is_list(entry: Option) -> bool:
    return isinstance(entry.default, tuple) and entry.name not in DIPS


def _text(entry: Option) -> str:
    value = entry.default
    if value is None:
        return ""
    if entry.name in DIPS:
        return "-".join(number(part) for part in value)
    return ", ".join(number(v) for v in value) if isinstance(value, tuple) else number(value)


def _value(entry: Option, text: str) -> Any:
    if entry.name in DIPS:
        high, _, low = text.partition("-")
        return tuple(_numbers(entry, (high, low)))
    values = tuple(_numbers(entry, text.split(",")))
    if isinstance(entry.default, tuple):
        return values
    if len(values) != 1:
        raise BadInput("takes one number", where=entry.meaning, value=text)
    return int(values[0]) if isinstance(entry.default, int) else values[0]


def _numbers(entry: Option, parts: Iterable[str]) -> list[float]:
    texts = [part.strip() for part in parts]
    try:
        return [float(text) for text in texts if text]
    except ValueError as error:
        example = "such as 220-190" if entry.name in DIPS else "such as 220"
        raise BadInput(
            f"is not a number {example}", where=entry.meaning, value=", ".join(texts)
        ) from error
