"""A relay run: the heater's and the loop's response at its swing, against the model's."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import TypeVar

import numpy as np
from scipy.stats import t as student

from hotbench.bench.dips import stretches
from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, number
from hotbench.bench.tuning import Point
from hotbench.control.forms import Pid
from hotbench.control.margins import margins
from hotbench.control.process import Process, ultimate
from hotbench.control.reduce import first_order
from hotbench.control.relay import (
    fundamental,
    loop_gain,
    process_from_point,
    setpoint_response,
)
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import VALIDATION_PHASE, Run
from hotbench.procedures.relay import RELAY

Given = TypeVar("Given")
HEADS = ("figure", "model", "over its interval", "recorded", "95 % interval", "verdict")
NUMERIC = frozenset({1, 2, 3, 4})
SKIPPED, PER_GROUP, FEWEST_GROUPS = 2, 2, 3
NEAR_HALF_TURN_deg = 25.0
SATURATED_SHARE = 0.05
SLOWER = 1.5
"""From this ratio of periods on, the ultimate gain is called an extrapolation."""
SWING, SIZE, LATE = "swing, s", "heater's response, K per duty", "later than the model, s"
GAIN, PERIOD = "ultimate gain, duty per K", "ultimate period, s"
ANSWER, BEHIND = "answer to the setpoint", "behind the setpoint, °"
MARGIN = "gain margin in force"


def held_out_stretch(run: Run, phase: str) -> tuple[int, int]:
    """First sample of a held-out phase and the one past it. FellShort where it is too short."""
    found = list(stretches(run, f"{VALIDATION_PHASE} {phase}"))
    if not found or found[0][1] - found[0][0] < 10:
        raise FellShort(f"{run.info.run_id}: the {phase} was not recorded; record it again")
    return found[0]


@dataclass(frozen=True)
class Swing:
    """Responses at the relay's frequency, one per group of swings.

    heater: reading over duty. closed: reading over setpoint. saturated: share of the samples with
    no duty or all of it, where a loop is not linear.
    """

    omega: float
    heater: tuple[complex, ...]
    closed: tuple[complex, ...]
    saturated: float


def swing(run: Run) -> Swing:
    """Fundamentals of a relay run's whole swings, in groups. Errors: FellShort for too few."""
    first, past = held_out_stretch(run, RELAY)
    setpoint_C = run.setpoint_C[first:past]
    centre_C = 0.5 * (setpoint_C.max() + setpoint_C.min())
    above = setpoint_C > centre_C
    ups = first + 1 + np.flatnonzero(~above[:-1] & above[1:])
    starts = ups[SKIPPED::PER_GROUP]
    if starts.size < FEWEST_GROUPS + 1:
        raise FellShort(f"{run.info.run_id}: {ups.size} whole swings are too few to judge")
    swings = PER_GROUP * (starts.size - 1)
    omega = float(2.0 * np.pi * swings / (run.time_s[starts[-1]] - run.time_s[starts[0]]))
    heater, closed = zip(*(_group(run, a, b, omega) for a, b in pairwise(starts)), strict=True)
    duty = run.duty[starts[0] : starts[-1]]
    return Swing(omega, heater, closed, float(np.mean((duty <= 0.0) | (duty >= 1.0))))


def _group(run: Run, first: int, past: int, omega: float) -> tuple[complex, complex]:
    """Heater and closed loop over samples first to past.

    A setpoint is sent right after a reading but seen with the next one: half a sample late.
    """
    time_s, part = run.time_s[first:past], slice(first, past)
    reading = fundamental(time_s, run.temperature_C[part], omega)
    duty = fundamental(time_s, run.duty[part], omega)
    late_s = 0.5 * float(np.median(np.diff(time_s)))
    setpoint = fundamental(time_s, run.setpoint_C[part], omega) * np.exp(1j * omega * late_s)
    return reading / duty, reading / setpoint


@dataclass(frozen=True)
class Relayed:
    """A figure of the relay: the model's over its interval, the record's over its groups."""

    what: str
    model: float | None
    span: tuple[float, float] | None
    recorded: float
    low: float | None
    high: float | None

    @property
    def differs(self) -> bool | None:
        """Whether the record's interval leaves the nominal model out; None where one is missing."""
        return None if self.model is None else self._misses((self.model, self.model))

    @property
    def beyond(self) -> bool | None:
        """Whether it also leaves out all that the model's interval allows."""
        return None if self.span is None else self._misses(self.span)

    def _misses(self, span: tuple[float, float]) -> bool | None:
        if self.low is None or self.high is None:
            return None
        return self.high < span[0] or self.low > span[1]

    @property
    def cells(self) -> tuple[str, ...]:
        """The row for people."""
        verdict = "-" if self.differs is None else "agrees"
        if self.differs:
            verdict = "differs" if self.beyond else "within the model's interval"
        model = "-" if self.model is None else number(self.model)
        recorded = _span_cell((self.low, self.high))
        return (self.what, model, _span_cell(self.span), number(self.recorded), recorded, verdict)


def _span_cell(span: tuple[float | None, float | None] | None) -> str:
    low, high = span or (None, None)
    return "-" if low is None or high is None else f"{number(low)} to {number(high)}"


