"""The figures of a profile that people ask for first, as table rows."""

from dataclasses import dataclass

from hotbench.core.quantity import Basis, Quantity
from hotbench.models.heater import plain_name
from hotbench.profile.types import MachineProfile, SlewRate
from hotbench.profile.walk import Entry, entries

LABELS = {
    "heater.heating_rate": "heats",
    "heater.cooling_rate": "cools",
    "heater.combined_lag": "sensor lag and dead time",
    "heater.hold_duty": "holds with duty",
    "heater.load_per_flow": "cooled by the filament",
    "slew": "safe ramp",
    "jumps": "safe single change",
    "repetition": "safe rest between dips",
    "dips.time_down": "dip down",
    "dips.time_back": "dip back",
    "dips.earliest_command": "command ahead",
    "smoothing": "least look-ahead",
    "melt.flow_limit": "melts up to",
    "melt.minimum_temperature": "needs at least",
    "melt.alpha_L_eff": "diffusivity times heated length",
    "melt.softening_temperature": "softening temperature",
    **{f"control.gains.{name}": f"gain {name}" for name in ("Kp", "Ki", "Kd", "Kc", "Ti", "Td")},
    "control.gain_margin": "gain margin",
    "control.phase_margin": "phase margin",
    "control.maximum_sensitivity": "maximum sensitivity",
    "control.overshoot": "overshoot",
    "control.settling_time": "settling time",
    "control.flow_sag": "sag at a flow step",
}
"""Plain words for each kind of number; kinds that are not here are no headline."""


def plain_kind(kind: str) -> str:
    """Plain words for any kind of number, such as 'dips.time_down'."""
    last = kind.rpartition(".")[2]
    return LABELS.get(kind) or plain_name(last).replace("_", " ")


@dataclass(frozen=True)
class HeadlineRow:
    """One line of the headline table; low and high are None where no interval is known."""

    label: str
    value: float
    low: float | None
    high: float | None
    unit: str
    confidence: float | None
    basis: Basis
    where: str

    @property
    def text(self) -> str:
        """Value and interval with the unit, for people."""
        return Quantity(
            value=self.value,
            unit=self.unit,
            low=self.low,
            high=self.high,
            confidence=self.confidence,
            basis=self.basis,
        ).text()


def headline(profile: MachineProfile) -> list[HeadlineRow]:
    """The headline rows in the file's order; without rows for what was not measured."""
    return [_row(entry) for entry in entries(profile) if entry.kind in LABELS]


def unidentified(profile: MachineProfile) -> list[str]:
    """One line for each thing the runs could not tell, with the test that would."""
    rows = profile.heater.unidentified if profile.heater else ()
    return [
        f"{plain_name(row.parameter)}: {row.reason or 'not identified'}; {row.test}" for row in rows
    ]


def limiting_causes(profile: MachineProfile) -> list[str]:
    """One line for each safe ramp: its rate, its cause and its trials."""
    return [_cause(row) for row in profile.slew]


def _cause(row: SlewRate) -> str:
    trials = f"{row.evidence.trials} trials, {row.evidence.faults} faults"
    rate = f"{row.direction} at {row.temperature_C:g} °C: {row.rate_K_per_s:.3g} K/s"
    return f"{rate}, limited by {row.limiting_cause} ({trials}, {row.basis})"


def _row(entry: Entry) -> HeadlineRow:
    quantity = entry.quantity
    return HeadlineRow(
        label=f"{LABELS[entry.kind]} {entry.condition}".strip(),
        value=quantity.value,
        low=quantity.low,
        high=quantity.high,
        unit=quantity.unit,
        confidence=quantity.confidence,
        basis=quantity.basis,
        where=entry.where,
    )
