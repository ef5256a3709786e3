"""Speed of the heater fit on an 18,000-sample log, as ratios measured in the same run.

Processor time, so that whatever else the machine does decides nothing.
"""

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import lmfit
import numpy as np
import pytest
from heater_logs import AMBIENT_C, TRUE, log
from scipy.integrate import solve_ivp

from hotbench.core.records import Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_coverage import coverage, held_places
from hotbench.fitting.heater_data import HeaterData, prepare
from hotbench.fitting.heater_problem import Problem, solve_best
from hotbench.fitting.heater_starts import starts
from hotbench.models.heater import heater_model

pytestmark = [pytest.mark.bench, pytest.mark.slow]

CYCLE = (
    ("heat", 70.0, 1.0, 0.0, 0.0),
    ("hold", 80.0, 0.3, 0.0, 0.0),
    ("cool fan 0", 150.0, 0.0, 0.0, 0.0),
    ("heat again", 50.0, 1.0, 0.0, 0.0),
    ("cool fan 1", 150.0, 0.0, 1.0, 0.0),
    ("cool fan 0.5", 100.0, 0.0, 0.5, 0.0),
)
HALF_HOUR = (("idle", 3.0, 0.0, 0.0, 0.0), *CYCLE * 3)


def long_log(model: str = "two-node") -> Run:
    names = {p.name for p in heater_model(model).parameters}
    values = {name: value for name, value in TRUE.items() if name in names}
    whole = log(model, values, session=HALF_HOUR, interval_s=0.1, noise_K=0.2)
    columns = ("time_s", "temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s", "phase")
    return replace(whole, **{name: getattr(whole, name)[:18000] for name in columns})


def problem_of(data: HeaterData, name: str) -> Problem:
    model = heater_model(name)
    return Problem(model, data, held_places(model, coverage(data)))


def best_of(count: int, work: Callable[[], object]) -> float:
    spent = []
    for _ in range(count):
        begun = time.process_time()
        work()
        spent.append(time.process_time() - begun)
    return min(spent)


def general_residual(params: lmfit.Parameters, run: Run) -> np.ndarray:
    """The first-order model through a general ODE solver, inputs held between the samples."""
    p = params.valuesdict()

    def rate(t: float, x: np.ndarray) -> np.ndarray:
        k = min(
            max(int(np.searchsorted(run.time_s, t - p["dead"], side="right")) - 1, 0), len(run) - 1
        )
        effect = run.fan[k] ** 0.7 if run.fan[k] > 0.0 else 0.0
        return p["heating"] * run.duty[k] - (p["loss"] + p["fan"] * effect) * x

    found = solve_ivp(
        rate,
        (run.time_s[0], run.time_s[-1]),
        [0.0],
        t_eval=run.time_s,
        max_step=float(np.median(np.diff(run.time_s))),  # or it would step over changes of duty
    )
    residual: np.ndarray = found.y[0] + AMBIENT_C - run.temperature_C
    return residual


def test_first_order_fit_is_a_thousand_times_faster_than_a_general_solver(
    benchmark: Callable[..., object],
) -> None:
    run = long_log("first-order")
    data = prepare([run], ambient_C=AMBIENT_C)
    problem = problem_of(data, "first-order")
    start = problem.point(starts(problem.model, data)[0])
    problem.solve(start)
    benchmark(lambda: problem.solve(start))
    ours_s = best_of(5, lambda: problem.solve(start))

    params = lmfit.Parameters()
    for name, value in (("heating", 3.0), ("loss", 4e-3), ("fan", 3e-3), ("dead", 0.3)):
        params.add(name, value=value, min=0.0)
    begun = time.process_time()
    general = lmfit.minimize(general_residual, params, args=(run,), ftol=1e-6)
    whole_s = time.process_time() - begun
    assert general.params["loss"].value == pytest.approx(problem.solve(start).values[1], rel=0.02)
    benchmark.extra_info["times_faster"] = round(whole_s / ours_s)
    assert whole_s > 1000.0 * ours_s


def test_two_node_fit_with_three_starts_takes_less_than_a_second(
    benchmark: Callable[..., object],
) -> None:
    data = prepare([long_log()], ambient_C=AMBIENT_C)
    problem = problem_of(data, "two-node")
    points = starts(problem.model, data)
    assert len(points) >= 3
    solve_best(problem, points)
    spent = best_of(3, lambda: solve_best(problem, points))
    benchmark.pedantic(lambda: solve_best(problem, points), rounds=2)
    benchmark.extra_info["processor_s"] = round(spent, 3)
    assert spent < 1.0


def tiled(run: Run, times: int) -> Run:
    """The log repeated end to end."""
    period_s = float(run.time_s[-1] - run.time_s[0] + 0.1)
    shifts = np.repeat(period_s * np.arange(times), len(run))
    names = ("temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s", "phase")
    columns = {name: np.tile(getattr(run, name), times) for name in names}
    return replace(run, time_s=np.tile(run.time_s, times) + shifts, **columns)


def data_bytes(run: Run) -> int:
    names = ("time_s", "temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s", "phase")
    return sum(getattr(run, name).nbytes for name in names)


def test_cost_is_linear_up_to_ten_million_samples_and_memory_stays_below_four_times(
    benchmark: Callable[..., object],
) -> None:
    short, long = tiled(long_log("first-order"), 56), tiled(long_log("first-order"), 556)
    assert len(long) > 10_000_000

    def fit(run: Run) -> object:
        return fit_heater([run], ambient_C=AMBIENT_C, models=["first-order"])

    short_s, long_s = best_of(2, lambda: fit(short)), best_of(1, lambda: fit(long))
    tracemalloc.start()
    benchmark.pedantic(lambda: fit(long), rounds=1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    growth = long_s / short_s / (len(long) / len(short))
    benchmark.extra_info["of_linear"] = round(growth, 2)
    benchmark.extra_info["of_data"] = round(peak / data_bytes(long), 2)
    assert growth < 1.5
    assert peak < 4.0 * data_bytes(long)
