"""Heater identification: from runs to a model with intervals, tables and honest gaps."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_coverage import (
    FAN_ON,
    Coverage,
    Unidentified,
    coverage,
    held_places,
    missing,
)
from hotbench.fitting.heater_data import IDLE_DUTY, DutySource, HeaterData, prepare
from hotbench.fitting.heater_figures import Tables, default_temperatures, tables, wanted
from hotbench.fitting.heater_problem import (
    AMBIENT,
    HEATS,
    ONE_VALLEY,
    Problem,
    Solution,
    solve_best,
)
from hotbench.fitting.heater_proposals import next_tests
from hotbench.fitting.heater_result import HeaterFit, HeldOutError, Propagation, Residuals, quantity
from hotbench.fitting.heater_starts import starts
from hotbench.fitting.heater_switches import with_switches_found
from hotbench.fitting.intervals import CONFIDENCE, NO_MODEL_ERROR, SHARES, Information
from hotbench.fitting.selection import Candidate, bic, choose, inflation
from hotbench.models.heater import HEATER_MODELS, PARAMETERS, heater_model
from hotbench.models.heater_steps import P
from hotbench.models.parameters import Parameter

Progress = Callable[[str, float], None]
"""Told what is being fitted and the share that is done, 0 to 1."""

AT_BOUND = 1e-4
PRIOR_SPREAD = 1.0
"""Weak prior for intervals: a logarithmic parameter is known to a factor e at least."""
ROBUST_K = 3.0
SWITCH_ROUNDS = (25, 25, 400)
"""Evaluations each time that switches were moved."""
AMBIENT_HALF_WIDTH_K = 1.0
LARGEST_LOGARITHM = 50.0
POOR_K = 2.0
"""RMS that a fit on a complete record stays well below: 0.4 K on the fastest simulated hot ends."""


@dataclass(frozen=True)
class _Fitted:
    """One model's solution with what selection needs."""

    problem: Problem
    solution: Solution
    traces: tuple[FloatArray, ...]
    rms_K: float
    held_out_rms_K: float


def fit_heater(
    runs: Sequence[Run],
    *,
    ambient_C: float | None = None,
    models: Sequence[str] | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    duty_source: DutySource | None = None,
    power_W: float | None = None,
    temperatures_C: Sequence[float] | None = None,
) -> HeaterFit:
    """Fit the family to all runs jointly and keep the model the data can carry.

    ambient_C: given, else each run's own, else from a cold start, else fitted. models: names to
    try, all by default. seed: moves the starting points a little. duty_source: rebuilds the duty
    of runs whose report carries none; without it only their free cooling counts. power_W:
    wattmeter reading at full duty, turns K/s into W and J/K. temperatures_C: rows of the tables.
    Phases that start with `validate` are simulated but not fitted, and give `validation`.

    Errors: BadInput for unusable runs or names, and where the heater neither heats nor cools.
    """
    data = prepare(runs, ambient_C=ambient_C, duty_source=duty_source)
    if not data.stretches or data.fitted_samples == 0:
        raise BadInput(
            "no sample with known duty to fit",
            where="heater fit",
            remedy="record the duty, or let it cool with the heater off",
        )
    seen = coverage(data)
    if not (seen.strongest > IDLE_DUTY or seen.sheds):
        raise BadInput(
            "the log holds neither heating nor cooling",
            where="heater fit",
            remedy="record step --to 240",
        )
    fitted = _fit_all(data, seen, models or tuple(HEATER_MODELS), seed, progress)
    chosen, candidates, inflated = _select(fitted, data)
    return _result(fitted[chosen], seen, candidates, inflated, power_W, temperatures_C)


def _fit_all(
    data: HeaterData,
    seen: Coverage,
    names: Sequence[str],
    seed: int,
    progress: Progress | None,
) -> list[_Fitted]:
    family = list(HEATER_MODELS)
    for name in names:
        heater_model(name)
    ordered = sorted(names, key=family.index)
    fitted: list[_Fitted] = []
    for i, name in enumerate(ordered):
        if progress is not None:
            progress(heater_model(name).title, i / len(ordered))
        fitted.append(_fit_one(data, seen, name, seed, fitted[-1] if fitted else None))
    fitted = _switched(fitted)
    if progress is not None:
        progress("fitted", 1.0)
    return fitted


