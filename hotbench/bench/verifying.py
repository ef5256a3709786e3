"""A profile's prediction of the loop held against a recorded step and flow step."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hotbench.bench.relaying import held_out_stretch, relayed
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, number
from hotbench.bench.tuning import Point, tuning_point
from hotbench.control.forms import Pid, from_ideal, from_scale, from_series
from hotbench.control.loop import Response, Scenario, figures, settling_span_s, simulate
from hotbench.control.process import Process
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.procedures.relay import RelayTest
from hotbench.procedures.verify import FLOW, STEP, VerifyTest
from hotbench.profile.types import Control
from hotbench.profile.yaml_io import read_profile
from hotbench.store.reader import read_run

SMOOTHED_s = 0.5
READING_K, TIMING_s, TIMING_SHARE = 0.3, 1.0, 0.1
"""What readings alone move a figure by, beside the model's interval; common practice, no source."""
HEADS = ("figure", "predicted", "over the model's interval", "recorded", "verdict")
NUMERIC = frozenset({1, 2, 3})


@dataclass(frozen=True)
class Checked:
    """One figure: predicted nominal, least and greatest over the model's interval, and recorded."""

    what: str
    unit: str
    predicted: Quantity
    recorded: float
    allowance: float

    @property
    def holds(self) -> bool:
        """Whether the record lies within the prediction, readings allowed for."""
        low = self.predicted.value if self.predicted.low is None else self.predicted.low
        high = self.predicted.value if self.predicted.high is None else self.predicted.high
        return low - self.allowance <= self.recorded <= high + self.allowance

    @property
    def cells(self) -> tuple[str, ...]:
        """The row for people."""
        low, high = self.predicted.low, self.predicted.high
        spread = "-" if low is None or high is None else f"{number(low)} to {number(high)}"
        verdict = "as predicted" if self.holds else "beyond the prediction"
        nominal = f"{number(self.predicted.value)} {self.unit}"
        return (self.what, nominal, spread, f"{number(self.recorded)} {self.unit}", verdict)


def verify_file(
    profile_file: Path, folder: Path, *, gains: Sequence[float] | None, duty_full_scale: float
) -> Result:
    """`hotbench tune PROFILE --against RUN`: a recorded verify or relay run against the profile.

    gains: Kp, Ki (1/s), Kd (s) in force, parallel form for `duty_full_scale`; None takes those of
    the profile's control section. Falls short where a figure lies beyond the prediction.
    """
    profile, run = read_profile(profile_file), read_run(folder)
    at_C = float(run.info.settings.get("temperature_C", 220.0))
    point = tuning_point(profile, profile_file, at_C, fan=float(run.info.settings.get("fan", 0.0)))
    return judged_run(run, point, gains_in_force(gains, duty_full_scale, profile.control))


def judged_run(run: Run, point: Point, pid: Pid | None) -> Result:
    """A run against the model at a point, with the gains in force where they are known.

    Errors: BadInput for a run of another test, or a step without gains; FellShort for a record
    that is too short to judge.
    """
    kinds: Mapping[str, Callable[[Run, Point, Pid | None], Result]] = {
        VerifyTest.name: _verified,
        RelayTest.name: relayed,
    }
    if run.info.procedure not in kinds:
        remedy = "record one with 'hotbench record verify' or 'hotbench record relay'"
        where, kind = run.info.run_id, run.info.procedure
        raise BadInput("no run to verify with", where=where, value=kind, remedy=remedy)
    return kinds[run.info.procedure](run, point, pid)


def gains_in_force(
    gains: Sequence[float] | None, duty_full_scale: float, control: Control | None
) -> Pid | None:
    """Those stated by hand, else those of a control section; None where neither is there."""
    return _stated(gains, duty_full_scale) if gains else _of_profile(control)


def _stated(gains: Sequence[float], full_scale: float) -> Pid:
    if len(gains) != 3 or not gains[0] > 0.0 or min(gains) < 0.0:
        limit = "Kp above 0, Ki and Kd not negative"
        raise BadInput("needs Kp,Ki,Kd", where="--gains", value=tuple(gains), limit=limit)
    return from_scale(gains[0], gains[1], gains[2], full_scale)


def _of_profile(control: Control | None) -> Pid | None:
    """Gains of a control section; None where there is none."""
    if control is None:
        return None
    values = {name: quantity.value for name, quantity in control.gains.items()}
    if control.form == "parallel":
        pid = Pid(values["Kp"], values.get("Ki", 0.0), values.get("Kd", 0.0))
    else:
        make = from_ideal if control.form == "ideal" else from_series
        pid = make(values["Kc"], values.get("Ti", np.inf), values.get("Td", 0.0))
    scaled = pid.scaled(1.0 / control.duty_full_scale)
    return replace(scaled, filter_s=control.derivative_filter_s or 0.0)


