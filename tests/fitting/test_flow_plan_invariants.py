"""What every choice of the next weighing keeps to, and that a promised gain is delivered."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from melt_truths import TEMPERATURES_C, Truth, adaptive_session

from hotbench.core.records import Extrusion
from hotbench.fitting.flow_choice import (
    FlowPlan,
    _most_telling,
    _row,
    _variance_after,
    next_extrusion,
)
from hotbench.fitting.melt import fit_melt

QUICK = settings(max_examples=8, deadline=None, derandomize=True)


@QUICK
@given(st.integers(0, 10_000), st.integers(4, 16), st.floats(6.0, 60.0))
def test_choices_keep_within_the_plan(seed: int, weighings: int, highest: float) -> None:
    plan = FlowPlan(
        temperatures_C=TEMPERATURES_C, weighings=weighings, highest_mm3_per_s=highest, goal=0.0
    )
    done = adaptive_session(Truth(seed), plan)
    assert len(done) == weighings
    assert {e.setpoint_C for e in done} <= set(TEMPERATURES_C)
    flows = [e.commanded_mm3_per_s for e in done]
    assert plan.lowest_mm3_per_s <= min(flows)
    assert max(flows) <= highest


@QUICK
@given(st.integers(0, 10_000))
def test_the_same_history_gives_the_same_choice(seed: int) -> None:
    truth, plan = Truth(seed), FlowPlan(temperatures_C=TEMPERATURES_C)
    done = [truth.weigh(at, x * truth.limit(at)) for at in TEMPERATURES_C for x in (0.5, 1.0, 1.2)]
    assert next_extrusion(done, plan) == next_extrusion(list(done), plan)


def test_a_climb_rises_and_says_so() -> None:
    plan = FlowPlan(temperatures_C=(220.0,), goal=0.0)
    truth, done, reasons = Truth(1), list[Extrusion](), list[str]()
    while not (reasons and "telling" in reasons[-1]) and len(done) < 20:
        choice = next_extrusion(done, plan)
        assert choice is not None
        reasons.append(choice.reason)
        done.append(truth.weigh(choice.temperature_C, choice.flow_mm3_per_s))
    climbed = [
        e.commanded_mm3_per_s for e, why in zip(done, reasons, strict=True) if "climb" in why
    ]
    assert reasons[0] == "low-flow reference"
    assert len(climbed) >= 2
    assert all(b > a for a, b in pairwise(climbed))


def test_a_session_whose_plan_is_spent_is_done() -> None:
    plan = FlowPlan(temperatures_C=(220.0,), weighings=5)
    truth = Truth(2)
    assert next_extrusion([truth.weigh(220.0, 5.0)] * 5, plan) is None


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_the_promised_variance_is_the_one_that_follows(seed: int) -> None:
    """The chosen weighing, added as the fit foresees it, against a fit with it."""
    truth = Truth(seed)
    loads = (0.45, 0.5, 0.9, 1.0, 1.05)
    done = [truth.weigh(at, x * truth.limit(at)) for at in TEMPERATURES_C for x in loads]
    fit = fit_melt(done)
    choice = _most_telling(fit, FlowPlan(temperatures_C=TEMPERATURES_C))
    place = TEMPERATURES_C.index(choice.temperature_C)
    promised = _variance_after(fit, _row(fit, place, choice.flow_mm3_per_s))
    level = float(fit.ratio_at(choice.temperature_C, np.array([choice.flow_mm3_per_s]))[0])
    shot = truth.weigh(choice.temperature_C, choice.flow_mm3_per_s)
    foreseen = Extrusion(
        shot.setpoint_C, shot.commanded_mm3_per_s, 100.0, level * 0.2982552 * 1.00001
    )
    after = fit_melt([*done, foreseen]).solution
    limits = after.layout.limits
    # The fit also judges the noise anew; compare at the noise that the promise was made with.
    found = (
        float(np.mean(np.diag(after.covariance)[limits])) * (fit.solution.scale / after.scale) ** 2
    )
    before = float(np.mean(np.diag(fit.solution.covariance)[limits]))
    assert promised < before
    assert promised == pytest.approx(found, rel=0.15)