def _fit_one(
    data: HeaterData, seen: Coverage, name: str, seed: int, smaller: _Fitted | None
) -> _Fitted:
    model = heater_model(name)
    huber_K = ROBUST_K if data.spikes else math.inf
    problem = Problem(model, data, held_places(model, seen), huber_K)
    known = _wrappable(smaller)
    begun = starts(model, data, known)
    points = [_shaken(start, seed, i) for i, start in enumerate(begun)]
    # Starts that differ in the shell alone lie in one valley.
    solution = solve_best(problem, points, HEATS if known is None else ONE_VALLEY)
    return _finished(problem, solution)


def _wrappable(smaller: _Fitted | None) -> dict[P, float] | None:
    """What the two-node model has found, for one with a shell to start from."""
    if smaller is None or P.EXCHANGE not in smaller.problem.model.places:
        return None
    vector = smaller.problem.vector(smaller.solution.values)
    return {place: float(vector[place]) for place in smaller.problem.model.places}


def _switched(fitted: list[_Fitted]) -> list[_Fitted]:
    """All models again, on the times of switching that the best of them sees."""
    for evaluations in SWITCH_ROUNDS:
        best = min(fitted, key=lambda f: f.solution.cost)
        data = with_switches_found(best.problem, best.solution.values, best.rms_K)
        if data is None:
            break
        problems = [replace(f.problem, data=data) for f in fitted]
        fitted = [
            _finished(problem, problem.solve(f.solution.values, evaluations))
            for problem, f in zip(problems, fitted, strict=True)
        ]
    return fitted


def _finished(problem: Problem, solution: Solution) -> _Fitted:
    data = problem.data
    traces = tuple(problem.trace(solution.values, i) for i in range(len(data.stretches)))
    return _Fitted(
        problem,
        solution,
        traces,
        rms_K=_rms(_joined(data, traces, "fitted")),
        held_out_rms_K=_rms(_joined(data, traces, "held_out")),
    )


def _shaken(start: dict[P, float], seed: int, number: int) -> dict[P, float]:
    """The start moved a little at random; seed 0 leaves it as it is."""
    if seed == 0:
        return start
    random = np.random.default_rng([seed, number])
    return {place: value * float(np.exp(0.2 * random.normal())) for place, value in start.items()}


def _residuals(data: HeaterData, traces: Sequence[FloatArray], which: str) -> list[FloatArray]:
    return [
        (trace - stretch.temperature_C)[getattr(stretch, which) >= 0]
        for stretch, trace in zip(data.stretches, traces, strict=True)
    ]


def _joined(data: HeaterData, traces: Sequence[FloatArray], which: str) -> FloatArray:
    return np.concatenate(_residuals(data, traces, which))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan


def _select(
    fitted: Sequence[_Fitted], data: HeaterData
) -> tuple[int, tuple[Candidate, ...], float]:
    """Index of the model to keep, the table of candidates, and its residuals' inflation."""
    best = min(fitted, key=lambda f: f.solution.cost)
    common = inflation(_residuals(data, best.traces, "fitted"))
    candidates = [
        Candidate(
            model=f.problem.model.name,
            parameters=len(f.problem.unknowns),
            rms_K=f.rms_K,
            bic=bic(f.solution.cost, data.fitted_samples, common, len(f.problem.unknowns)),
            held_out_rms_K=f.held_out_rms_K,
        )
        for f in fitted
    ]
    kept = choose(candidates)
    marked = tuple(replace(c, chosen=i == kept) for i, c in enumerate(candidates))
    own = inflation(_residuals(data, fitted[kept].traces, "fitted"))
    return kept, marked, own


