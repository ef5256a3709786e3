"""Each rule against its published table, worked examples, and independent consequences."""

import math

import numpy as np
import pytest

from hotbench.control.forms import Pid
from hotbench.control.margins import margins
from hotbench.control.process import Process
from hotbench.control.rules import (
    RULES,
    amigo_pi,
    amigo_pid,
    cohen_coon_pi,
    cohen_coon_pid,
    reaction_curve_pi,
    reaction_curve_pid,
    simc_pi,
    simc_pid,
    ziegler_nichols_pi,
    ziegler_nichols_pid,
)
from hotbench.core.errors import BadInput

FIRST = Process.first_order(1.0, 10.0, 1.0)
INTEGRATOR = Process.integrator(0.1, 1.0)
KU, TU = 16.3506, 2.0 * math.pi / 1.63199


def test_simc_pi_worked_examples() -> None:
    """Skogestad 2003, table 3: E1 half-rule model 1/(1.1 s + 1) exp(-0.1 s): Kc 5.5, Ti 0.8.

    E3: 1.5 exp(-0.15 s)/(1.05 s + 1): Kc 2.33, Ti 1.05.
    """
    first = simc_pi(Process.first_order(1.0, 1.1, 0.1)).ideal
    assert first == pytest.approx((5.5, 0.8, 0.0))
    third = simc_pi(Process.first_order(1.5, 1.05, 0.15)).ideal
    assert third == pytest.approx((2.333, 1.05, 0.0), abs=1e-3)


def test_simc_pid_worked_example() -> None:
    """Skogestad 2003, table 3, E2: exp(-0.77 s)/((2 s + 1)(1.2 s + 1)): Kc 1.30, Ti 2, Td 1.2."""
    pid = simc_pid(Process(1.0, (2.0, 1.2), (), 0.77))
    assert pid.series == pytest.approx((1.30, 2.0, 1.2), abs=2e-3)


def test_simc_closed_loop_time_is_a_choice() -> None:
    quick, slow = simc_pi(FIRST), simc_pi(FIRST, closed_loop_s=4.0)
    assert quick.ideal == pytest.approx((5.0, 8.0, 0.0))
    assert slow.ideal == pytest.approx((2.0, 10.0, 0.0))


def test_simc_integrating_rows() -> None:
    assert simc_pi(INTEGRATOR).ideal == pytest.approx((5.0, 8.0, 0.0))
    with_lag = Process(0.1, (0.5,), (), 1.0, integrating=True)
    assert simc_pid(with_lag).series == pytest.approx((5.0, 8.0, 0.5))


def test_ziegler_nichols_ultimate_row() -> None:
    assert ziegler_nichols_pi(FIRST).ideal == pytest.approx((0.45 * KU, TU / 1.2, 0.0), rel=1e-5)
    expected = (0.6 * KU, TU / 2.0, TU / 8.0)
    assert ziegler_nichols_pid(FIRST).ideal == pytest.approx(expected, rel=1e-5)


def test_reaction_curve_row() -> None:
    """R = gain/lag = 0.1, L = 1: 0.9/(R L) = 9, 3.33 L; 1.2/(R L) = 12, 2 L, 0.5 L."""
    assert reaction_curve_pi(FIRST).ideal == pytest.approx((9.0, 10.0 / 3.0, 0.0))
    assert reaction_curve_pid(FIRST).ideal == pytest.approx((12.0, 2.0, 0.5))


def test_cohen_coon_row() -> None:
    """r = 0.1: 10 (0.9 + 1/120) = 9.0833, 30.3/11; 10 (4/3 + 1/40), 32.6/13.8, 4/11.2."""
    assert cohen_coon_pi(FIRST).ideal == pytest.approx((9.08333, 30.3 / 11.0, 0.0), rel=1e-6)
    expected = (13.58333, 32.6 / 13.8, 4.0 / 11.2)
    assert cohen_coon_pid(FIRST).ideal == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("dead", [0.4, 1.0, 3.0])
def test_cohen_coon_aims_at_a_quarter_decay(dead: float) -> None:
    """The published aim: the dominant pair decays to a quarter in a period (damping 0.215)."""
    process = Process.first_order(1.0, 10.0, dead)
    pole = dominant_pole(process, cohen_coon_pid(process))
    decay = math.exp(-2.0 * math.pi * abs(pole.real) / abs(pole.imag))
    assert decay == pytest.approx(0.25, abs=0.1)


def dominant_pole(process: Process, pid: Pid) -> complex:
    """The slowest oscillating root of 1 + L(s) = 0 with the exact dead time, by Newton steps."""
    lag, dead = process.lags_s[0], process.dead_s

    def excess(s: complex) -> complex:
        controller = pid.Kp + pid.Ki / s + pid.Kd * s
        return 1.0 + controller * process.gain * np.exp(-dead * s) / (lag * s + 1.0)

    s = complex(-0.3 / dead, 1.5 / dead)
    for _ in range(60):
        step = 1e-6 * abs(s)
        slope = (excess(s + step) - excess(s - step)) / (2.0 * step)
        s -= excess(s) / slope
    assert abs(excess(s)) < 1e-9
    return s


def test_amigo_rows_agree_where_the_lag_is_long() -> None:
    """Independent of memory's coefficients: both published rows must meet at slope = gain/lag."""
    long_lag = Process.first_order(1e5, 1e6, 1.0)
    assert amigo_pi(long_lag).ideal == pytest.approx(amigo_pi(INTEGRATOR).ideal, rel=5e-3)
    assert amigo_pid(long_lag).ideal == pytest.approx(amigo_pid(INTEGRATOR).ideal, rel=5e-3)


@pytest.mark.parametrize("dead", [0.3, 1.0, 3.0, 10.0, 30.0])
def test_amigo_keeps_the_sensitivity_that_it_was_made_for(dead: float) -> None:
    """The rule's aim is Ms = 1.4 over its test batch; its own authors show up to 15 % beside it."""
    process = Process.first_order(1.0, 10.0, dead)
    assert margins(process, amigo_pi(process)).sensitivity == pytest.approx(1.4, rel=0.15)


@pytest.mark.parametrize("name", RULES)
@pytest.mark.parametrize("process", [FIRST, INTEGRATOR])
def test_rules_scale_with_gain_and_time(name: str, process: Process) -> None:
    """Twice the gain halves Kc; a clock three times slower triples Ti and Td."""
    slower = Process(
        2.0 * process.gain / (3.0 if process.integrating else 1.0),
        tuple(3.0 * lag for lag in process.lags_s),
        (),
        3.0 * process.dead_s,
        process.integrating,
    )
    Kc, Ti, Td = RULES[name].tune(process).ideal
    assert RULES[name].tune(slower).ideal == pytest.approx((Kc / 2.0, 3.0 * Ti, 3.0 * Td))


def test_rules_refuse_what_they_were_not_made_for() -> None:
    with pytest.raises(BadInput, match="reduce it first"):
        amigo_pi(Process(1.0, (5.0, 1.0), (), 0.5))
    with pytest.raises(BadInput, match="needs a dead time"):
        cohen_coon_pi(Process(1.0, (5.0,)))


def test_every_rule_names_its_source() -> None:
    assert all(rule.source and rule.name == name for name, rule in RULES.items())
    assert [name for name, rule in RULES.items() if "memory" in rule.source] == [
        "AMIGO PI",
        "AMIGO PID",
    ]
