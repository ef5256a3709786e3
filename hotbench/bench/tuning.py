"""Controller gains from a profile's heater model, rule beside rule."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hotbench.bench.results import Result
from hotbench.bench.tables import Table, number
from hotbench.control.feedforward import flow_duty, ramp_duty
from hotbench.control.forms import Form
from hotbench.control.loop import Scenario
from hotbench.control.process import Process
from hotbench.control.reduce import OperatingPoint, operating_point
from hotbench.control.tune import NAMES, ROBUST, Tuned, heater_processes, side_by_side
from hotbench.core.errors import BadInput, FellShort, unknown_key
from hotbench.core.quantity import Quantity
from hotbench.models.heater import PARAMETERS
from hotbench.models.heater_steps import P
from hotbench.profile.types import Control, Heater, MachineProfile
from hotbench.profile.yaml_io import read_profile, write_profile

FILTER_HEAD = "derivative filter / s"
GAIN_HEADS = {
    "parallel": ("rule", "Kp", "Ki / 1/s", "Kd / s", FILTER_HEAD),
    "ideal": ("rule", "Kc", "Ti / s", "Td / s", FILTER_HEAD),
    "series": ("rule", "Kc", "Ti / s", "Td / s", FILTER_HEAD),
    "per sample": ("rule", "Kp", "Ki per sample", "Kd per sample", FILTER_HEAD),
}
GAIN_KEYS = {"Kp": "Kp", "Ki": "Ki_per_s", "Kd": "Kd_s", "Kc": "Kc", "Ti": "Ti_s", "Td": "Td_s"}
GAIN_UNITS = {"Kp": "1/K", "Ki": "1/(K s)", "Kd": "s/K", "Kc": "1/K", "Ti": "s", "Td": "s"}
USUAL_SAMPLE_s = 0.1
FIGURE_HEADS = (
    "rule",
    "gain margin",
    "phase margin / °",
    "Ms",
    "overshoot / K",
    "settles / s",
    "flow sag / K",
)
SENSITIVITY = FIGURE_HEADS.index("Ms") - 1
NOT_KNOWN = "not known: record extrude"
UNSTABLE, UNSETTLED = "unstable", "-: unstable, or not settled over the whole interval"
FAN_LOSS, LOAD = PARAMETERS[P.FAN].name, PARAMETERS[P.LOAD].name
HALF_LIMIT = 0.5
ROOM_C = 25.0
UNKNOWN_LOAD_DUTY = 0.1
"""Duty that a flow step draws where no heat load was measured; assumed."""


@dataclass(frozen=True)
class Point:
    """What tuning needs of a profile at a temperature: processes, nominal first, and a scenario."""

    temperature_C: float
    operating: OperatingPoint
    processes: tuple[Process, ...]
    scenario: Scenario

    @property
    def flow_duty_per_mm3_per_s(self) -> float:
        """Duty that each mm³/s of filament draws; zero where no load was measured."""
        return flow_duty(self.operating.load_K_per_mm3, self.operating.power_K_per_s)


def tuning_point(
    profile: MachineProfile, file: Path, temperature_C: float, *, fan: float = 0.0
) -> Point:
    """A profile's heater held at a temperature. Errors: BadInput without a heater model."""
    heater = _heater(profile, file)
    if fan > 0.0 and FAN_LOSS not in heater.parameters:
        what, remedy = "the profile does not state the fan's cooling", "record step --fan 0,1"
        raise BadInput(what, where=file, value=f"fan {fan:g}", remedy=remedy)
    at = {"temperature_C": temperature_C, "ambient_C": _ambient_C(heater), "fan": fan}
    operating = operating_point(heater.model, heater_values(heater), **at)
    operating = replace(operating, load_K_per_mm3=_load_K_per_mm3(heater, operating))
    processes = heater_processes(
        heater.model, heater.parameters, combined_lag=heater.combined_lag, **at
    )
    scenario = Scenario(
        load_duty=_load_duty(profile, operating, temperature_C),
        hold_duty=operating.duty,
        sample_s=profile.machine.sample_interval_s or USUAL_SAMPLE_s,
    )
    return Point(temperature_C, operating, tuple(processes), scenario)


@dataclass(frozen=True, kw_only=True)
class TuneOptions:
    """How gains are stated, and for which board: its full duty and its sample time."""

    temperature_C: float = 220.0
    form: Form = "parallel"
    duty_full_scale: float = 1.0
    sample_s: float | None = None
    per_sample: bool = False

    def __post_init__(self) -> None:
        for where, value in (("--duty-scale", self.duty_full_scale), ("--sample", self.sample_s)):
            if value is not None and not value > 0.0:
                raise BadInput("must be positive", where=where, value=value)
        if self.per_sample and self.form != "parallel":
            remedy = "leave --form out"
            raise BadInput(
                "only parallel gains are stated per sample", where="--form", remedy=remedy
            )