def _result(
    fitted: _Fitted,
    seen: Coverage,
    candidates: tuple[Candidate, ...],
    inflated: float,
    power_W: float | None,
    temperatures_C: Sequence[float] | None,
) -> HeaterFit:
    data, propagation = fitted.problem.data, _propagation(fitted, inflated)
    ambient_C = float(propagation.base[P.AMBIENT])
    rows = list(temperatures_C) if temperatures_C else default_temperatures(seen, ambient_C)
    top_C = math.floor((seen.seen_C[1] + 2.0) / 10.0) * 10.0
    assumed = P.EXPONENT in fitted.problem.fixed
    made = tables(propagation, wanted(seen, rows, top_C), seen, assumed_exponent=assumed)
    parameters = _parameters(fitted.problem, propagation)
    values = {name: q.value for name, q in parameters.items()}
    residual = _joined(data, fitted.traces, "fitted")
    return HeaterFit(
        model=fitted.problem.model.name,
        title=fitted.problem.model.title,
        parameters=parameters,
        values=values,
        ambient=_ambient(data, propagation),
        seen_C=seen.seen_C,
        heating_rate=made.of("heating rate"),
        cooling_rate=made.of("cooling rate"),
        hold_duty=made.of("hold duty"),
        combined_lag=_lag(made, propagation, data.timing_doubt_s),
        load_per_flow=_load(made),
        rise_time=made.of("rise time"),
        settling_time=made.of("settling time"),
        unidentified=(
            *missing(seen),
            *_ambient_gap(data),
            *_grouped(made.refused),
            *_on_bounds(propagation),
        ),
        candidates=candidates,
        validation=_validation(data, fitted.traces),
        rms_K=fitted.rms_K,
        worst_K=float(np.max(np.abs(residual))),
        inflation=inflated,
        samples=data.fitted_samples,
        correlation_names=tuple(p.name for p in propagation.parameters),
        correlations=_correlations(propagation),
        residuals=_residual_traces(data, fitted.traces),
        propagation=propagation,
        next_tests=next_tests(propagation, fitted.problem.model, seen),
        power=_power(parameters, power_W),
        notes=_notes(data, fitted, propagation),
    )


def _propagation(fitted: _Fitted, inflated: float) -> Propagation:
    problem, values = fitted.problem, fitted.solution.values
    evaluation = problem.evaluate(values)
    used = evaluation.tally[:, 2] > 0
    shared = [u for u in problem.unknowns if u.stretch is None]
    scales = np.array([_spread(u.parameter) for u in problem.unknowns])
    rms_K = math.sqrt(evaluation.cost / max(problem.data.fitted_samples, 1))
    information = Information(
        products=evaluation.products[used],
        ridge=rms_K**2 / scales**2 + np.diag(evaluation.prior)[:-1],
        rms_K=rms_K,
        inflation=inflated,
        noise_K=problem.data.noise_K,
        fan_rms_K=_fan_rms_K(problem.data, evaluation.tally),
        free=np.array(
            [not _at_bound(u.parameter, v) for u, v in zip(problem.unknowns, values, strict=True)]
        ),
    )
    return Propagation(
        base=problem.vector(values),
        places=tuple(int(u.place) for u in shared),
        parameters=tuple(u.parameter for u in shared),
        information=information,
    )


def _fan_rms_K(data: HeaterData, tally: FloatArray) -> float | None:
    """Of the residuals in the segments with the fan on; None without any."""
    numbers = [stretch.fitted[stretch.fan > FAN_ON] for stretch in data.stretches]
    fanned = np.unique(np.concatenate(numbers))
    squares, count = tally[fanned[fanned >= 0]][:, 1:].sum(axis=0)
    return math.sqrt(squares / count) if count else None


def _spread(parameter: Parameter) -> float:
    """Prior spread in the solver's coordinates."""
    return PRIOR_SPREAD if parameter.logarithmic else (parameter.high - parameter.low) / 2.0


def _at_bound(parameter: Parameter, value: float) -> bool:
    low, high = parameter.inner(parameter.low), parameter.inner(parameter.high)
    place = (parameter.inner(value) - low) / (high - low)
    return not AT_BOUND < place < 1.0 - AT_BOUND


