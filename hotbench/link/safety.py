"""The bytes that switch a printer to its safe state, whatever the line is in the middle of."""

import math

from hotbench.link.config import LinkConfig
from hotbench.link.dialogue import acknowledges
from hotbench.wire.replies import Reply, TemperatureReport


def fan_command(fraction: float) -> str:
    """The command for a part fan speed, 0 to 1."""
    return f"M106 S{round(fraction * 255)}" if fraction > 0.0 else "M107"


def heat_command(setpoint_C: float, tool: int | None = None) -> str:
    """The command for a hot end setpoint, °C, to a hundredth."""
    value = f"{setpoint_C:.2f}".rstrip("0").rstrip(".")
    return f"M104 S{value}" if tool is None else f"M104 T{tool} S{value}"


def safe_commands(config: LinkConfig) -> tuple[str, ...]:
    """Heater off, fan to its safe state."""
    return heat_command(0.0, config.tool), fan_command(config.fan_safe)


def safe_bytes(config: LinkConfig) -> bytes:
    """`safe_commands` as bytes.

    The newline in front ends a line that was cut off half sent; M108 ends a wait in which the
    board takes no other line, where it knows that. Without line numbers they are taken whatever
    number the board expects.
    """
    return ("\n" + "\n".join(("M108", *safe_commands(config))) + "\n").encode("ascii")


EMERGENCY_STOP = b"\nM112\n"
"""The last resort for a board that does not confirm that its heater is off."""
QUICK_STOP = b"\nM410\n"
"""Drops the moves that a board still holds, where it takes that word."""
QUICK_STOP_CAPABILITY = "EMERGENCY_PARSER"
"""What a board lists that takes M108, M112 and M410 on arrival; from memory."""


class OffProof:
    """What shows that the heater is off.

    A report with setpoint 0; from a board that reports no setpoints, as many acknowledgements as
    lines were sent.
    """

    def __init__(self, config: LinkConfig) -> None:
        self._tool = config.tool
        self._missing = safe_bytes(config).strip().count(b"\n") + 1

    def given_by(self, reply: Reply) -> bool:
        """Whether the heater is shown to be off after this reply."""
        self._missing -= acknowledges(reply)
        reading = reply.hot_end(self._tool) if isinstance(reply, TemperatureReport) else None
        if reading is None:
            return False
        silent = math.isnan(reading.setpoint_C)
        return reading.setpoint_C == 0.0 or (silent and self._missing < 0)
