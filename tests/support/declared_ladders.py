"""A short ladder of the fast sleeve as the command line records it, its fault level declared."""

from pathlib import Path
from typing import Any

from hotbench.bench.recording import record_from_options

LEVEL_K, SPREAD = 8.5, 0.05
RATES = {
    "rates_K_per_s": (4.0, 4.5, 5.0, 5.5, 6.0, 6.5),
    "cooling_rates_K_per_s": (0.9, 1.0, 1.1, 1.2, 1.3, 1.4),
}


def ladder(folder: Path, **stated: Any) -> Path:
    """The run's folder; stated: what is declared beside the rates."""
    given = {"port": "sim:swift-sleeve", "seed": 41, "low_C": 205.0, "high_C": 220.0, **RATES}
    record_from_options("ramp", {**given, "out": folder, **stated}, confirm=_fine, prompt=_fine)
    return folder


def _fine(_: Any) -> str:
    return ""
