"""Filament and flow conversions: feed, volume, mass, line geometry, melt flow rates."""

import math

from hotbench.core.errors import BadInput


def _positive(name: str, value: float) -> float:
    if not (value > 0.0 and math.isfinite(value)):
        raise BadInput(f"{name} must be positive", value=value)
    return value


def filament_area_mm2(diameter_mm: float) -> float:
    """Cross-section of round filament, mm². BadInput unless the diameter is positive."""
    return math.pi * _positive("filament diameter", diameter_mm) ** 2 / 4.0


def flow_of_feed_mm3_per_s(feed_mm_per_s: float, diameter_mm: float) -> float:
    """Volumetric flow of a filament feed speed."""
    return feed_mm_per_s * filament_area_mm2(diameter_mm)


def feed_of_flow_mm_per_s(flow_mm3_per_s: float, diameter_mm: float) -> float:
    """Filament feed speed of a volumetric flow."""
    return flow_mm3_per_s / filament_area_mm2(diameter_mm)


def flow_of_line_mm3_per_s(width_mm: float, height_mm: float, speed_mm_per_s: float) -> float:
    """Flow of a printed line taken as a rectangle: width × height × speed."""
    return width_mm * height_mm * speed_mm_per_s


def speed_of_line_mm_per_s(flow_mm3_per_s: float, width_mm: float, height_mm: float) -> float:
    """Print speed at which a rectangular line takes `flow_mm3_per_s`."""
    return flow_mm3_per_s / _positive("line section", width_mm * height_mm)


def mass_of_length_g(length_mm: float, diameter_mm: float, density_g_per_cm3: float) -> float:
    """Mass of a length of filament."""
    return length_mm * filament_area_mm2(diameter_mm) * density_g_per_cm3 / 1000.0


def length_of_mass_mm(mass_g: float, diameter_mm: float, density_g_per_cm3: float) -> float:
    """Length of filament that weighs `mass_g`."""
    density = _positive("filament density", density_g_per_cm3)
    return mass_g * 1000.0 / (filament_area_mm2(diameter_mm) * density)


def melt_mass_rate_g_per_10min(
    volume_rate_cm3_per_10min: float, melt_density_g_per_cm3: float
) -> float:
    """ISO 1133: melt mass-flow rate MFR = MVR · ρ, ρ the density of the melt at test temperature.

    Measured through a standard die under a standard load: it ranks the viscosity of materials and
    is no substitute for a hot end's flow limit.
    """
    return volume_rate_cm3_per_10min * melt_density_g_per_cm3


def melt_volume_rate_cm3_per_10min(
    mass_rate_g_per_10min: float, melt_density_g_per_cm3: float
) -> float:
    """ISO 1133: melt volume-flow rate MVR = MFR / ρ."""
    return mass_rate_g_per_10min / _positive("melt density", melt_density_g_per_cm3)


def volume_rate_mm3_per_s(volume_rate_cm3_per_10min: float) -> float:
    """A melt volume rate in the unit of flows: 1 cm³/10 min = 1000/600 mm³/s."""
    return volume_rate_cm3_per_10min * 1000.0 / 600.0
