"""What a closed run remembers of its extrusions, so that later weighings can be told from edits."""

import hashlib
from collections.abc import Sequence
from typing import Any

from hotbench.core.records import Extrusion
from hotbench.store.rows import number, to_bytes

COMMANDED = ("setpoint_C", "commanded_mm3_per_s", "commanded_mm")
MEASURED = ("delivered_mass_g", "delivered_mm", "bond_force_N", "bond_section_mm2")


def commanded_digest(extrusions: Sequence[Extrusion]) -> str:
    """sha256 over the commanded columns, independent of how the file is written."""
    content = to_bytes([number(getattr(e, name)) for name in COMMANDED] for e in extrusions)
    return hashlib.sha256(content).hexdigest()


def measured_values(extrusions: Sequence[Extrusion]) -> list[list[float | None]]:
    """The measured columns, one row per extrusion."""
    return [[getattr(extrusion, name) for name in MEASURED] for extrusion in extrusions]


def evidence_of(extrusions: Sequence[Extrusion], changes: Sequence[Any] = ()) -> dict[str, Any]:
    """The package's record of the extrusions; changes: history of later weighings."""
    return {
        "commanded_sha256": commanded_digest(extrusions),
        "measured": measured_values(extrusions),
        "changes": list(changes),
    }
