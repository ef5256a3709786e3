"""Read a hot end's limits with nothing but a YAML reader: python read_limits.py MACHINE.yaml."""

import argparse
import sys
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

SUPPORTED_VERSION = 1


def read(path: str) -> dict:
    """The profile in a file. Errors: ValueError with the reason, also for another version."""
    try:
        profile = YAML(typ="safe").load(Path(path))
    except (OSError, YAMLError) as error:
        raise ValueError(f"{path}: cannot be read ({type(error).__name__})") from error
    version = profile.get("hotbench_profile") if isinstance(profile, dict) else None
    if version != SUPPORTED_VERSION:
        raise ValueError(f"{path}: version {version} is unknown here")
    return profile


def cautious(row: dict, end: str, column: str) -> float:
    """The interval's `low` or `high` end, or the value where no interval is known."""
    suffix = column.split("_", 1)[1]
    bound = row[f"{end}_{suffix}"]
    return row[column] if bound is None else bound


def lines(profile: dict) -> list[str]:
    """One line for each limit, at the cautious end of its interval, with what it rests on."""
    said = [f"machine: {profile['machine']['name']}"]
    for row in profile.get("slew", []):
        where = f"{row['direction']} at {row['temperature_C']:g} °C, fan {row['fan']:g}"
        rate = cautious(row, "low", "rate_K_per_s")
        said.append(f"ramp, {where}: {rate:g} K/s ({row['limiting_cause']}, {row['basis']})")
    for row in profile.get("melt", {}).get("flow_limit", []):
        flow = cautious(row, "low", "flow_mm3_per_s")
        said.append(f"flow at {row['temperature_C']:g} °C: {flow:g} mm3/s ({row['basis']})")
    for row in profile.get("dips", []):
        where = f"{row['from_C']:g} to {row['to_C']:g} °C, fan {row['fan']:g}"
        down = row["time_down"]
        slowest = down["value"] if down["high"] is None else down["high"]
        said.append(f"dip {where}: allow {slowest:g} s ({down['basis']})")
    return said


def main() -> int:
    """Print the limits; 1 when the file cannot be read or is of another version."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("profile")
    try:
        print("\n".join(lines(read(parser.parse_args().profile))))
    except ValueError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
