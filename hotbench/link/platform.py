"""What a system can do to keep a heater safe when this program dies; decisions without effects."""

import os
from dataclasses import dataclass
from typing import Literal

Safeguard = Literal["guard process", "in this process"]
NO_GUARD_WINDOWS = (
    "this system cannot hand an open port to a guard process: the heater is switched off when "
    "hotbench ends in order, by an error or hangs, not when it is killed; stay beside the printer"
)
NO_GUARD_PORT = (
    "this kind of port cannot be handed to a guard process: the heater is switched off when "
    "hotbench ends in order, by an error or hangs, not when it is killed; stay beside the printer"
)


@dataclass(frozen=True, slots=True)
class Platform:
    """What the system can do. inherits_descriptors: a child can take over an open port."""

    name: str
    inherits_descriptors: bool


def platform_named(name: str) -> Platform:
    """The platform that Python calls `name` (os.name): posix or nt."""
    return Platform(name, inherits_descriptors=name == "posix")


THIS = platform_named(os.name)


@dataclass(frozen=True, slots=True)
class Plan:
    """How a port is guarded, and what the user must know about it; note is empty for nothing."""

    safeguard: Safeguard
    note: str = ""


def plan_for(platform: Platform, descriptor: int | None) -> Plan:
    """How to guard a port with this descriptor, None where it has none to inherit."""
    if not platform.inherits_descriptors:
        return Plan("in this process", NO_GUARD_WINDOWS)
    if descriptor is None:
        return Plan("in this process", NO_GUARD_PORT)
    return Plan("guard process")