def tune_file(file: Path, *, rule: str = ROBUST, out: Path | None = None, **stated: Any) -> Result:
    """Gains by every rule that applies, in the stated form for the stated duty scale.

    stated: fields of `TuneOptions`. out: the profile again, with `rule` in its control section.
    """
    options = TuneOptions(**stated)
    if rule not in NAMES:
        raise unknown_key(rule, NAMES, where="--rule")
    profile = read_profile(file)
    point = tuning_point(profile, file, options.temperature_C)
    if options.sample_s is not None:
        point = replace(point, scenario=replace(point.scenario, sample_s=options.sample_s))
    rows = side_by_side(point.processes, point.scenario)
    if out is not None:
        control = control_section(rows, point, options, rule)
        write_profile(profile.model_copy(update={"control": control}), out)
    return rules_result(rows, point, options, out)


def rules_result(
    rows: Sequence[Tuned], point: Point, options: TuneOptions, out: Path | None = None
) -> Result:
    """Gains and figures of all rules as the options state them; out: where a profile went."""
    facts = {
        "at_temperature_C": options.temperature_C,
        "form": options.form,
        "duty_full_scale": options.duty_full_scale,
        "sample_time_s": point.scenario.sample_s,
        "per_sample": options.per_sample,
        "hold_duty": point.operating.duty,
        "feedforward_flow_duty_per_mm3_per_s": point.flow_duty_per_mm3_per_s or None,
        "feedforward_ramp_duty_per_K_per_s": ramp_duty(point.operating.process),
        "scenario": point.scenario,
        "rules": [_plain(row, options, point) for row in rows],
        "profile": None if out is None else str(out),
    }
    return Result(facts, _tables(rows, point, options))


def control_section(
    rows: Sequence[Tuned], point: Point, options: TuneOptions, rule: str = ROBUST
) -> Control:
    """The profile's control section for one rule. Errors: FellShort where that rule gave nothing.

    Gains are choices: they carry no interval; the figures carry theirs.
    """
    row = next((row for row in rows if row.rule == rule), None)
    if row is None:
        raise FellShort(f"{rule}: no gains at {options.temperature_C:g} °C from this model")
    gains = row.pid.scaled(options.duty_full_scale).stated(options.form)
    return Control(
        rule=f"{row.rule} ({row.source})",
        form=options.form,
        at_temperature_C=options.temperature_C,
        duty_full_scale=options.duty_full_scale,
        sample_time_s=point.scenario.sample_s,
        gains={name: _chosen(value, GAIN_UNITS[name]) for name, value in gains.items()},
        derivative_filter_s=row.pid.filter_s,
        gain_margin=row.gain_margin,
        phase_margin=row.phase_margin,
        maximum_sensitivity=row.maximum_sensitivity,
        overshoot=row.overshoot,
        settling_time=row.settling_time,
        flow_sag=row.flow_sag,
        feedforward_flow=_feedforward(point.flow_duty_per_mm3_per_s, "s/mm3", options),
        feedforward_ramp=_feedforward(ramp_duty(point.operating.process), "s/K", options),
    )


def _chosen(value: float, unit: str) -> Quantity:
    return Quantity(value=value, unit=unit, basis="fitted")


def _feedforward(share: float, unit: str, options: TuneOptions) -> Quantity | None:
    return _chosen(share * options.duty_full_scale, unit) if share > 0.0 else None


def heater_values(heater: Heater) -> dict[str, float]:
    """Nominal parameters of a profile's heater."""
    return {name: quantity.value for name, quantity in heater.parameters.items()}


def _heater(profile: MachineProfile, file: Path) -> Heater:
    if profile.heater is None or not profile.heater.parameters:
        raise BadInput(
            "the profile has no heater model", where=file, remedy="record a step test and build it"
        )
    return profile.heater


def _ambient_C(heater: Heater) -> float:
    return heater.ambient.value if heater.ambient else ROOM_C


def _load_K_per_mm3(heater: Heater, point: OperatingPoint) -> float:
    """Cooling by the filament as the profile states it; zero, not the model's default, if not."""
    if LOAD in heater.parameters:
        return point.load_K_per_mm3
    return heater.load_per_flow.value if heater.load_per_flow else 0.0


