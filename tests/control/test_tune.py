"""The robust optimum keeps its bounds over the interval; the rules stand side by side."""

import math
from collections.abc import Callable
from itertools import product
from typing import Any

import numpy as np
import pytest

from hotbench.control.forms import from_ideal
from hotbench.control.loop import Scenario, predict
from hotbench.control.margins import margins
from hotbench.control.process import Process, ultimate
from hotbench.control.robust import Aims, filtered, robust_gains, worst_figures
from hotbench.control.rules import RULES
from hotbench.control.tune import (
    LAG_DOUBT,
    NAMES,
    ROBUST,
    UNKNOWN_LAG_DOUBT,
    heater_processes,
    side_by_side,
    tuned,
)
from hotbench.core.errors import BadInput, FellShort
from hotbench.core.quantity import Quantity

FIRST = Process.first_order(300.0, 15.0, 0.5)
GENTLE = Scenario(step_K=2.0, load_duty=0.05, hold_duty=0.3)


def test_robust_gains_keep_their_bounds_everywhere_inside(
    sleeve: dict[str, float], at_220: Any, over_interval: Any, scenario_of: Any
) -> None:
    """Judged on 20 heaters drawn inside the interval, none of which the search has seen."""
    scenario = scenario_of(sleeve)
    found = robust_gains(over_interval(sleeve, 0.1), scenario)
    rng = np.random.default_rng(3)
    for _ in range(20):
        drawn = {n: sleeve[n] * rng.uniform(0.9, 1.1) for n in ("heating_K_per_s", "dead_time_s")}
        process = at_220({**sleeve, **drawn}).process
        delayed = process.delayed(scenario.sample_s / 2.0)
        assert margins(delayed, found.pid).sensitivity <= 1.7
        figures = predict(process, found.pid, scenario)
        assert figures.overshoot_K <= 2.0
        assert figures.sag_K <= 3.0
    assert found.meets_overshoot
    assert found.sensitivity <= 1.7


@pytest.mark.slow
def test_robust_gains_on_a_hundred_random_heaters(
    sleeve: dict[str, float],
    block: dict[str, float],
    at_220: Any,
    over_interval: Any,
    scenario_of: Any,
) -> None:
    """Ms never above 1.7; overshoot below 2 K and sag below 3 K on all of them."""
    rng = np.random.default_rng(2026)
    worst = [
        robust_gains(over_interval(heater, 0.05), scenario_of(heater))
        for heater in (varied(rng, base, at_220) for base in (sleeve, block) * 50)
    ]
    assert max(row.sensitivity for row in worst) <= 1.7
    assert max(row.worst.overshoot_K for row in worst) <= 2.0
    assert max(row.worst.sag_K for row in worst) <= 3.0


def varied(rng: np.random.Generator, base: dict[str, float], at_220: Any) -> dict[str, float]:
    """A heater with every parameter 30 % up or down that can hold 220 °C with power to spare."""
    while True:
        heater = {name: value * rng.uniform(0.7, 1.3) for name, value in base.items()}
        try:
            if at_220({**heater, "heating_K_per_s": 0.9 * heater["heating_K_per_s"]}).duty < 0.85:
                return heater
        except BadInput:
            continue


@pytest.mark.parametrize("derivative", [False, True])
def test_no_neighbouring_gains_do_better_within_the_bound(derivative: bool) -> None:
    """Gains on a grid around the optimum either break the Ms bound or leave more error."""
    aims = Aims(sensitivity_most=1.6, overshoot_most_K=math.inf, derivative=derivative)
    best = robust_gains([FIRST], GENTLE, aims)
    reference = RULES["SIMC PI"].tune(FIRST.delayed(0.05))

    def cost(pid: Any) -> float:
        found, base = worst_figures([FIRST], pid, GENTLE), predict(FIRST, reference, GENTLE)
        step = found.error_step_Ks / base.error_step_Ks
        return step + found.error_load_Ks / base.error_load_Ks

    Kc, Ti, Td = best.pid.ideal
    ratios = (0.85, 1.0, 1.18)
    for k, i, d in product(ratios, ratios, ratios if derivative else (1.0,)):
        pid = filtered(from_ideal(k * Kc, i * Ti, d * Td))
        if margins(FIRST.delayed(0.05), pid).sensitivity <= 1.6:
            assert cost(pid) >= 0.98 * cost(best.pid)


def test_an_impossible_bound_falls_short() -> None:
    with pytest.raises(FellShort, match="no gains keep the sensitivity below 1"):
        robust_gains([FIRST], GENTLE, Aims(sensitivity_most=1.001))


def test_all_rules_side_by_side(sleeve: dict[str, float], over_interval: Any) -> None:
    processes = over_interval(sleeve, 0.05)
    rows = side_by_side(processes, Scenario(hold_duty=0.3))
    assert [row.rule for row in rows] == list(NAMES)
    assert all(row.source for row in rows)
    for row in rows:
        Ms = row.maximum_sensitivity
        assert Ms.low is not None
        assert Ms.low < Ms.value < (Ms.high or 0.0)
        assert Ms.confidence == 0.95
    by_rule = {row.rule: row for row in rows}
    robust_Ms = by_rule[ROBUST].maximum_sensitivity.high
    assert robust_Ms is not None
    assert robust_Ms <= 1.7
    quarter_decay = by_rule["Cohen-Coon PI"].maximum_sensitivity.value
    assert quarter_decay > by_rule["SIMC PI"].maximum_sensitivity.value


