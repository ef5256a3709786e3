from dataclasses import replace

import numpy as np
import pytest
from heater_sessions import Step, record

from hotbench.core.errors import BadInput
from hotbench.core.records import Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_controller import StatedController
from hotbench.sim.printers import printer

SPEC = printer("plain-block")
CONTROLLER = StatedController(
    gain_per_K=SPEC.gain_per_K,
    integral_time_s=SPEC.integral_time_s,
    derivative_time_s=SPEC.derivative_time_s,
    filter_s=SPEC.derivative_filter_s,
)


@pytest.fixture(scope="module")
def run() -> Run:
    steps = [
        Step("idle", 0.0, seconds=3.0),
        Step("heat 220", 220.0, seconds=200.0),
        Step("cool 220 fan 0", 0.0, down_to_C=120.0),
        Step("heat 200", 200.0, seconds=120.0),
    ]
    return record(SPEC, steps, seed=4, interval_s=0.2)


def silent(run: Run) -> Run:
    return replace(run, duty=np.full(len(run), np.nan))


def test_rebuilt_duty_follows_the_boards(run: Run) -> None:
    rebuilt = CONTROLLER(silent(run))
    strong = run.duty > 0.98
    assert np.mean(rebuilt[strong] > 0.98) > 0.99
    hold = (run.phase == "heat 220") & (run.time_s > 150.0)
    assert np.mean(rebuilt[hold]) == pytest.approx(np.mean(run.duty[hold]), rel=0.05)
    assert np.all(rebuilt[run.setpoint_C == 0.0] == 0.0)


def test_a_fit_by_the_rebuilt_duty_is_that_of_the_logged_one(run: Run) -> None:
    logged = fit_heater([run], models=["one-node"])
    rebuilt = fit_heater([silent(run)], models=["one-node"], duty_source=CONTROLLER)
    tables = [fit.heating_rate + fit.cooling_rate + fit.hold_duty for fit in (logged, rebuilt)]
    for one, other in zip(*tables, strict=True):
        assert one.figure == other.figure
        assert other.quantity.value == pytest.approx(one.quantity.value, rel=0.03), one.figure.label
    assert any("stated controller" in note for note in rebuilt.notes)


@pytest.mark.parametrize("wrong", [{"gain_per_K": 0.0}, {"gain_per_K": 0.1, "filter_s": -1.0}])
def test_gains_that_make_no_sense_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BadInput):
        StatedController(**wrong)
