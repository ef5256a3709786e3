"""Tables of the report: rates by temperature across, dips, parameters with their meaning, runs."""

from collections.abc import Iterator, Mapping, Sequence

from hotbench.bench.analysis import NEXT, Analysis, heater_tables
from hotbench.bench.report_words import interval_text, value_text
from hotbench.bench.tables import Table, number
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit
from hotbench.profile.types import Control, Dip, Heater, Row

MEANINGS: Mapping[str, str] = {
    "heating_K_per_s": "heating at full power, from ambient, nothing lost",
    "falloff_per_K": "power lost per kelvin of heating",
    "loss_per_s": "loss to still air",
    "loss_growth_per_K": "growth of that loss per kelvin",
    "fan_loss_per_s": "loss to the full fan",
    "fan_exponent": "how the fan's loss grows with its speed",
    "exchange_per_s": "exchange with the parts behind",
    "capacity_ratio": "heat capacity in front over behind",
    "far_fan_loss_per_s": "loss of the parts behind to the full fan",
    "far_loss_ratio": "loss of the parts behind over that in front",
    "shell_exchange_per_s": "exchange with the insulation",
    "shell_capacity_ratio": "heat capacity in front over the insulation's",
    "shell_loss_per_s": "loss of the insulation",
    "sensor_lag_s": "lag of the sensor",
    "dead_time_s": "dead time",
    "load_per_mm3": "cooling by the filament",
}
PER_FIGURE, PER_PARAMETERS = "heater figures", "heater model"


def rate_tables(heater: Heater) -> Iterator[Table]:
    """Heating, cooling and holding, one row per temperature and one column per condition."""
    heating = [(row.temperature_C, f"from {row.start}", row) for row in heater.heating_rate]
    cooling = [(row.temperature_C, f"fan {row.fan:g}", row) for row in heater.cooling_rate]
    holding = [(row.temperature_C, f"fan {row.fan:g}", row) for row in heater.hold_duty]
    yield from _across("heating rate / K/s", heating)
    yield from _across("cooling rate / K/s", cooling)
    yield from _across("duty that holds, fraction of full power", holding)


def _across(caption: str, rows: Sequence[tuple[float, str, Row]]) -> Iterator[Table]:
    columns = list(dict.fromkeys(column for _, column, _ in rows))
    cells = {(at_C, column): _cell(row.quantity) for at_C, column, row in rows}
    lines = tuple(
        (f"{at_C:g} °C", *(cells.get((at_C, column), "-") for column in columns))
        for at_C in sorted({at_C for at_C, _ in cells})
    )
    if lines:
        yield Table(caption, ("at", *columns), lines, frozenset(range(1, len(columns) + 1)))


def _cell(quantity: Quantity) -> str:
    if quantity.low is None or quantity.high is None:
        return number(quantity.value)
    return f"{number(quantity.value)} ({number(quantity.low)} to {number(quantity.high)})"


def dip_table(dips: Sequence[Dip]) -> Iterator[Table]:
    """Time down, time back and how far ahead to command."""
    heads = ("from", "to", "fan", "down / s", "back / s", "back rests on", "command ahead / s")
    rows = tuple(
        (
            f"{dip.from_C:g} °C",
            f"{dip.to_C:g} °C",
            f"{dip.fan:g}",
            _cell(dip.time_down),
            _cell(dip.time_back),
            dip.time_back.basis,
            "-" if dip.earliest_command is None else number(dip.earliest_command.value),
        )
        for dip in dips
    )
    if rows:
        yield Table("time down, time back, command ahead", heads, rows, frozenset({3, 4, 6}))


def control_table(control: Control) -> Table:
    """Gains and margins of the controller that the profile recommends."""
    named: dict[str, Quantity | None] = {
        **control.gains,
        "gain margin": control.gain_margin,
        "phase margin": control.phase_margin,
        "maximum sensitivity": control.maximum_sensitivity,
        "settling time": control.settling_time,
    }
    rows = tuple(
        (name, value_text(q), interval_text(q) or "-") for name, q in named.items() if q is not None
    )
    caption = (
        f"{control.rule}, {control.form} form, duty of {number(control.duty_full_scale)} is full "
        f"power, at {control.at_temperature_C:g} °C"
    )
    return Table(caption, ("number", "value", "interval"), rows, frozenset({1, 2}))


def model_tables(fit: HeaterFit) -> Iterator[Table]:
    """Parameters with their meaning, candidates, held-out errors; what rate_tables shows left out.

    The next best test is told elsewhere too.
    """
    for table in heater_tables(fit):
        if table.caption.startswith(PER_PARAMETERS):
            rows = tuple((MEANINGS.get(row[0], "-"), *row) for row in table.rows)
            heads = ("meaning", "in the profile", *table.heads[1:])
            yield Table(table.caption, heads, rows, frozenset(i + 1 for i in table.numeric))
        elif table.caption not in (PER_FIGURE, NEXT):
            yield table


def provenance_table(analysis: Analysis) -> Table:
    """The runs that the numbers rest on, with the digest of their samples."""
    heads = ("run", "test", "recorded", "outcome", "firmware", "sha256 of samples")
    return Table(
        "runs that these numbers rest on", heads, tuple(_run_row(run) for run in analysis.runs)
    )


def _run_row(run: Run) -> tuple[str, ...]:
    info = run.info
    digest = run.sha256.get("samples.csv", "-")
    when = info.created.replace("T", " ").replace("Z", " UTC")
    return (info.run_id, info.procedure, when, run.outcome, info.firmware, digest)
