"""Whether a stated room temperature can be true, by what the hot end has read."""

from hotbench.core.errors import BadInput

SENSOR_OFF_K = 6.0
"""Thermometers for hundreds of degrees are off by a few kelvin at the room's; common practice, no
source."""


def check_ambient(stated_C: float, coldest_C: float) -> None:
    """BadInput when the hot end has been colder than the room that is stated, both in C."""
    if stated_C > coldest_C + SENSOR_OFF_K:
        raise BadInput(
            "the room cannot be warmer than the hot end",
            where="ambient temperature",
            value=f"{stated_C:g} °C",
            limit=f"{coldest_C:.0f} °C, as the hot end reads",
            remedy="state the room's, or none where the test begins cold",
        )
