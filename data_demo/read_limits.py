"""Read a hot end's limits with nothing but a YAML reader: python read_limits.py MACHINE.yaml."""

import sys
from pathlib import Path

from ruamel.yaml import YAML

SUPPORTED_VERSION = 1


def cautious(row: dict, end: str, column: str) -> float:
    """The interval's `low` or `high` end, or the value where no interval is known."""
    suffix = column.split("_", 1)[1]
    bound = row[f"{end}_{suffix}"]
    return row[column] if bound is None else bound


def lines(profile: dict) -> list[str]:
    """One line for each limit, at the cautious end of its interval."""
    said = [f"machine: {profile['machine']['name']}"]
    for row in profile.get("slew", []):
        where = f"{row['direction']} at {row['temperature_C']:g} °C"
        rate = cautious(row, "low", "rate_K_per_s")
        said.append(f"ramp, {where}: {rate:g} K/s ({row['limiting_cause']})")
    for row in profile.get("melt", {}).get("flow_limit", []):
        flow = cautious(row, "low", "flow_mm3_per_s")
        said.append(f"flow at {row['temperature_C']:g} °C: {flow:g} mm3/s ({row['basis']})")
    for row in profile.get("dips", []):
        slowest = row["time_down"]["high"] or row["time_down"]["value"]
        said.append(f"dip {row['from_C']:g} to {row['to_C']:g} °C: allow {slowest:g} s")
    return said


def main(path: str) -> int:
    """Print the limits; 1 when the file is of another version."""
    profile = YAML(typ="safe").load(Path(path))
    if profile["hotbench_profile"] != SUPPORTED_VERSION:
        print(f"{path}: version {profile['hotbench_profile']} is unknown here", file=sys.stderr)
        return 1
    print("\n".join(lines(profile)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