def _load_duty(profile: MachineProfile, point: OperatingPoint, temperature_C: float) -> float:
    """Duty that half the flow limit draws."""
    if profile.melt is None or not profile.melt.flow_limit or point.load_K_per_mm3 <= 0.0:
        return UNKNOWN_LOAD_DUTY
    nearest = min(profile.melt.flow_limit, key=lambda row: abs(row.temperature_C - temperature_C))
    share = HALF_LIMIT * nearest.flow_mm3_per_s
    return share * flow_duty(point.load_K_per_mm3, point.power_K_per_s)


def _stated(row: Tuned, options: TuneOptions, point: Point) -> dict[str, float]:
    """The gains by name and unit as the board takes them. Errors: BadInput for no series form."""
    pid = row.pid.scaled(options.duty_full_scale)
    if options.per_sample:
        values = pid.per_sample(point.scenario.sample_s)
        return dict(zip(("Kp", "Ki per sample", "Kd per sample"), values, strict=True))
    return {GAIN_KEYS[name]: value for name, value in pid.stated(options.form).items()}


def _plain(row: Tuned, options: TuneOptions, point: Point) -> dict[str, object]:
    try:
        gains: dict[str, float] | None = _stated(row, options, point)
    except BadInput:
        gains = None
    return {
        "rule": row.rule,
        "source": row.source,
        "gains": gains,
        "derivative_filter_s": row.pid.filter_s,
        "gain_margin": row.gain_margin,
        "phase_margin": row.phase_margin,
        "maximum_sensitivity": row.maximum_sensitivity,
        "overshoot": row.overshoot,
        "settling_time": row.settling_time,
        "flow_sag": row.flow_sag,
        "stable_over_the_interval": row.reliable,
    }


def _tables(rows: Sequence[Tuned], point: Point, options: TuneOptions) -> tuple[Table, ...]:
    at = f"at {options.temperature_C:g} °C"
    heads = GAIN_HEADS["per sample" if options.per_sample else options.form]
    stated = f"{options.form} gains {at} for full duty {options.duty_full_scale:g}"
    if options.per_sample:
        stated += f", summed every {point.scenario.sample_s:g} s"
    gains = tuple(_gain_cells(row, options, point) for row in rows)
    nominal = tuple(_figure_cells(row, worst=False) for row in rows)
    worst = tuple(_figure_cells(row, worst=True) for row in rows)
    numeric = frozenset(range(1, len(FIGURE_HEADS)))
    return (
        Table(stated, heads, gains, numeric),
        Table(f"what they give {at}; {UNSETTLED}", FIGURE_HEADS, nominal, numeric),
        Table(f"worst over the model's interval; {UNSETTLED}", FIGURE_HEADS, worst, numeric),
        _forward_table(point, options.duty_full_scale),
    )


def _forward_table(point: Point, full_scale: float) -> Table:
    """Duty that is known beforehand, for the board's full duty."""
    flow = point.flow_duty_per_mm3_per_s
    basis = ", assumed" if point.scenario.load_duty == UNKNOWN_LOAD_DUTY else ""
    rows = (
        ("duty that holds", number(full_scale * point.operating.duty)),
        ("add per mm³/s extruded", number(full_scale * flow) if flow else NOT_KNOWN),
        ("add per K/s of ramp", number(full_scale * ramp_duty(point.operating.process))),
        ("drawn by the flow step above", f"{number(full_scale * point.scenario.load_duty)}{basis}"),
    )
    return Table(f"feed-forward for full duty {full_scale:g}", ("", "duty"), rows, frozenset({1}))


def _gain_cells(row: Tuned, options: TuneOptions, point: Point) -> tuple[str, ...]:
    try:
        values = [number(value) for value in _stated(row, options, point).values()]
    except BadInput:
        values = ["no such form", "-", "-"]
    return (row.rule, *values, number(row.pid.filter_s))


def _figure_cells(row: Tuned, *, worst: bool) -> tuple[str, ...]:
    """Margins at their least, the rest at its greatest, where the worst is asked for.

    A loop that is unstable somewhere in the interval has no sensitivity there, and only saturation
    says how far it swings.
    """
    least = (row.gain_margin, row.phase_margin)
    greatest = (row.maximum_sensitivity, row.overshoot, row.settling_time, row.flow_sag)
    cells = [_cell(quantity, "low" if worst else "value") for quantity in least]
    cells += [_cell(quantity, "high" if worst else "value") for quantity in greatest]
    if worst and not row.reliable:
        cells[SENSITIVITY:] = [UNSTABLE, *"-" * (len(cells) - SENSITIVITY - 1)]
    return (row.rule, *cells)


def _cell(quantity: Quantity | None, end: str) -> str:
    """One end of a quantity, its value where it has no interval, a dash where it is infinite."""
    if quantity is None:
        return "-"
    stated = getattr(quantity, end)
    return number(quantity.value if stated is None else stated)
