"""The machine profile's frozen types: what the YAML file may hold, and nothing else."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from hotbench.core.quantity import Basis, Quantity

VERSION = 1
"""The profile version that this package writes."""

Text = Annotated[str, Field(max_length=1000)]
Celsius = Annotated[float, Field(ge=-100.0, le=1000.0)]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Confidence = Annotated[float, Field(gt=0.0, lt=1.0)]
Magnitude = Annotated[float, Field(ge=0.0)]
Positive = Annotated[float, Field(gt=0.0)]
Count = Annotated[int, Field(ge=0)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Direction = Literal["heating", "cooling"]
LimitingCause = Literal["power", "passive cooling", "loop tracking", "controller fault"]
EvidenceKind = Literal["delivered mass", "delivered length", "bond force"]
GainForm = Literal["ideal", "series", "parallel"]

GAIN_NAMES: dict[str, tuple[str, ...]] = {
    "ideal": ("Kc", "Ti", "Td"),
    "series": ("Kc", "Ti", "Td"),
    "parallel": ("Kp", "Ki", "Kd"),
}
"""The gains of each form; times in s, Kc and Kp in duty per K, Ki per s, Kd times s."""

DELAYS = ("sensor_lag_s", "dead_time_s")
"""Parameters of a heater model that are times it lags by."""

_SPELLINGS = {"C": "°C", "degC": "°C", "mm³/s": "mm3/s", "mm^3/s": "mm3/s", "K/mm³": "K/mm3"}


def spelled(unit: str) -> str:
    """The profile's one spelling of a unit: °C, K/s, mm3/s, K/mm3; others pass as they are."""
    return _SPELLINGS.get(unit, unit)


class Part(BaseModel):
    """Base of everything in a profile: frozen, no unknown keys, finite numbers only."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Row(Part):
    """A table row that states one number: key columns, the value, its interval, and its basis.

    `COLUMN` names the value's column; the interval sits in `low_SUFFIX` and `high_SUFFIX`.
    """

    COLUMN: ClassVar[str]
    SUFFIX: ClassVar[str]
    UNIT: ClassVar[str]

    confidence: Confidence | None = None
    basis: Basis

    @classmethod
    def of(cls, quantity: Quantity, **keys: object) -> Self:
        """A row that states `quantity` for the key columns `keys`.

        Errors: ValueError when the quantity's unit is not this table's.
        """
        if spelled(quantity.unit) != cls.UNIT:
            raise ValueError(f"{cls.__name__} is in {cls.UNIT!r}, got {quantity.unit!r}")
        interval = {f"low_{cls.SUFFIX}": quantity.low, f"high_{cls.SUFFIX}": quantity.high}
        stated = {"confidence": quantity.confidence, "basis": quantity.basis}
        return cls.model_validate({**keys, cls.COLUMN: quantity.value, **interval, **stated})

    @property
    def quantity(self) -> Quantity:
        """The row's number as a quantity."""
        return Quantity(
            value=getattr(self, self.COLUMN),
            unit=self.UNIT,
            low=getattr(self, f"low_{self.SUFFIX}"),
            high=getattr(self, f"high_{self.SUFFIX}"),
            confidence=self.confidence,
            basis=self.basis,
        )

    @property
    def keys(self) -> dict[str, object]:
        """The key columns: what the number is stated for."""
        value_columns = {self.COLUMN, f"low_{self.SUFFIX}", f"high_{self.SUFFIX}"}
        own = [name for name in type(self).model_fields if name not in Row.model_fields]
        return {name: getattr(self, name) for name in own if name not in value_columns}

    @model_validator(mode="after")
    def _interval_holds_value(self) -> Self:
        _ = self.quantity
        return self


class HeatingRate(Row):
    """How fast it heats at full power, passing a temperature, from a stated start."""

    COLUMN, SUFFIX, UNIT = "rate_K_per_s", "K_per_s", "K/s"

    temperature_C: Celsius
    start: Text
    rate_K_per_s: Magnitude
    low_K_per_s: float | None = None
    high_K_per_s: float | None = None


class CoolingRate(Row):
    """How fast it cools without power, passing a temperature, at a fan setting."""

    COLUMN, SUFFIX, UNIT = "rate_K_per_s", "K_per_s", "K/s"

    temperature_C: Celsius
    fan: Fraction
    rate_K_per_s: Magnitude
    low_K_per_s: float | None = None
    high_K_per_s: float | None = None


class HoldDuty(Row):
    """The duty that holds a temperature at a fan setting; fractions of full power."""

    COLUMN, SUFFIX, UNIT = "duty_fraction", "fraction", ""

    temperature_C: Celsius
    fan: Fraction
    duty_fraction: Fraction
    low_fraction: float | None = None
    high_fraction: float | None = None


