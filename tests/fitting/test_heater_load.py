"""The filament's heat load comes back from a record whose load is known."""

from dataclasses import replace

import numpy as np
import pytest

from hotbench.core.records import Run, RunInfo
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_load import NAME, balances, with_load
from hotbench.fitting.heater_result import HeaterFit
from hotbench.models.heater import HeaterState, simulate

PARAMETERS = {
    "heating_K_per_s": 12.0,
    "falloff_per_K": 5e-4,
    "loss_per_s": 6e-3,
    "loss_growth_per_K": 1e-3,
    "sensor_lag_s": 0.4,
    "dead_time_s": 0.1,
}
LOAD_PER_MM3 = 6e-4
AMBIENT_C = 22.0


def recorded(run_id: str, procedure: str, duty: np.ndarray, flow: np.ndarray, seed: int) -> Run:
    time_s = 0.1 * np.arange(duty.size, dtype=np.float64)
    parameters = {**PARAMETERS, NAME: LOAD_PER_MM3}
    trace = simulate(
        "one-node", parameters, time_s, duty, duty * 0.0, flow, AMBIENT_C,
        HeaterState.uniform(AMBIENT_C),
    )  # fmt: skip
    noise = np.random.default_rng(seed).normal(0.0, 0.1, time_s.size)
    return Run(
        info=RunInfo(run_id=run_id, procedure=procedure, created="2026-01-01T00:00:00Z"),
        time_s=time_s,
        temperature_C=trace.temperature_C + noise,
        setpoint_C=np.full(time_s.size, 200.0),
        duty=duty,
        fan=duty * 0.0,
        flow_mm3_per_s=flow,
        phase=np.full(time_s.size, "hold 200"),
    )


@pytest.fixture(scope="module")
def fit() -> HeaterFit:
    duty = np.concatenate([np.full(300, 1.0), np.full(2000, 0.13), np.zeros(3000)])
    return fit_heater([recorded("step", "step", duty, duty * 0.0, 1)], models=["one-node"])


def extrusions(flows: tuple[float, ...]) -> Run:
    duty, flow = [np.full(160, 1.0), np.full(1500, 0.13)], [np.zeros(1660)]
    for value in flows:
        duty += [np.full(200, 0.13 + 0.0105 * value), np.full(400, 0.13)]
        flow += [np.full(200, value), np.zeros(400)]
    return recorded("melt", "extrude", np.concatenate(duty), np.concatenate(flow), 2)


def test_load_is_recovered_within_its_interval(fit: HeaterFit) -> None:
    loaded = with_load(fit, [extrusions((5.0, 8.0, 12.0, 15.0))])
    stated = loaded.parameters[NAME]
    assert stated.value == pytest.approx(LOAD_PER_MM3, rel=0.08)
    assert stated.low is not None
    assert stated.low <= LOAD_PER_MM3 <= stated.high
    assert loaded.values[NAME] == stated.value
    assert loaded.load_per_flow is not None
    assert loaded.load_per_flow.value == pytest.approx(stated.value * (220.0 - fit.ambient.value))
    assert "load_per_flow" not in {item.name for item in loaded.unidentified}


def test_each_extrusion_is_balanced_by_itself(fit: HeaterFit) -> None:
    shots = list(balances(fit, extrusions((6.0, 12.0))))
    assert [round(shot.flow_mm3_per_s) for shot in shots] == [6, 12]
    assert all(100.0 < shot.rise_K < 250.0 for shot in shots)


def test_too_few_extrusions_are_refused_and_named(fit: HeaterFit) -> None:
    loaded = with_load(fit, [extrusions((8.0,))])
    assert loaded.load_per_flow is None
    (gap,) = [item for item in loaded.unidentified if item.name == "load_per_flow"]
    assert "1 extrusions" in gap.reason


def test_without_extrusion_runs_nothing_changes(fit: HeaterFit) -> None:
    assert with_load(fit, []) is fit


def test_short_or_unlogged_extrusions_do_not_count(fit: HeaterFit) -> None:
    run = extrusions((8.0, 8.0, 8.0))
    assert list(balances(fit, replace(run, duty=np.full(len(run), np.nan)))) == []