def _parameters(problem: Problem, propagation: Propagation) -> dict[str, Quantity]:
    """Every parameter of the model; held ones are assumed, those on a bound have no interval."""
    places = [P(place) for place in propagation.places if place != P.AMBIENT]

    def derived(vector: FloatArray) -> FloatArray:
        return vector[[int(place) for place in places]]

    values, widths = propagation.widths(derived, [SHARES["parameter"]] * len(places))
    found = dict(zip(places, zip(values, widths, strict=True), strict=True))
    made = {}
    for place in problem.model.places:
        declared = PARAMETERS[place]
        if place in problem.fixed:
            value = problem.fixed[place]
            made[declared.name] = Quantity(value=value, unit=declared.unit, basis="assumed")
            continue
        value, width = found[place]
        if _at_bound(declared, value):
            width = math.nan
        made[declared.name] = _stated(declared, value, width)
    return made


def _stated(declared: Parameter, value: float, width: float) -> Quantity:
    """The interval of a logarithmic parameter is symmetric in its logarithm; all keep to bounds."""
    if not np.isfinite(width):
        return quantity(value, width, declared.unit, "fitted")
    if not declared.logarithmic:
        low, high = declared.clipped(value - width), declared.clipped(value + width)
        plain = quantity(value, width, declared.unit, "fitted")
        return replace(plain, low=min(low, plain.value), high=max(high, plain.value))
    factor = math.exp(min(width / value, LARGEST_LOGARITHM))
    return Quantity(
        value=float(value),
        unit=declared.unit,
        low=float(value / factor),
        high=float(value * factor),
        confidence=CONFIDENCE,
        basis="fitted",
    )


def _ambient(data: HeaterData, propagation: Propagation) -> Quantity:
    ambient_C = float(propagation.base[P.AMBIENT])
    if data.ambient_basis == "declared":
        return Quantity(value=ambient_C, unit="°C", basis="declared")
    if data.ambient_basis == "measured":
        return quantity(ambient_C, AMBIENT_HALF_WIDTH_K, "°C", "measured")
    values, widths = propagation.widths(lambda v: v[[int(P.AMBIENT)]], [NO_MODEL_ERROR])
    return quantity(values[0], widths[0], "°C", "fitted")


def _ambient_gap(data: HeaterData) -> list[Unidentified]:
    if data.ambient_C is not None:
        return []
    reason = "no run starts cold and none was given; it is fitted, and trades with the losses"
    return [Unidentified(AMBIENT.name, reason, "record step from cold, or give --ambient")]


def _lag(made: Tables, propagation: Propagation, doubt_s: float) -> Quantity:
    """Sensor lag and dead time; when within an interval the board reports is part of its doubt."""
    stated = made.of("combined lag")
    if stated:
        known = stated[0].quantity
        width = math.hypot(known.half_width or math.nan, doubt_s)
        return quantity(known.value, width, "s", "fitted")
    vector = propagation.base
    return Quantity(value=float(vector[P.LAG] + vector[P.DEAD]), unit="s", basis="fitted")


def _load(made: Tables) -> Quantity | None:
    """Heat load at the hottest row, K/s per mm3/s."""
    rows = made.of("load")
    return rows[-1].quantity if rows else None


def _grouped(refused: Sequence[Unidentified]) -> list[Unidentified]:
    """One line per kind of figure and remedy is enough."""
    first: dict[tuple[str, str], Unidentified] = {}
    for item in refused:
        kind = item.name.split(" at ")[0]
        fan = item.name.partition(", ")[2]
        first.setdefault((kind, fan), item)
    return list(first.values())


def _validation(data: HeaterData, traces: Sequence[FloatArray]) -> tuple[HeldOutError, ...]:
    errors = []
    for stretch, trace in zip(data.stretches, traces, strict=True):
        residual = trace - stretch.temperature_C
        span_K = float(np.nanmax(stretch.temperature_C) - np.nanmin(stretch.temperature_C))
        for number in np.unique(stretch.held_out[stretch.held_out >= 0]):
            part = residual[stretch.held_out == number]
            rms_K = _rms(part)
            errors.append(
                HeldOutError(
                    run_id=stretch.run_id,
                    phase=data.segments[int(number)].phase,
                    rms_K=rms_K,
                    worst_K=float(np.max(np.abs(part))),
                    error_percent=100.0 * rms_K / max(span_K, 1e-9),
                    samples=int(part.size),
                )
            )
    return tuple(errors)