class HeldOut(Part):
    """How the model did on a phase that no fit has seen."""

    run: Text
    phase: Text
    measure: Text = Field(default="temperature", description="what was predicted")
    rms_K: Magnitude | None = None
    worst_K: Magnitude | None = None
    error_percent: float | None = Field(
        default=None, description="RMS over the range, or of the figure"
    )
    samples: Count = 0


class Unidentified(Part):
    """A parameter that the data cannot pin down, and the test that would."""

    parameter: Text
    reason: Text = ""
    test: Text


class Range(Part):
    """From where to where something holds."""

    low: float
    high: float
    unit: Text

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low > self.high:
            raise ValueError(f"low {self.low} is above high {self.high}")
        return self


class MachineMotion(Part):
    """What the machine's motion can do, as its owner declares it; what is left out is assumed."""

    speed_mm_per_s: Positive | None = Field(default=None, description="highest, in the plane")
    vertical_speed_mm_per_s: Positive | None = None
    filament_speed_mm_per_s: Positive | None = None
    acceleration_mm_per_s2: Positive | None = Field(default=None, description="while extruding")
    travel_acceleration_mm_per_s2: Positive | None = None
    filament_acceleration_mm_per_s2: Positive | None = None
    corner_deviation_mm: Positive | None = Field(
        default=None, description="how far a corner may be cut in theory; sets the speed through it"
    )


class Machine(Part):
    """What was measured."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    printer: Text = ""
    firmware: Text = ""
    hot_end: Text = ""
    note: Text = ""
    simulated: bool = False
    limit_temperature_C: Celsius | None = Field(
        default=None, description="never commanded above this while testing"
    )
    sample_interval_s: Positive | None = None
    motion: MachineMotion | None = Field(
        default=None, description="declared motion limits, for the time that a job takes"
    )


class Heater(Part):
    """The heater's fitted model and the figures that follow from it."""

    model: Text
    parameters: dict[Text, Quantity] = Field(
        default_factory=dict, description="the model's parameters; duty is a fraction, 0 to 1"
    )
    ambient: Quantity | None = None
    valid_temperature: Range | None = Field(
        default=None, description="temperatures the fit has seen; beyond them it extrapolates"
    )
    heating_rate: tuple[HeatingRate, ...] = Field(
        default=(), description="at full power; it depends on where the heating started"
    )
    cooling_rate: tuple[CoolingRate, ...] = Field(
        default=(), description="power off, positive numbers; fan is a fraction, 0 to 1"
    )
    combined_lag: Quantity | None = Field(
        default=None, description="sensor lag plus dead time; the two cannot be told apart"
    )
    hold_duty: tuple[HoldDuty, ...] = Field(
        default=(), description="duty that holds a temperature, nothing extruded"
    )
    load_per_flow: Quantity | None = Field(
        default=None, description="cooling by the filament for every mm3/s"
    )
    validation: tuple[HeldOut, ...] = Field(
        default=(), description="errors on phases that were kept out of the fit"
    )
    unidentified: tuple[Unidentified, ...] = Field(
        default=(), description="not known from these runs; the test that would tell"
    )

    @model_validator(mode="after")
    def _delays_are_real(self) -> Self:
        """What follows the model delays by these; nothing can answer before it was asked."""
        for name, quantity in self.parameters.items():
            if name in DELAYS and quantity.value < 0.0:
                raise ValueError(f"parameter {name} is below zero, got {quantity.value:g}")
        return self


class SlewEvidence(Part):
    """The trials behind a slew claim."""

    trials: Count = 0
    faults: Count = 0
    confirmed: bool = Field(default=False, description="one more ramp at this rate went well")
    runs: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _faults_within_trials(self) -> Self:
        if self.faults > self.trials:
            raise ValueError(f"{self.faults} faults in {self.trials} trials")
        return self


class SafeMove(Row):
    """A one-sided claim about setpoint moves: chosen to be safe, so without an interval of its own.

    `coverage` is the share of such moves that stay clear of a fault, claimed with `confidence`.
    """

    @property
    def quantity(self) -> Quantity:
        """The number; a confidence without an interval is a one-sided claim and stays out."""
        low, high = getattr(self, f"low_{self.SUFFIX}"), getattr(self, f"high_{self.SUFFIX}")
        bounded = low is not None or high is not None
        return Quantity(
            value=getattr(self, self.COLUMN),
            unit=self.UNIT,
            low=low,
            high=high,
            confidence=self.confidence if bounded else None,
            basis=self.basis,
        )