def relayed(run: Run, point: Point, pid: Pid | None) -> Result:
    """A relay run against the model at a point; pid: the gains in force, where they are known."""
    seen = swing(run)
    rows = [*_heater_rows(seen, point), *_ultimate_rows(seen, point), *_loop_rows(seen, point, pid)]
    remarks = list(_remarks({row.what: row for row in rows}, seen))
    facts = {
        "run": run.info.run_id,
        "omega_rad_per_s": seen.omega,
        "saturated_share": seen.saturated,
        "figures": rows,
        "remarks": remarks,
    }
    cells = tuple(row.cells for row in rows)
    table = Table(f"relay against {run.info.run_id}", HEADS, cells, NUMERIC)
    return Result(facts, (table, *lines_table("what it says", "in words", remarks)), None)


def _row(what: str, models: Sequence[float], groups: Sequence[float]) -> Relayed:
    """models: nominal first, empty where it has none. groups: what each group of swings says."""
    mean, count = float(np.mean(groups)), len(groups)
    half = float(student.ppf(0.975, count - 1) * np.std(groups, ddof=1) / np.sqrt(count))
    nominal, span = (models[0], (min(models), max(models))) if models else (None, None)
    return Relayed(what, nominal, span, mean, mean - half, mean + half)


def _heater_rows(seen: Swing, point: Point) -> Iterator[Relayed]:
    yield Relayed(SWING, None, None, 2.0 * np.pi / seen.omega, None, None)
    models = [complex(process.response(np.array(seen.omega))) for process in point.processes]
    yield _row(SIZE, [abs(model) for model in models], [abs(one) for one in seen.heater])

    def later_s(response: complex) -> float:
        return float(-np.angle(response / models[0]) / seen.omega)

    yield _row(LATE, [*map(later_s, models)], [*map(later_s, seen.heater)])


def _ultimate_rows(seen: Swing, point: Point) -> list[Relayed]:
    """Ultimate gain and period of the first-order heater through the recorded response."""
    gain = point.processes[0].gain
    found = _ultimates(partial(process_from_point, omega=seen.omega, gain=gain), seen.heater)
    models = _ultimates(first_order, point.processes)
    if len(found) < FEWEST_GROUPS:
        return []
    names = (GAIN, PERIOD)
    return [_row(what, [*m], [*f]) for what, m, f in zip(names, models.T, found.T, strict=True)]


def _ultimates(process_of: Callable[[Given], Process], given: Sequence[Given]) -> FloatArray:
    """Ultimate gains and periods (s), one row for each of `given` that has them."""
    rows = []
    for one in given:
        try:
            Ku, omega = ultimate(process_of(one))
        except BadInput:
            continue
        rows.append((Ku, 2.0 * np.pi / omega))
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _loop_rows(seen: Swing, point: Point, pid: Pid | None) -> Iterator[Relayed]:
    """The loop's answer to the setpoint, and the gain margin where the swing tells it."""
    sample_s = point.scenario.sample_s
    closed = [setpoint_response(each, pid, seen.omega, sample_s) for each in point.processes if pid]
    yield _row(ANSWER, [abs(one) for one in closed], [abs(one) for one in seen.closed])
    yield _row(BEHIND, [*map(_behind_deg, closed)], [*map(_behind_deg, seen.closed)])
    loops = _open_loops(seen, pid, sample_s)
    turned_deg = float(np.median([_behind_deg(loop) for loop in loops]))
    if abs(turned_deg - 180.0) <= NEAR_HALF_TURN_deg:
        held = [process.delayed(0.5 * sample_s) for process in point.processes]
        models = [margins(process, pid).gain for process in held] if pid else []
        yield _row(MARGIN, models, [1.0 / abs(loop) for loop in loops])


def _open_loops(seen: Swing, pid: Pid | None, sample_s: float) -> list[complex]:
    """Heater times controller; with unknown gains from the closed loop, as if it had no derivative
    on the reading alone."""
    if pid is None:
        return [loop_gain(closed) for closed in seen.closed]
    at = np.array(seen.omega)
    controller = complex(pid.response(at) * np.exp(-0.5j * seen.omega * sample_s))
    return [heater * controller for heater in seen.heater]


def _behind_deg(response: complex) -> float:
    """Phase behind, 0 to 360 degrees."""
    return float(-np.degrees(np.angle(response)) % 360.0)


def _remarks(rows: dict[str, Relayed], seen: Swing) -> Iterator[str]:
    late, size = rows[LATE], rows[SIZE]
    if late.differs:
        way = "later" if late.recorded > 0.0 else "sooner"
        what = f"the heater answers {number(abs(late.recorded), 2)} s {way} than the model"
        yield f"{what} at this frequency: trust the recorded margin more than the predicted one"
    if size.differs and size.model:
        share = 100.0 * (size.recorded / size.model - 1.0)
        way = "stronger" if share > 0.0 else "weaker"
        yield f"the heater answers {number(abs(share), 2)} % {way} than the model"
    if not (late.differs or size.differs):
        yield "the heater answers as the model says, within the scatter of the swings"
    if not (late.beyond or size.beyond) and (rows[ANSWER].beyond or rows[BEHIND].beyond):
        what = "the loop does not answer as the heater and these gains would have it"
        yield f"{what}: are they in force, at this sample time?"
    if GAIN in rows and rows[SWING].recorded > SLOWER * rows[PERIOD].recorded:
        ratio = number(rows[SWING].recorded / rows[PERIOD].recorded, 2)
        yield f"ultimate gain and period are extrapolated from a swing {ratio} times as slow"
    if seen.saturated > SATURATED_SHARE:
        ends = f"no duty or all of it for {seen.saturated:.0%} of the swings"
        yield f"{ends}: record with a smaller --amplitude"
