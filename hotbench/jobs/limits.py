"""What a hot end can do, as arrays that job planning reads fast."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Basis, Quantity
from hotbench.profile.types import Control, FlowLimit, Heater, MachineProfile, Melt, SlewRate

DEFAULT_DIAMETER_MM = 1.75
SLEW_MARGIN = 0.3
"""Share kept off the safe slew at least (assumed): it is measured on single ramps begun from a
hold without flow, while a job's ramps follow each other under changing flow; see margin_of."""
GUARD_K = 2.0
"""How far inside a wished band temperatures are planned at least (common practice, no source)."""
SETTLE_LAGS = 3.0
"""A band is reached this many lags, or trails of the board's controller where those are longer,
before its surface: a first-order rest of 5 %, exp(-3)."""
ASSUMED_ERROR_K = 2.0
"""Error of a heater model that states none (assumed)."""
ASSUMED_MARGIN = Quantity(value=SLEW_MARGIN, unit="", basis="assumed")
_CLOCK_STEP_K = 0.25


@dataclass(frozen=True)
class FlowTable:
    """Largest flow by temperature, rising; arrays of shape (n,), n >= 1.

    Between points the logarithm of the flow is linear in temperature; above the last the flow
    stays, below the first it falls on at the first slope. `low` and `high` bound the limit.
    """

    temperature_C: FloatArray
    flow_mm3_per_s: FloatArray
    low_mm3_per_s: FloatArray
    high_mm3_per_s: FloatArray

    def at(self, temperature_C: FloatArray) -> FloatArray:
        """The limit, mm³/s."""
        return self._read(temperature_C, self.flow_mm3_per_s)

    def low_at(self, temperature_C: FloatArray) -> FloatArray:
        """The lower end of its interval: what to stay below."""
        return self._read(temperature_C, self.low_mm3_per_s)

    def high_at(self, temperature_C: FloatArray) -> FloatArray:
        """The upper end of its interval."""
        return self._read(temperature_C, self.high_mm3_per_s)

    def least_temperature_C(self, flow_mm3_per_s: FloatArray) -> FloatArray:
        """Lowest temperature whose lower limit carries the flow; inf where none does."""
        logs = np.log(np.maximum.accumulate(self.low_mm3_per_s))
        flow = np.asarray(flow_mm3_per_s, dtype=np.float64)
        with np.errstate(divide="ignore"):
            wanted = np.log(flow)
        least = np.interp(wanted, logs, self.temperature_C)
        return np.where(wanted > logs[-1] + 1e-12, math.inf, least)

    def _read(self, temperature_C: FloatArray, flows: FloatArray) -> FloatArray:
        logs = np.log(flows)
        inside = np.interp(temperature_C, self.temperature_C, logs)
        if logs.size > 1:
            slope = (logs[1] - logs[0]) / (self.temperature_C[1] - self.temperature_C[0])
            inside = inside + np.minimum(0.0, temperature_C - self.temperature_C[0]) * slope
        return np.asarray(np.exp(inside), dtype=np.float64)


@dataclass(frozen=True)
class SlewTable:
    """Fastest safe setpoint ramp by temperature, K/s, positive; linear between points."""

    temperature_C: FloatArray
    rate_K_per_s: FloatArray

    def at(self, temperature_C: FloatArray) -> FloatArray:
        """The safe rate; the end points hold beyond the table."""
        return np.interp(temperature_C, self.temperature_C, self.rate_K_per_s)

    def clock_s(self, temperature_C: FloatArray) -> FloatArray:
        """Seconds that a safe ramp from 0 °C takes to each temperature: integral of dT / rate."""
        top = max(float(np.max(temperature_C)), _CLOCK_STEP_K)
        grid = np.linspace(0.0, top, math.ceil(top / _CLOCK_STEP_K) + 1)
        middle = 0.5 * (grid[1:] + grid[:-1])
        seconds = np.concatenate([[0.0], np.cumsum(np.diff(grid) / self.at(middle))])
        return np.asarray(np.interp(temperature_C, grid, seconds), dtype=np.float64)


@dataclass(frozen=True)
class HeaterFacts:
    """The fitted heater: a model of models.heater by name, its parameters and ambient.

    ends: the intervals' ends by parameter, where stated. error_K: the worst error on what was kept
    out of the fit, ASSUMED_ERROR_K where none is stated.
    """

    model: str
    parameters: Mapping[str, float]
    ambient_C: float
    ends: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    error_K: float = ASSUMED_ERROR_K


