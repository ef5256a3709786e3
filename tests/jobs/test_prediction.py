from dataclasses import replace

import numpy as np
import pytest

from hotbench.jobs.limits import ControlFacts, HeaterFacts, Limits, MeltFacts
from hotbench.jobs.prediction import Prediction, predict, skogestad_gains
from hotbench.jobs.rehearsal import rehearse
from hotbench.jobs.timeline import read_timeline
from hotbench.models.heater import HEATER_MODELS, hold_of, simulate
from hotbench.models.melt import exit_temperature_C

BIN_S = 0.25
FACTS = {"one-node": {"heating_K_per_s": 4.0}, "two-node": {}, "first-order": {}}


def held(limits: Limits, flow: float, bins: int = 4000, model: str = "two-node") -> Prediction:
    heater = HeaterFacts(model, FACTS[model], 25.0)
    full = replace(limits, heater=heater, melt=MeltFacts(0.75, 150.0))
    told = predict(full, BIN_S, np.full(bins, 210.0), np.full(bins, flow), np.zeros(bins))
    assert told is not None
    return told


@pytest.mark.parametrize("model", list(FACTS))
def test_it_settles_at_the_setpoint(limits: Limits, model: str) -> None:
    told = held(limits, 0.0, model=model)
    assert told.temperature_C[-1] == pytest.approx(210.0, abs=0.1)


def test_the_duty_settles_at_the_models_hold_duty(limits: Limits) -> None:
    told = held(limits, 0.0, bins=12_000)
    vector = HEATER_MODELS["two-node"].vector({}, 25.0)
    assert told.duty[-1] == pytest.approx(hold_of(vector, 185.0).duty, rel=1e-3)


def test_flow_costs_duty(limits: Limits) -> None:
    assert held(limits, 8.0).duty[-1] > held(limits, 0.0).duty[-1] + 0.01


def test_full_duty_follows_the_heater_model(limits: Limits) -> None:
    # Far below the setpoint the loop saturates, so the open-loop model is the check.
    told = held(limits, 0.0)
    time_s = np.arange(201) * BIN_S
    open_loop = simulate(
        "two-node", {}, time_s, np.ones(201), np.zeros(201), np.zeros(201), 25.0
    ).temperature_C
    assert told.duty[:200].min() == 1.0
    np.testing.assert_allclose(told.temperature_C[:200], open_loop[1:], atol=0.2)


def test_exit_temperature_follows_the_melt_model(limits: Limits) -> None:
    told = held(limits, 6.0)
    expected = exit_temperature_C(told.temperature_C[-1], 6.0, 0.75, feed_C=25.0)
    assert told.exit_C[-1] == pytest.approx(float(expected))
    assert np.isnan(held(limits, 0.0).exit_C).all()


def test_without_a_heater_nothing_is_predicted(limits: Limits) -> None:
    nothing = np.zeros(3)
    assert predict(limits, BIN_S, nothing, nothing, nothing) is None


def test_stated_gains_are_used(limits: Limits) -> None:
    heater = HeaterFacts("one-node", FACTS["one-node"], 25.0)
    weak = replace(limits, heater=heater, control=ControlFacts(1e-3, 0.0, 0.0))
    told = predict(weak, BIN_S, np.full(4000, 210.0), np.zeros(4000), np.zeros(4000))
    assert told is not None
    # Proportional only: the duty is the gain times the error that is left.
    assert told.duty[-1] == pytest.approx(1e-3 * (210.0 - told.temperature_C[-1]), rel=1e-3)


def test_skogestads_rule() -> None:
    # Skogestad (2003), integrating process: Kc = 1/(k'(tc + th)), Ti = 4 (tc + th), tc = th.
    gains = skogestad_gains(HeaterFacts("one-node", {"heating_K_per_s": 5.0}, 25.0), 2.0)
    assert gains.Kp == pytest.approx(1.0 / (5.0 * 4.0))
    assert gains.Kp / gains.Ki == pytest.approx(16.0)


def test_a_rehearsal_carries_its_prediction(limits: Limits) -> None:
    full = replace(limits, heater=HeaterFacts("one-node", FACTS["one-node"], 25.0))
    told = rehearse(read_timeline(b"M109 S210\nG1 X0 Y0 F300\nG1 X200 E20\n"), full)
    assert told.prediction is not None
    assert told.prediction.temperature_C.shape == told.trace.time_s.shape
    assert told.prediction.temperature_C[-1] == pytest.approx(210.0, abs=1.0)
