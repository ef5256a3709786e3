"""Every number of a profile under a name that stays the same from one profile to the next."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from hotbench.core.quantity import Quantity
from hotbench.profile.types import Dip, MachineProfile, Melt, Part, Row


@dataclass(frozen=True)
class Entry:
    """One number: where it stands, what kind it is, what it is stated for.

    where: stable name such as 'heater.heating_rate[220 °C, cold]'. kind: 'heater.heating_rate'.
    keys: the key columns of a table row, empty for a single quantity.
    """

    where: str
    kind: str
    quantity: Quantity
    keys: dict[str, object]

    @property
    def condition(self) -> str:
        """The key columns for people: '220 °C, cold'; empty for a single quantity."""
        return condition(self.keys)


def entries(profile: MachineProfile) -> list[Entry]:
    """All quantities and table rows, in the order of the file."""
    return [entry for name in type(profile).model_fields for entry in _section(profile, name)]


def condition(keys: dict[str, object]) -> str:
    """Key columns for people, such as '220 °C, fan 0.5'."""
    return ", ".join(_key_text(name, value) for name, value in keys.items())


def _section(profile: MachineProfile, name: str) -> Iterator[Entry]:
    section = getattr(profile, name)
    if isinstance(section, Part):
        for column in type(section).model_fields:
            yield from _numbers(f"{name}.{column}", getattr(section, column))
    elif isinstance(section, tuple):
        yield from _numbers(name, section)


def _numbers(kind: str, value: object) -> Iterator[Entry]:
    if isinstance(value, Quantity):
        yield Entry(kind, kind, value, {})
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from _numbers(f"{kind}.{name}", inner)
    elif isinstance(value, tuple):
        for row in value:
            yield from _row(kind, row)


def _row(kind: str, row: object) -> Iterator[Entry]:
    if isinstance(row, Row):
        yield Entry(f"{kind}[{condition(row.keys)}]", kind, row.quantity, row.keys)
    elif isinstance(row, Dip):
        keys: dict[str, object] = {"from_C": row.from_C, "to_C": row.to_C, "fan": row.fan}
        for column in ("time_down", "time_back", "earliest_command"):
            quantity = getattr(row, column)
            if quantity is not None:
                where = f"{kind}[{condition(keys)}].{column}"
                yield Entry(where, f"{kind}.{column}", quantity, keys)
    elif isinstance(row, Melt):
        yield from _melt(kind, row)


def _melt(kind: str, melt: Melt) -> Iterator[Entry]:
    """The numbers of one melt among several, named by its material, hot end and nozzle."""
    name = ", ".join(part for part in (melt.material, melt.hot_end, melt.nozzle) if part)
    for column in type(melt).model_fields:
        for entry in _numbers(f"{kind}.{column}", getattr(melt, column)):
            where = entry.where.replace(kind, f"{kind}[{name}]", 1)
            yield replace(entry, where=where, keys={"of": name, **entry.keys})


def _key_text(name: str, value: object) -> str:
    if not isinstance(value, float):
        return str(value)
    head = {"from_C": "from ", "to_C": "to "}.get(name, "")
    unit = "°C" if name.endswith("_C") else "mm3/s" if name.endswith("_mm3_per_s") else ""
    return f"fan {value:g}" if name == "fan" else f"{head}{value:g} {unit}".strip()