class SlewRate(SafeMove):
    """The fastest setpoint ramp that is safe at a temperature, and what limits it.

    low and high, where given, bound the limit itself; `coverage` is the share of ramps at this
    rate that stay clear of the fault, claimed with `confidence`.
    """

    COLUMN, SUFFIX, UNIT = "rate_K_per_s", "K_per_s", "K/s"

    direction: Direction
    temperature_C: Celsius
    fan: Fraction = 0.0
    rate_K_per_s: Magnitude
    low_K_per_s: float | None = None
    high_K_per_s: float | None = None
    limiting_cause: LimitingCause
    coverage: Confidence | None = None
    evidence: SlewEvidence = SlewEvidence()

    @property
    def keys(self) -> dict[str, object]:
        """Direction, temperature and fan: the cause and the evidence are findings, not keys."""
        return {
            "direction": self.direction,
            "temperature_C": self.temperature_C,
            "fan": self.fan,
        }


class SafeJump(SafeMove):
    """The largest single change of the setpoint that is safe."""

    COLUMN, SUFFIX, UNIT = "size_K", "K", "K"

    direction: Direction
    temperature_C: Celsius
    fan: Fraction = 0.0
    size_K: Magnitude
    low_K: float | None = None
    high_K: float | None = None
    coverage: Confidence | None = None
    evidence: SlewEvidence = SlewEvidence()

    @property
    def keys(self) -> dict[str, object]:
        """Direction, temperature it started or ended at, and fan."""
        return {
            "direction": self.direction,
            "temperature_C": self.temperature_C,
            "fan": self.fan,
        }


class SafeRepetition(SafeMove):
    """The shortest rest between two dips, led at safe rates, that is safe."""

    COLUMN, SUFFIX, UNIT = "rest_s", "s", "s"

    from_C: Celsius
    to_C: Celsius
    fan: Fraction = 0.0
    rest_s: Magnitude
    low_s: float | None = None
    high_s: float | None = None
    travel_K_per_min: Magnitude | None = Field(
        default=None, description="setpoint travel within a minute at that rest"
    )
    coverage: Confidence | None = None
    evidence: SlewEvidence = SlewEvidence()

    @property
    def keys(self) -> dict[str, object]:
        """The dip and its fan."""
        return {"from_C": self.from_C, "to_C": self.to_C, "fan": self.fan}


class Smoothing(Row):
    """The least look-ahead for a change of the required temperature, and what none of it costs."""

    COLUMN, SUFFIX, UNIT = "look_ahead_s", "s", "s"

    direction: Direction
    from_C: Celsius
    to_C: Celsius
    look_ahead_s: Magnitude
    low_s: float | None = None
    high_s: float | None = None
    slope_K_per_s: Positive = Field(description="how fast the setpoint then moves")
    cost_without_s: Magnitude = Field(
        description="print time that each such change costs when nothing looks ahead"
    )

    @property
    def keys(self) -> dict[str, object]:
        """The change and its direction."""
        return {"direction": self.direction, "from_C": self.from_C, "to_C": self.to_C}


class Dip(Part):
    """A fast excursion to a lower temperature and back, as between two features of a print."""

    from_C: Celsius
    to_C: Celsius
    fan: Fraction
    time_down: Quantity
    time_back: Quantity
    earliest_command: Quantity | None = Field(
        default=None, description="command this long before the surface that needs it"
    )

    @model_validator(mode="after")
    def _goes_down(self) -> Self:
        if self.to_C >= self.from_C:
            raise ValueError(f"a dip goes down, got {self.from_C} to {self.to_C}")
        return self


class FlowLimit(Row):
    """The largest flow that is still fully melted at a temperature."""

    COLUMN, SUFFIX, UNIT = "flow_mm3_per_s", "mm3_per_s", "mm3/s"

    temperature_C: Celsius
    flow_mm3_per_s: Magnitude
    low_mm3_per_s: float | None = None
    high_mm3_per_s: float | None = None
    governed_by: Literal["melting", "heater power"] | None = None
    evidence: Text | None = Field(default=None, description="what the row rests on")

    @property
    def keys(self) -> dict[str, object]:
        """The temperature: what governs and the evidence are findings, not keys."""
        return {"temperature_C": self.temperature_C}


class EvenSurface(Row):
    """The set temperature that keeps the melt leaving equally warm over flow; a model figure."""

    COLUMN, SUFFIX, UNIT = "temperature_C", "C", "°C"

    flow_mm3_per_s: Magnitude
    temperature_C: Celsius
    low_C: float | None = None
    high_C: float | None = None
    reference: bool = Field(default=False, description="the row that the others keep to")

    @property
    def keys(self) -> dict[str, object]:
        """The flow."""
        return {"flow_mm3_per_s": self.flow_mm3_per_s}


class MinimumTemperature(Row):
    """The lowest temperature that still melts a flow."""

    COLUMN, SUFFIX, UNIT = "temperature_C", "C", "°C"

    flow_mm3_per_s: Magnitude
    temperature_C: Celsius
    low_C: float | None = None
    high_C: float | None = None
    validity: Text | None = Field(default=None, description="what the interval's low end rests on")

    @property
    def keys(self) -> dict[str, object]:
        """The flow."""
        return {"flow_mm3_per_s": self.flow_mm3_per_s}


