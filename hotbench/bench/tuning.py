"""Controller gains from a profile's heater model, rule beside rule."""

from collections.abc import Mapping
from pathlib import Path

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.control.feedforward import flow_duty, ramp_duty
from hotbench.control.loop import Scenario
from hotbench.control.process import Process
from hotbench.control.reduce import OperatingPoint, operating_point
from hotbench.control.tune import Tuned, heater_processes, side_by_side
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.profile.types import Heater, MachineProfile
from hotbench.profile.yaml_io import read_profile

GAIN_HEADS = ("rule", "Kp", "Ki / 1/s", "Kd / s", "derivative filter / s")
FIGURE_HEADS = (
    "rule",
    "gain margin",
    "phase margin / °",
    "Ms",
    "overshoot / K",
    "settles / s",
    "flow sag / K",
)
HALF_LIMIT = 0.5
ROOM_C = 25.0
UNKNOWN_LOAD_DUTY = 0.1
"""Duty that a flow step draws where no heat load was measured; assumed."""


def tune_file(file: Path, *, temperature_C: float, duty_full_scale: float) -> Result:
    """Gains by every rule that applies, in parallel form for the stated duty scale."""
    if duty_full_scale <= 0.0:
        raise BadInput("must be positive", where="--duty-scale", value=duty_full_scale)
    profile = read_profile(file)
    heater = _heater(profile, file)
    point = _point(heater, heater_values(heater), temperature_C)
    scenario = Scenario(
        load_duty=_load_duty(profile, point, temperature_C),
        hold_duty=point.duty,
        sample_s=profile.machine.sample_interval_s or 0.1,
    )
    rows = side_by_side(_processes(heater, temperature_C), scenario)
    facts = {
        "at_temperature_C": temperature_C,
        "form": "parallel",
        "duty_full_scale": duty_full_scale,
        "hold_duty": point.duty,
        "feedforward_flow_duty_per_mm3_per_s": flow_duty(point.load_K_per_mm3, point.power_K_per_s),
        "feedforward_ramp_duty_per_K_per_s": ramp_duty(point.process),
        "scenario": scenario,
        "rules": [_plain(row, duty_full_scale) for row in rows],
    }
    return Result(facts, _tables(rows, facts, duty_full_scale))


def heater_values(heater: Heater) -> dict[str, float]:
    """Nominal parameters of a profile's heater."""
    return {name: quantity.value for name, quantity in heater.parameters.items()}


def _heater(profile: MachineProfile, file: Path) -> Heater:
    if profile.heater is None or not profile.heater.parameters:
        raise BadInput(
            "the profile has no heater model", where=file, remedy="record a step test and build it"
        )
    return profile.heater


def _point(heater: Heater, values: Mapping[str, float], temperature_C: float) -> OperatingPoint:
    return operating_point(
        heater.model, values, temperature_C=temperature_C, ambient_C=_ambient_C(heater)
    )


def _ambient_C(heater: Heater) -> float:
    return heater.ambient.value if heater.ambient else ROOM_C


def _processes(heater: Heater, temperature_C: float) -> list[Process]:
    """The process at the nominal parameters and over their intervals."""
    return heater_processes(
        heater.model,
        heater.parameters,
        combined_lag=heater.combined_lag,
        temperature_C=temperature_C,
        ambient_C=_ambient_C(heater),
    )


def _load_duty(profile: MachineProfile, point: OperatingPoint, temperature_C: float) -> float:
    """Duty that half the flow limit draws."""
    if profile.melt is None or not profile.melt.flow_limit or point.load_K_per_mm3 <= 0.0:
        return UNKNOWN_LOAD_DUTY
    nearest = min(profile.melt.flow_limit, key=lambda row: abs(row.temperature_C - temperature_C))
    share = HALF_LIMIT * nearest.flow_mm3_per_s
    return share * flow_duty(point.load_K_per_mm3, point.power_K_per_s)


def _plain(row: Tuned, full_scale: float) -> dict[str, object]:
    pid = row.pid
    gains = {"Kp": pid.Kp, "Ki_per_s": pid.Ki, "Kd_s": pid.Kd}
    return {
        "rule": row.rule,
        "source": row.source,
        "gains": {name: value * full_scale for name, value in gains.items()},
        "derivative_filter_s": pid.filter_s,
        "gain_margin": row.gain_margin,
        "phase_margin": row.phase_margin,
        "maximum_sensitivity": row.maximum_sensitivity,
        "overshoot": row.overshoot,
        "settling_time": row.settling_time,
        "flow_sag": row.flow_sag,
        "stable_over_the_interval": row.reliable,
    }


def _tables(rows: list[Tuned], facts: Mapping[str, object], full_scale: float) -> tuple[Table, ...]:
    at = f"at {facts['at_temperature_C']:g} °C"
    gains = tuple(_gain_cells(row, full_scale) for row in rows)
    nominal = tuple(_figure_cells(row, worst=False) for row in rows)
    worst = tuple(_figure_cells(row, worst=True) for row in rows)
    forward = (
        ("duty that holds", number(float(str(facts["hold_duty"])))),
        (
            "add per mm³/s extruded",
            number(float(str(facts["feedforward_flow_duty_per_mm3_per_s"]))),
        ),
        ("add per K/s of ramp", number(float(str(facts["feedforward_ramp_duty_per_K_per_s"])))),
    )
    numeric = frozenset(range(1, len(FIGURE_HEADS)))
    return (
        Table(f"parallel gains {at} for full duty {full_scale:g}", GAIN_HEADS, gains, numeric),
        Table(f"what they give {at}", FIGURE_HEADS, nominal, numeric),
        Table("worst over the model's interval", FIGURE_HEADS, worst, numeric),
        Table("feed-forward, fractions of full duty", ("", "duty"), forward, frozenset({1})),
    )


def _gain_cells(row: Tuned, full_scale: float) -> tuple[str, ...]:
    pid = row.pid.scaled(full_scale)
    return (row.rule, *(number(gain) for gain in (pid.Kp, pid.Ki, pid.Kd, pid.filter_s)))


def _figure_cells(row: Tuned, *, worst: bool) -> tuple[str, ...]:
    """Margins at their least, the rest at its greatest, where the worst is asked for."""
    least = (row.gain_margin, row.phase_margin)
    greatest = (row.maximum_sensitivity, row.overshoot, row.settling_time, row.flow_sag)
    cells = [_cell(quantity, "low" if worst else "value") for quantity in least]
    cells += [_cell(quantity, "high" if worst else "value") for quantity in greatest]
    return (row.rule, *cells)


def _cell(quantity: Quantity | None, end: str) -> str:
    """One end of a quantity, its value where it has no interval, a dash where it is infinite."""
    if quantity is None:
        return "-"
    stated = getattr(quantity, end)
    return number(quantity.value if stated is None else stated)
