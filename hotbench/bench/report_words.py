"""The profile in plain words, for the top of the report and the end of the demo."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from hotbench.bench.judging import Judgement
from hotbench.bench.tables import number, typeset
from hotbench.core.quantity import Quantity
from hotbench.profile.types import CoolingRate, Dip, HeatingRate, MachineProfile, SlewRate

USUAL_C, USUAL_DIP_C, NEAR_K = 220.0, 190.0, 1.0
BEYOND = {
    "controller fault": "faster, and the board may report a fault",
    "power": "the heater has no power for more",
    "passive cooling": "it cools no faster by itself",
    "loop tracking": "the controller follows no faster",
}
"""What limits a setpoint's rate, said to somebody who prints."""
FAN = {0.0: "without fan", 0.5: "with half fan", 1.0: "with full fan"}


@dataclass(frozen=True)
class Fact:
    """One big number at a glance: what, how much, and what belongs to it."""

    what: str
    value: str
    note: str


def at_a_glance(profile: MachineProfile) -> list[Fact]:
    """The handful of numbers that people ask for first; only what is known."""
    return [*_heater_facts(profile), *_slew_facts(profile), *_melt_facts(profile)]


def summary(profile: MachineProfile, judgements: Sequence[Judgement] = ()) -> list[str]:
    """The profile in a few plain sentences; only what is known."""
    parts = (
        _heater_words(profile),
        _slew_words(profile),
        _dip_words(profile),
        _melt_words(profile),
        _judged_words(judgements),
    )
    lines = [text for text in (" ".join(part) for part in parts) if text]
    if profile.machine.simulated:
        lines.append("The printer was simulated: do not use these figures on hardware.")
    return lines


def value_text(quantity: Quantity) -> str:
    """Value and unit, printed; not torn apart at the end of a line."""
    return typeset(f"{number(quantity.value)}\N{NO-BREAK SPACE}{quantity.unit}".strip())


def interval_text(quantity: Quantity) -> str:
    """The interval with its confidence, empty where there is none."""
    if quantity.low is None or quantity.high is None:
        return ""
    share = f"{100 * quantity.confidence:g}\N{NO-BREAK SPACE}%: " if quantity.confidence else ""
    return f"{share}{number(quantity.low)} to {number(quantity.high)}"


def fan_words(fan: float) -> str:
    """A fan setting as people say it."""
    return FAN.get(fan, f"with fan {fan:g}")


def usual_heating(profile: MachineProfile) -> HeatingRate | None:
    """The heating rate from cold that is nearest to a usual print."""
    rows = profile.heater.heating_rate if profile.heater else ()
    cold = [row for row in rows if row.start == "cold"]
    return min(cold, key=lambda row: abs(row.temperature_C - USUAL_C), default=None)


def usual_cooling(profile: MachineProfile) -> list[CoolingRate]:
    """Cooling rates near a usual print, without and with full fan."""
    rows = profile.heater.cooling_rate if profile.heater else ()
    return [
        row for row in rows if abs(row.temperature_C - USUAL_C) < NEAR_K and row.fan in (0.0, 1.0)
    ]


def usual_dip(profile: MachineProfile) -> Dip | None:
    """The dip that is nearest to a usual one, without fan first."""

    def distance(dip: Dip) -> float:
        return abs(dip.from_C - USUAL_C) + abs(dip.to_C - USUAL_DIP_C) + dip.fan

    return min(profile.dips, key=distance, default=None)


def tried_slew(profile: MachineProfile) -> dict[str, SlewRate]:
    """The rate found by ramps in each direction."""
    return {row.direction: row for row in profile.slew if row.evidence.trials}


def _heater_facts(profile: MachineProfile) -> Iterator[Fact]:
    heating = usual_heating(profile)
    if heating is not None:
        note = f"passing {heating.temperature_C:g} °C from cold"
        yield _fact("heats", heating.quantity, note)
    for row in usual_cooling(profile):
        yield _fact(
            f"cools {fan_words(row.fan)}", row.quantity, f"passing {row.temperature_C:g} °C"
        )
    lag = profile.heater.combined_lag if profile.heater else None
    if lag is not None:
        yield _fact("shows it late by", lag, "sensor lag and dead time together")
    dip = usual_dip(profile)
    if dip is not None:
        note = f"down from {dip.from_C:g} to {dip.to_C:g} °C {fan_words(dip.fan)}"
        yield _fact("dips", dip.time_down, note)


def _slew_facts(profile: MachineProfile) -> Iterator[Fact]:
    for direction, row in tried_slew(profile).items():
        what = "setpoint may rise" if direction == "heating" else "setpoint may fall"
        yield Fact(what, f"{number(row.rate_K_per_s)} K/s", BEYOND[row.limiting_cause])


def _melt_facts(profile: MachineProfile) -> Iterator[Fact]:
    rows = profile.melt.flow_limit if profile.melt else ()
    if rows and profile.melt:
        row = min(rows, key=lambda r: abs(r.temperature_C - USUAL_C))
        yield _fact("melts", row.quantity, f"{profile.melt.material} at {row.temperature_C:g} °C")


def _fact(what: str, quantity: Quantity, note: str) -> Fact:
    interval = interval_text(quantity)
    return Fact(what, value_text(quantity), f"{note} ({interval})" if interval else note)


def _heater_words(profile: MachineProfile) -> Iterator[str]:
    heating = usual_heating(profile)
    if heating is not None:
        passes = f"From cold, full power takes it past {heating.temperature_C:g} °C"
        yield f"{passes} at {value_text(heating.quantity)}."
    rates = [
        f"at {value_text(row.quantity)} {fan_words(row.fan)}" for row in usual_cooling(profile)
    ]
    if rates:
        yield f"There it cools {' and '.join(rates)}."
    lag = profile.heater.combined_lag if profile.heater else None
    if lag is not None:
        yield f"Its thermometer is {value_text(lag)} late."


def _slew_words(profile: MachineProfile) -> Iterator[str]:
    for direction, row in tried_slew(profile).items():
        moves = "rise" if direction == "heating" else "fall"
        yield (
            f"The setpoint may {moves} at up to {number(row.rate_K_per_s)} K/s; "
            f"{BEYOND[row.limiting_cause]} ({row.evidence.trials} ramps)."
        )


def _dip_words(profile: MachineProfile) -> Iterator[str]:
    dip = usual_dip(profile)
    if dip is None:
        return
    down, back = value_text(dip.time_down), value_text(dip.time_back)
    yield (
        f"A dip from {dip.from_C:g} to {dip.to_C:g} °C {fan_words(dip.fan)} takes {down} down "
        f"and {back} back."
    )
    if dip.earliest_command is not None:
        yield f"Command it {value_text(dip.earliest_command)} before the surface that needs it."


def _melt_words(profile: MachineProfile) -> Iterator[str]:
    rows = profile.melt.flow_limit if profile.melt else ()
    if profile.melt and rows:
        ends = {row.temperature_C: row for row in (rows[0], rows[-1])}.values()
        stated = " and ".join(
            f"{value_text(row.quantity)} at {row.temperature_C:g} °C" for row in ends
        )
        yield f"It melts up to {stated} ({profile.melt.material})."


def _judged_words(judgements: Sequence[Judgement]) -> Iterator[str]:
    errors = [abs(j.error_percent) for j in judgements if j.error_percent is not None]
    if errors:
        yield (
            f"Held against what the fit had not seen, {len(errors)} predicted times were off by "
            f"{median(errors):.0f} % in the middle and {max(errors):.0f} % at worst."
        )