def _correlations(propagation: Propagation) -> FloatArray:
    count = len(propagation.parameters)
    covariance = propagation.information.covariance()[:count, :count]
    spread = np.sqrt(np.maximum(np.diag(covariance), np.finfo(float).tiny))
    correlations: FloatArray = covariance / spread[:, None] / spread
    return correlations


def _residual_traces(data: HeaterData, traces: Sequence[FloatArray]) -> tuple[Residuals, ...]:
    made = []
    for stretch, trace in zip(data.stretches, traces, strict=True):
        number = np.maximum(stretch.fitted, stretch.held_out)
        names = np.array([*(segment.phase for segment in data.segments), ""])
        made.append(
            Residuals(
                run_id=stretch.run_id,
                time_s=stretch.time_s,
                measured_C=stretch.temperature_C,
                predicted_C=trace,
                phase=names[number],
                fitted=stretch.fitted >= 0,
            )
        )
    return tuple(made)


def _power(parameters: Mapping[str, Quantity], power_W: float | None) -> dict[str, Quantity]:
    """Heat capacities, J/K, and losses, W/K, from a wattmeter reading at full duty."""
    if power_W is None or parameters["heating_K_per_s"].basis != "fitted":
        return {}
    heating = parameters["heating_K_per_s"]
    near = _scaled(heating, power_W, "J/K", inverse=True)
    figures = {
        "full_power": Quantity(value=power_W, unit="W", basis="declared"),
        "near_capacity": near,
        "near_loss": _scaled(parameters["loss_per_s"], near.value, "W/K"),
    }
    if "capacity_ratio" in parameters:
        ratio = parameters["capacity_ratio"]
        figures["far_capacity"] = _scaled(ratio, near.value, "J/K", inverse=True)
        figures["exchange"] = _scaled(parameters["exchange_per_s"], near.value, "W/K")
    return figures


def _scaled(source: Quantity, factor: float, unit: str, *, inverse: bool = False) -> Quantity:
    """factor x source, or factor / source, with the interval's relative width kept."""
    value = factor / source.value if inverse else factor * source.value
    width = source.half_width
    relative = math.nan if width is None else width / abs(source.value)
    return quantity(value, abs(value) * relative, unit, "fitted")


def _notes(data: HeaterData, fitted: _Fitted, propagation: Propagation) -> tuple[str, ...]:
    notes = list(data.notes)
    if data.spikes:
        notes.append(f"{data.spikes} single-sample spikes left out; robust loss used")
    if fitted.rms_K > POOR_K:
        notes.append(
            f"off by {fitted.rms_K:.1f} K on average: something acts that the record does not "
            "tell, such as a fan, a draught or extrusion; do not rely on these numbers"
        )
    if not fitted.solution.converged:
        notes.append("the solver stopped before it converged")
    stuck = [parameter.title for parameter in _stuck(propagation) if parameter.name in LAGS]
    if stuck:
        notes.append(f"{' and '.join(stuck)} on a bound: only the sum of both is told")
    return tuple(notes)


LAGS = (PARAMETERS[P.LAG].name, PARAMETERS[P.DEAD].name)
LONGER = "record step --hold 300 --fan 0,0.5,1, which may tell it apart from zero"


def _stuck(propagation: Propagation) -> list[Parameter]:
    """Parameters that the solver left on a bound."""
    free = propagation.information.free
    return [p for p, moves in zip(propagation.parameters, free, strict=False) if not moves]


def _on_bounds(propagation: Propagation) -> list[Unidentified]:
    """A value on its bound is the bound's, not the data's; of the lags only the sum is stated."""
    base = propagation.base[list(propagation.places)]
    values = dict(zip(propagation.parameters, base, strict=True))
    stuck = [parameter for parameter in _stuck(propagation) if parameter.name not in LAGS]
    return [_on_bound(parameter, float(values[parameter])) for parameter in stuck]


def _on_bound(parameter: Parameter, value: float) -> Unidentified:
    below, above = abs(value - parameter.low), abs(parameter.high - value)
    side, end = ("lower", parameter.low) if below < above else ("upper", parameter.high)
    reason = f"on its {side} bound of {end:g} {parameter.unit}".rstrip()
    return Unidentified(parameter.name, f"{reason}: held there, not measured", LONGER)
