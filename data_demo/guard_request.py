"""A post-processor's guard: python guard_request.py MACHINE.yaml TEMPERATURE_C FLOW_MM3_PER_S.

Allows a request (exit 0) only where the profile holds a limit for it; refuses it (exit 1) with
the reason, also where nothing is known. A profile that cannot be read refuses everything.
"""

import argparse
import sys
from itertools import pairwise

from read_limits import cautious, read


def allowed_flow(profile: dict, temperature_C: float) -> float:
    """The cautious flow limit, mm3/s, interpolated between the table's temperatures.

    Errors: ValueError where the profile has no limit for this temperature.
    """
    rows = sorted(profile.get("melt", {}).get("flow_limit", []), key=lambda r: r["temperature_C"])
    limits = [(row["temperature_C"], cautious(row, "low", "flow_mm3_per_s")) for row in rows]
    if temperature_C in dict(limits):
        return dict(limits)[temperature_C]
    for (below_C, least), (above_C, most) in pairwise(limits):
        if below_C <= temperature_C <= above_C:
            share = (temperature_C - below_C) / (above_C - below_C)
            return least + share * (most - least)
    span = f"{limits[0][0]:g} to {limits[-1][0]:g} °C" if limits else "no temperature"
    raise ValueError(f"{temperature_C:g} °C was not measured (known: {span})")


def refusal(profile: dict, temperature_C: float, flow_mm3_per_s: float) -> str:
    """Why the request is refused; empty when it is allowed."""
    cut_off_C = profile["machine"].get("limit_temperature_C")
    if cut_off_C is not None and temperature_C > cut_off_C:
        return f"{temperature_C:g} °C is above the machine's limit of {cut_off_C:g} °C"
    try:
        limit = allowed_flow(profile, temperature_C)
    except ValueError as error:
        return str(error)
    # Asked so that what is no number is refused as well.
    if not 0.0 <= flow_mm3_per_s <= limit:
        asked = f"{flow_mm3_per_s:g} mm3/s at {temperature_C:g} °C"
        return f"{asked} is not within 0 and the limit of {limit:.1f} mm3/s"
    return ""


def main() -> int:
    """Print 'allowed' or the reason."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("profile")
    parser.add_argument("temperature_C", type=float)
    parser.add_argument("flow_mm3_per_s", type=float)
    asked = parser.parse_args()
    try:
        reason = refusal(read(asked.profile), asked.temperature_C, asked.flow_mm3_per_s)
    except ValueError as error:
        reason = str(error)
    print(f"refused: {reason}" if reason else "allowed")
    return 1 if reason else 0


if __name__ == "__main__":
    sys.exit(main())