@dataclass(frozen=True)
class MeltFacts:
    """The fitted melt figures: thermal diffusivity times heated length, and softening point."""

    alpha_L_mm3_per_s: float
    softening_C: float


@dataclass(frozen=True)
class ControlFacts:
    """Parallel controller gains; duty 1 is full power: Kp per K, Ki per K s, Kd s per K."""

    Kp: float
    Ki: float
    Kd: float


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What jobs may ask of one hot end with one filament.

    low_C, high_C: temperatures that may be scheduled. lag_s: command to sensor at a ramp.
    trail_s: by how long the board's own controller trails a ramp at most; see trail_of.
    margin: share kept off the safe slew, already taken off slew_up and slew_down.
    heater, melt, control: None where the profile does not state them; predictions then do
    without or, for want of a heater, are left out.
    """

    flow: FlowTable
    slew_up: SlewTable
    slew_down: SlewTable
    lag_s: float
    low_C: float
    high_C: float
    filament_area_mm2: float = field(default_factory=lambda: math.pi / 4.0 * DEFAULT_DIAMETER_MM**2)
    heater: HeaterFacts | None = None
    melt: MeltFacts | None = None
    control: ControlFacts | None = None
    trail_s: float = 0.0
    margin: Quantity = ASSUMED_MARGIN

    @property
    def guard(self) -> Quantity:
        """How far inside a wished band to plan, K: what the interval of a settled surface leaves.

        That is the heater's error and the rest of a ramp's deviation, exp(-SETTLE_LAGS) of it;
        at least GUARD_K.
        """
        rest_K = self.trail_s * float(np.max(self.slew_up.rate_K_per_s)) * math.exp(-SETTLE_LAGS)
        least_K = (self.heater.error_K if self.heater else 0.0) + rest_K
        basis: Basis = "fitted" if least_K > GUARD_K else "assumed"
        return Quantity(value=max(GUARD_K, least_K), unit="K", basis=basis)


def _flow_table(rows: Iterable[FlowLimit]) -> FlowTable:
    ordered = sorted(rows, key=lambda row: row.temperature_C)
    usable = [row for row in ordered if row.flow_mm3_per_s > 0.0]
    if not usable:
        raise BadInput("the profile states no flow limit", remedy="record and fit extrusions first")
    value = [row.flow_mm3_per_s for row in usable]
    low = [row.low_mm3_per_s or row.flow_mm3_per_s for row in usable]
    high = [row.high_mm3_per_s or row.flow_mm3_per_s for row in usable]
    columns = ([row.temperature_C for row in usable], value, low, high)
    return FlowTable(*(np.array(column, dtype=np.float64) for column in columns))


def _slew_table(rows: Iterable[SlewRate], direction: str) -> SlewTable:
    """The slowest safe rate per temperature over all fan settings, so that any fan is safe.

    Taken at the lower end of its interval, where one is stated.
    """
    slowest: dict[float, float] = {}
    for row in rows:
        if row.direction == direction and row.rate_K_per_s > 0.0:
            known = slowest.get(row.temperature_C, math.inf)
            slowest[row.temperature_C] = min(known, row.low_K_per_s or row.rate_K_per_s)
    if not slowest:
        raise BadInput(f"the profile states no safe {direction} rate", remedy="record ramps first")
    pairs = np.array(sorted(slowest.items()))
    return SlewTable(pairs[:, 0], pairs[:, 1])


def _heater_facts(heater: Heater | None) -> HeaterFacts | None:
    if heater is None or heater.ambient is None or not heater.parameters:
        return None
    values = {name: quantity.value for name, quantity in heater.parameters.items()}
    ends = {
        name: (quantity.low, quantity.high)
        for name, quantity in heater.parameters.items()
        if quantity.low is not None and quantity.high is not None
    }
    errors = [held.worst_K for held in heater.validation if held.worst_K is not None]
    error_K = max(errors, default=ASSUMED_ERROR_K)
    return HeaterFacts(heater.model, values, heater.ambient.value, ends, error_K)


def _melt_facts(melt: Melt) -> MeltFacts | None:
    if melt.alpha_L_eff is None or melt.softening_temperature is None:
        return None
    return MeltFacts(melt.alpha_L_eff.value, melt.softening_temperature.value)


def _control_facts(control: Control | None) -> ControlFacts | None:
    """Gains in parallel form; series Kc'(1 + 1/(Ti' s))(1 + Td' s) is multiplied out."""
    if control is None:
        return None
    values = {name: quantity.value for name, quantity in control.gains.items()}
    scale = control.duty_full_scale
    if control.form == "parallel":
        gains = [values.get(name, 0.0) for name in ("Kp", "Ki", "Kd")]
    else:
        Kc, Ti, Td = values.get("Kc", 0.0), values.get("Ti", math.inf), values.get("Td", 0.0)
        share = 1.0 + Td / Ti if control.form == "series" else 1.0
        gains = [Kc * share, Kc / Ti, Kc * Td]
    return ControlFacts(*(gain / scale for gain in gains))


def trail_of(profile: MachineProfile) -> float:
    """Longest trail of the board's controller behind a heating ramp, s; 0 where none is stated.

    The slew claim says that a ramp at the safe rate deviates by no more than the stated fault
    level, so that level over rate bounds the loop's time. Where a ramp ends, a loop that integrates
    swings over by as much as it trailed at the ramp's start (superposition), for about as long.
    """
    level_K = profile.provenance.options.get("fault_deviation_K")
    rates = [
        row.rate_K_per_s
        for row in profile.slew
        if row.direction == "heating" and row.coverage is not None and row.rate_K_per_s > 0.0
    ]
    if not isinstance(level_K, int | float) or not rates:
        return 0.0
    return float(level_K) / min(rates)


def margin_of(up: SlewTable, down: SlewTable, trail_s: float) -> Quantity:
    """Share to keep off the safe slew, so that ramps may follow each other without a rest.

    A loop behind a ramp of rate r by r trail_s swings over by no more than that where it ends. A
    ramp the other way begins there: the deviations add, and (1 - m) (up + down) trail_s stays
    within the level up trail_s at m = down / (up + down). What else a job adds, such as steps of
    flow, no profile states: the share is SLEW_MARGIN at least, and where no claim is stated.
    """
    climb, fall = (float(np.min(table.rate_K_per_s)) for table in (up, down))
    share = fall / (climb + fall)
    if trail_s <= 0.0 or share <= SLEW_MARGIN:
        return ASSUMED_MARGIN
    return Quantity(value=share, unit="", basis="fitted")


def limits_of(profile: MachineProfile, *, margin: float | None = None) -> Limits:
    """The limits a profile states; `margin`: share off every safe slew rate, else margin_of.

    Errors: BadInput where the profile states no flow limit, no slew or no lag, or margin is no
    fraction below 1.
    """
    if margin is not None and not 0.0 <= margin < 1.0:
        raise BadInput("margin must be a fraction below 1", value=margin)
    if profile.melt is None:
        raise BadInput("the profile has no melt section", remedy="record and fit extrusions first")
    heater = profile.heater
    if heater is None or heater.combined_lag is None:
        raise BadInput("the profile states no combined lag", remedy="record and fit a step first")
    flow = _flow_table(profile.melt.flow_limit)
    up, down = (_slew_table(profile.slew, name) for name in ("heating", "cooling"))
    trail_s = trail_of(profile)
    kept = margin_of(up, down, trail_s)
    if margin is not None:
        kept = Quantity(value=margin, unit="", basis="declared")
    ceiling = profile.machine.limit_temperature_C or math.inf
    return Limits(
        flow=flow,
        slew_up=SlewTable(up.temperature_C, up.rate_K_per_s * (1.0 - kept.value)),
        slew_down=SlewTable(down.temperature_C, down.rate_K_per_s * (1.0 - kept.value)),
        lag_s=heater.combined_lag.value,
        low_C=float(flow.temperature_C[0]),
        high_C=float(min(flow.temperature_C[-1], ceiling)),
        filament_area_mm2=math.pi / 4.0 * profile.melt.filament_diameter_mm**2,
        heater=_heater_facts(heater),
        melt=_melt_facts(profile.melt),
        control=_control_facts(profile.control),
        trail_s=trail_s,
        margin=kept,
    )
