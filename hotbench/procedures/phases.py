"""Names of phases, as samples carry them and fits look for them."""

from hotbench.core.records import VALIDATION_PHASE


def heat(to_C: float) -> str:
    """On the way up."""
    return f"heat {to_C:g}"


def hold(at_C: float) -> str:
    """Staying at a temperature."""
    return f"hold {at_C:g}"


def cool(from_C: float, fan: float) -> str:
    """Heater off, fan at a fraction."""
    return f"cool {from_C:g} fan {fan:g}"


def dip(from_C: float, to_C: float) -> str:
    """Down to a lower temperature and back."""
    return f"dip {from_C:g}-{to_C:g}"


def ramp(way: str, rate_K_per_s: float) -> str:
    """The setpoint on the move, 'up' or 'down'."""
    return f"ramp {way} {_decimal(rate_K_per_s)}"


def jump(way: str, size_K: float) -> str:
    """One change of the setpoint at once, 'up' or 'down'."""
    return f"jump {way} {size_K:g}"


def repeat(number: int, rest_s: float) -> str:
    """One of many dips, with the rest that follows it."""
    return f"repeat {number} rest {rest_s:g}"


def extrude(at_C: float, flow_mm3_per_s: float) -> str:
    """Filament fed at a flow."""
    return f"extrude {at_C:g} {_decimal(flow_mm3_per_s)}"


def held_out(phase: str) -> str:
    """The same, never seen by a fit."""
    return f"{VALIDATION_PHASE} {phase}"


def _decimal(value: float) -> str:
    return repr(round(float(value), 4))