def test_one_process_gives_bare_figures() -> None:
    row = tuned("SIMC PI", [FIRST], GENTLE)
    assert row.gain_margin is not None
    assert row.gain_margin.low is None
    assert row.gain_margin.value == pytest.approx(3.1, abs=0.2)
    assert row.overshoot.unit == "K"
    assert row.reliable


def test_an_integrating_process_gets_every_rule() -> None:
    rows = side_by_side([Process.integrator(20.0, 0.5)], GENTLE)
    assert [row.rule for row in rows] == list(NAMES)


def test_worst_corners_are_worse_than_each_end_alone(
    sleeve: dict[str, float], over_interval: Callable[..., list[Process]]
) -> None:
    nominal, *alone, lowest, highest = over_interval(sleeve, 0.1)
    gains = [ultimate(process)[0] for process in alone]
    assert ultimate(lowest)[0] < min(gains) < ultimate(nominal)[0]
    assert ultimate(highest)[0] > max(gains) > ultimate(nominal)[0]


def known(value: float, share: float = 0.1) -> Quantity:
    low, high = value * (1.0 - share), value * (1.0 + share)
    return Quantity(value=value, unit="", low=low, high=high, confidence=0.95, basis="fitted")


def test_lag_and_dead_time_are_varied_together(sleeve: dict[str, float]) -> None:
    """Their sum spans the combined lag, the longer end with its doubt and also as dead time."""
    parameters = {name: known(value, 0.05) for name, value in sleeve.items()}
    parameters |= {name: known(sleeve[name], 0.9) for name in ("sensor_lag_s", "dead_time_s")}
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    found = heater_processes("two-node", parameters, combined_lag=known(0.6, 0.1), **at)
    assert len(found) == 1 + 2 * (len(sleeve) - 2) + 9
    *both, alone = [found[:-3], found[-3:]]
    totals = [process.dead_s + min(process.lags_s) for process in both[0]]
    longest = 0.66 * (1.0 + LAG_DOUBT)
    assert totals[0] == pytest.approx(0.6)
    assert (min(totals), max(totals)) == pytest.approx((0.54, longest))
    assert [p.dead_s / min(p.lags_s) for p in both[0]] == pytest.approx([0.5] * len(both[0]))
    assert [p.dead_s for p in alone] == pytest.approx([longest] * 3)
    assert all(len(p.lags_s) == 2 for p in alone)


def test_the_doubt_of_the_lag_is_a_choice(sleeve: dict[str, float]) -> None:
    parameters = {name: known(value, 0.05) for name, value in sleeve.items()}
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    lag = known(0.6, 0.1)
    certain = heater_processes("two-node", parameters, combined_lag=lag, lag_doubt=0.0, **at)
    assert max(process.dead_s for process in certain) == pytest.approx(0.66)
    unknown = heater_processes("two-node", parameters, **at)
    assert {process.dead_s for process in unknown} == {0.2}


def test_a_lag_without_an_interval_is_not_taken_for_certain(sleeve: dict[str, float]) -> None:
    parameters = {name: known(value, 0.05) for name, value in sleeve.items()}
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    bare = Quantity(value=0.6, unit="s", basis="fitted")
    found = heater_processes("two-node", parameters, combined_lag=bare, **at)
    assert max(process.dead_s for process in found) == pytest.approx(0.6 * (1 + UNKNOWN_LAG_DOUBT))


def test_ends_that_cannot_hold_the_temperature_are_left_out(sleeve: dict[str, float]) -> None:
    parameters = {name: known(value, 0.05) for name, value in sleeve.items()}
    parameters["heating_K_per_s"] = known(sleeve["heating_K_per_s"], 0.95)
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    assert len(heater_processes("two-node", parameters, **at)) == 2 * (len(sleeve) - 2)
    weak = {**parameters, "heating_K_per_s": known(1.0)}
    with pytest.raises(BadInput, match="cannot hold"):
        heater_processes("two-node", weak, **at)


def test_an_interval_that_leaves_physics_is_cut_to_it(sleeve: dict[str, float]) -> None:
    """A poorly known growth of the loss may reach below zero, where the air would heat."""
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    growth = Quantity(
        value=sleeve["loss_growth_per_K"], unit="1/K", low=-0.02, high=0.02, confidence=0.95,
        basis="fitted",
    )  # fmt: skip
    cut = Quantity(
        value=growth.value, unit="1/K", low=0.0, high=0.02, confidence=0.95, basis="fitted"
    )
    found, expected = (
        heater_processes(
            "two-node", {**{n: bare(v) for n, v in sleeve.items()}, "loss_growth_per_K": q}, **at
        )
        for q in (growth, cut)
    )
    assert found == expected


def bare(value: float) -> Quantity:
    return Quantity(value=value, unit="", basis="fitted")


def test_a_loss_below_zero_is_bad_input(sleeve: dict[str, float]) -> None:
    at = {"temperature_C": 220.0, "ambient_C": 23.0}
    impossible = {**sleeve, "loss_growth_per_K": -0.02}
    with pytest.raises(BadInput, match="the air would heat the far node"):
        heater_processes("two-node", {n: bare(v) for n, v in impossible.items()}, **at)
