"""The bytes that switch a printer to its safe state, whatever the line is in the middle of."""

from hotbench.link.config import LinkConfig


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

    The newline in front ends a line that was cut off half sent. Without line numbers they are
    taken whatever number the board expects.
    """
    return ("\n" + "\n".join(safe_commands(config)) + "\n").encode("ascii")