def _verified(run: Run, point: Point, pid: Pid | None) -> Result:
    if pid is None:
        remedy = "give --gains Kp,Ki,Kd and --duty-scale, or a profile with a control section"
        raise BadInput("the gains in force are not known", where=run.info.run_id, remedy=remedy)
    step_K = float(run.info.settings.get("step_K", 20.0))
    flow = float(run.info.settings.get("flow_mm3_per_s", 0.0))
    scenario = replace(
        point.scenario, step_K=step_K, load_duty=flow * point.flow_duty_per_mm3_per_s
    )
    rows = [*_step_rows(run, point, pid, scenario)]
    unknown = flow and point.flow_duty_per_mm3_per_s <= 0.0
    if flow and not unknown:
        rows += _flow_rows(run, point, pid, scenario)
    remarks = ["flow step: the profile states no heat load of the filament"] if unknown else []
    return _result(run, rows, remarks)


def _result(run: Run, rows: Sequence[Checked], remarks: list[str]) -> Result:
    beyond = [row.what for row in rows if not row.holds]
    facts = {"run": run.info.run_id, "figures": rows, "beyond": beyond, "remarks": remarks}
    table = Table(
        f"prediction against {run.info.run_id}", HEADS, tuple(r.cells for r in rows), NUMERIC
    )
    short = f"beyond the prediction: {', '.join(beyond)}" if beyond else None
    return Result(facts, (table, *lines_table("not judged", "why", remarks)), short)


def _step_rows(run: Run, point: Point, pid: Pid, scenario: Scenario) -> list[Checked]:
    first, past = held_out_stretch(run, STEP)
    found = [_respond(process, pid, scenario) for process in point.processes]
    seen = [figures(response, scenario.band_K) for response in found]
    after_s = run.time_s[first:past] - run.time_s[max(first - 1, 0)]
    start_C = float(np.median(run.setpoint_C[first:past])) - scenario.step_K
    rise_K = run.temperature_C[first:past] - start_C
    recorded = _recorded(after_s, rise_K, scenario)
    nominal_K = _trace(found[0], after_s, found[0].temperature_K[: found[0].load_at])
    rms_K = float(np.sqrt(np.mean(np.square(nominal_K - rise_K))))
    misses = [_rms(response, found[0], after_s) for response in found]
    return [
        _checked("overshoot", "K", [f.overshoot_K for f in seen], recorded.overshoot_K, READING_K),
        _checked("settling", "s", [f.settling_s for f in seen], recorded.settling_s, None),
        _checked("whole step, RMS", "K", [0.0, *misses], rms_K, READING_K),
    ]


def _flow_rows(run: Run, point: Point, pid: Pid, scenario: Scenario) -> list[Checked]:
    first, past = held_out_stretch(run, FLOW)
    gentle = replace(scenario, step_K=0.0)
    seen = [
        figures(_respond(process, pid, gentle), scenario.band_K).sag_K
        for process in point.processes
    ]
    setpoint_C = run.setpoint_C[first:past]
    fallen_K = _smooth(run.time_s[first:past], setpoint_C - run.temperature_C[first:past])
    return [_checked("sag under the flow", "K", seen, float(fallen_K.max()), READING_K)]


def _respond(process: Process, pid: Pid, scenario: Scenario) -> Response:
    return simulate(process, pid, scenario, settling_span_s(process, scenario))


def _recorded(after_s: FloatArray, rise_K: FloatArray, scenario: Scenario) -> "_Seen":
    off_K = _smooth(after_s, rise_K) - scenario.step_K
    outside = np.flatnonzero(np.abs(off_K) > scenario.band_K)
    settled = float(after_s[outside[-1]]) if outside.size else 0.0
    return _Seen(float(max(off_K.max(), 0.0)), settled)


@dataclass(frozen=True, slots=True)
class _Seen:
    overshoot_K: float
    settling_s: float


def _trace(response: Response, at_s: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(np.interp(at_s, response.time_s[: values.size], values), dtype=np.float64)


def _rms(response: Response, nominal: Response, at_s: FloatArray) -> float:
    other = _trace(response, at_s, response.temperature_K[: response.load_at])
    central = _trace(nominal, at_s, nominal.temperature_K[: nominal.load_at])
    return float(np.sqrt(np.mean(np.square(other - central))))


def _checked(
    what: str, unit: str, over: Sequence[float], recorded: float, allowance: float | None
) -> Checked:
    ends = {"low": min(over), "high": max(over), "confidence": 0.95}
    predicted = Quantity(value=over[0], unit=unit, basis="extrapolated", **ends)
    allowed = TIMING_s + TIMING_SHARE * over[0] if allowance is None else allowance
    return Checked(what, unit, predicted, recorded, allowed)


def _smooth(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Running median over SMOOTHED_s, at least three readings: one spoiled one moves nothing."""
    step_s = float(np.median(np.diff(time_s)))
    half = max(1, round(0.5 * SMOOTHED_s / step_s))
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)