class Validity(Part):
    """The temperatures and flows that were tried."""

    low_C: Celsius
    high_C: Celsius
    low_mm3_per_s: Magnitude
    high_mm3_per_s: Magnitude

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low_C > self.high_C or self.low_mm3_per_s > self.high_mm3_per_s:
            raise ValueError("the range's low end is above its high end")
        return self


class Melt(Part):
    """How much filament the hot end melts; holds for this material and filament only."""

    material: Text
    hot_end: Text | None = None
    nozzle: Text | None = None
    filament_diameter_mm: Positive
    evidence_kind: EvidenceKind
    criterion: Text = Field(description="what counts as the limit")
    weighings: Count | None = None
    flow_limit: tuple[FlowLimit, ...] = Field(
        default=(), description="largest flow by temperature; stay below `low`"
    )
    minimum_temperature: tuple[MinimumTemperature, ...] = Field(
        default=(), description="lowest temperature by flow; a small error in flow is many kelvin"
    )
    even_surface: tuple[EvenSurface, ...] = Field(
        default=(), description="set temperature by flow that keeps the exit melt equally warm"
    )
    alpha_L_eff: Quantity | None = Field(
        default=None, description="diffusivity times heated length, an effective figure"
    )
    softening_temperature: Quantity | None = Field(
        default=None, description="an effective figure of this fit, not of the material"
    )
    validity: Validity | None = None
    statements: tuple[Text, ...] = ()


class Control(Part):
    """Controller gains in a stated form, and how the loop will behave with them."""

    rule: Text
    form: GainForm = Field(description="ideal Kc(1+1/(Ti s)+Td s), series, or parallel")
    at_temperature_C: Celsius
    duty_full_scale: Positive = Field(
        default=1.0, description="the duty number that means full power in these gains"
    )
    sample_time_s: Positive | None = None
    gains: dict[Text, Quantity]
    derivative_filter_s: Magnitude | None = None
    gain_margin: Quantity | None = None
    phase_margin: Quantity | None = None
    maximum_sensitivity: Quantity | None = None
    overshoot: Quantity | None = None
    settling_time: Quantity | None = None
    flow_sag: Quantity | None = None
    feedforward_flow: Quantity | None = Field(
        default=None, description="duty to add for every mm3/s extruded"
    )
    feedforward_ramp: Quantity | None = Field(
        default=None, description="duty to add for every K/s of setpoint ramp"
    )

    @model_validator(mode="after")
    def _gains_belong_to_form(self) -> Self:
        known = GAIN_NAMES[self.form]
        for name in self.gains:
            if name not in known:
                raise ValueError(f"a {self.form} form has {', '.join(known)}, not {name}")
        return self


class ProfileRun(Part):
    """A run that the profile rests on, with the digests of its files."""

    run: Text
    procedure: Text
    created: Text
    outcome: Text = "complete"
    simulated: bool = False
    sha256: dict[Text, Sha256]


class Provenance(Part):
    """Where the figures come from."""

    software: Text = "hotbench"
    software_version: Text
    date: Annotated[str, Field(max_length=40)] = Field(
        description="of the newest run, ISO 8601; not of the day this file was written"
    )
    options: dict[Text, bool | int | float | Text | None] = Field(default_factory=dict)
    runs: tuple[ProfileRun, ...] = ()


class MachineProfile(Part):
    """Everything known about one hot end, each number with its interval and basis."""

    hotbench_profile: Literal[1] = Field(default=1, description="version of this file's layout")
    machine: Machine = Field(description="what was measured")
    heater: Heater | None = Field(default=None, description="heating, cooling and lag")
    slew: tuple[SlewRate, ...] = Field(
        default=(), description="fastest safe setpoint ramps and what limits them"
    )
    jumps: tuple[SafeJump, ...] = Field(
        default=(), description="largest safe single changes of the setpoint"
    )
    repetition: tuple[SafeRepetition, ...] = Field(
        default=(), description="shortest safe rest between repeated dips"
    )
    dips: tuple[Dip, ...] = Field(
        default=(), description="time to a lower temperature and back again"
    )
    smoothing: tuple[Smoothing, ...] = Field(
        default=(), description="least look-ahead for a change of the required temperature"
    )
    melt: Melt | None = Field(default=None, description="flow limits of one material")
    other_melts: tuple[Melt, ...] = Field(
        default=(), description="the same of other hot ends, nozzles, materials or evidence"
    )
    control: Control | None = Field(default=None, description="controller gains and margins")
    provenance: Provenance = Field(description="the runs that every number above rests on")
