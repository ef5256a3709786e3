"""Unit help for people: filament, feed and flow, printed lines, melt rates."""

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.core.errors import BadInput
from hotbench.models import units

NOT_A_LIMIT = (
    "ISO 1133 ranks materials through a standard die under a standard load; "
    "it is no substitute for the flow limit of a hot end"
)


def _result(caption: str, facts: dict[str, float], remark: str = "") -> Result:
    rows = tuple((name, number(value, 5)) for name, value in facts.items())
    shown = [Table(caption, ("quantity", "value"), rows, frozenset({1}))]
    if remark:
        shown.append(Table("beware", ("remark",), ((remark,),)))
    return Result({**facts, **({"remark": remark} if remark else {})}, tuple(shown))


def filament(diameter_mm: float, density_g_per_cm3: float, length_mm: float) -> Result:
    """Section of a filament, and volume and mass of a length of it."""
    area = units.filament_area_mm2(diameter_mm)
    facts = {
        "section_mm2": area,
        "volume_mm3": area * length_mm,
        "mass_g": units.mass_of_length_g(length_mm, diameter_mm, density_g_per_cm3),
    }
    return _result(f"{length_mm:g} mm of filament of {diameter_mm:g} mm", facts)


def feed(
    diameter_mm: float, *, flow_mm3_per_s: float | None = None, feed_mm_per_s: float | None = None
) -> Result:
    """Flow of a feed speed or feed speed of a flow; exactly one of them is given."""
    if (flow_mm3_per_s is None) == (feed_mm_per_s is None):
        raise BadInput("give either --flow or --feed")
    if flow_mm3_per_s is None:
        speed = float(feed_mm_per_s or 0.0)
        flow_mm3_per_s = units.flow_of_feed_mm3_per_s(speed, diameter_mm)
    speed = units.feed_of_flow_mm_per_s(flow_mm3_per_s, diameter_mm)
    facts = {"flow_mm3_per_s": flow_mm3_per_s, "feed_mm_per_s": speed}
    facts["feed_mm_per_min"] = 60.0 * speed
    return _result(f"filament of {diameter_mm:g} mm", facts)


def line(
    width_mm: float,
    height_mm: float,
    *,
    speed_mm_per_s: float | None = None,
    flow_mm3_per_s: float | None = None,
) -> Result:
    """Flow of a printed line at a speed, or the speed that a flow allows."""
    if (flow_mm3_per_s is None) == (speed_mm_per_s is None):
        raise BadInput("give either --speed or --flow")
    if flow_mm3_per_s is None:
        speed = float(speed_mm_per_s or 0.0)
        flow_mm3_per_s = units.flow_of_line_mm3_per_s(width_mm, height_mm, speed)
    speed = units.speed_of_line_mm_per_s(flow_mm3_per_s, width_mm, height_mm)
    facts = {"speed_mm_per_s": speed, "flow_mm3_per_s": flow_mm3_per_s}
    return _result(f"line of {width_mm:g} mm × {height_mm:g} mm, taken as a rectangle", facts)


def melt_rate(
    melt_density_g_per_cm3: float,
    *,
    mass_rate_g_per_10min: float | None = None,
    volume_rate_cm3_per_10min: float | None = None,
) -> Result:
    """ISO 1133: MFR = MVR · density of the melt; exactly one of them is given."""
    if (mass_rate_g_per_10min is None) == (volume_rate_cm3_per_10min is None):
        raise BadInput("give either --mfr or --mvr")
    if volume_rate_cm3_per_10min is None:
        volume_rate_cm3_per_10min = units.melt_volume_rate_cm3_per_10min(
            float(mass_rate_g_per_10min or 0.0), melt_density_g_per_cm3
        )
    mass = units.melt_mass_rate_g_per_10min(volume_rate_cm3_per_10min, melt_density_g_per_cm3)
    facts = {
        "mvr_cm3_per_10min": volume_rate_cm3_per_10min,
        "mfr_g_per_10min": mass,
        "flow_mm3_per_s": units.volume_rate_mm3_per_s(volume_rate_cm3_per_10min),
    }
    return _result("melt rates, ISO 1133", facts, NOT_A_LIMIT)
