"""Margins against python-control on rational loops and against Skogestad's with dead time."""

import math
from dataclasses import replace

import control
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from hotbench.control.forms import Pid, from_ideal
from hotbench.control.margins import is_stable, loop_phase_rad, margins
from hotbench.control.process import Process, ultimate
from hotbench.control.rules import simc_pi
from hotbench.core.errors import BadInput

RATIONAL = [
    (Process(2.0, (5.0, 1.0, 0.4)), Pid(1.2, 0.3)),
    (Process(2.0, (5.0, 1.0, 0.4)), Pid(1.2, 0.3, 0.5, 0.05)),
    (Process(1.5, (20.0, 1.0, 0.1, 0.1), (15.0,)), Pid(3.0, 1.0)),
    (Process(0.7, (2.0, 1.0, 0.2), (-0.3,)), Pid(1.5, 0.6)),
    (Process(0.3, (1.5, 0.5), (), 0.0, integrating=True), Pid(1.0, 0.1, 0.4, 0.04)),
]


def transfer_function(process: Process, pid: Pid) -> control.TransferFunction:
    """The same loop built from the other package's own parts (no dead time)."""
    s = control.tf("s")
    loop = pid.Kp + pid.Kd * s / (pid.filter_s * s + 1) + (pid.Ki / s if pid.Ki else 0)
    loop = loop * process.gain * (1 / s if process.integrating else 1)
    for lead in process.leads_s:
        loop = loop * (lead * s + 1)
    for lag in process.lags_s:
        loop = loop / (lag * s + 1)
    return loop


@pytest.mark.parametrize(("process", "pid"), RATIONAL)
def test_rational_loops_equal_python_control(process: Process, pid: Pid) -> None:
    loop = transfer_function(process, pid)
    gain, phase, distance, gain_omega, phase_omega, _ = control.stability_margins(loop)
    found = margins(process, pid)
    assert found.gain == pytest.approx(gain, rel=1e-6)
    assert found.phase_deg == pytest.approx(phase, rel=1e-6)
    assert found.sensitivity == pytest.approx(1.0 / distance, rel=1e-6)
    assert found.gain_omega == pytest.approx(gain_omega, rel=1e-6)
    assert found.phase_omega == pytest.approx(phase_omega, rel=1e-6)
    assert found.delay_s == pytest.approx(math.radians(phase) / phase_omega, rel=1e-6)


times = st.floats(0.05, 20.0)


@st.composite
def loops(draw: st.DrawFn) -> tuple[Process, Pid]:
    """A stable loop of two to four lags, perhaps a lead, under PI or filtered PID."""
    lags = tuple(draw(st.lists(times, min_size=3, max_size=4)))
    leads = (draw(times),) if draw(st.booleans()) else ()
    process = Process(draw(st.floats(0.1, 10.0)), lags, leads)
    Td = draw(st.sampled_from([0.0, 0.3, 1.0]))
    pid = from_ideal(draw(st.floats(0.05, 5.0)) / process.gain, draw(times), Td)
    pid = replace(pid, filter_s=0.1 * Td)
    assume(margins(process, pid).stable)
    return process, pid


@settings(deadline=None, max_examples=30)
@given(loops())
def test_random_loops_equal_python_control(loop: tuple[Process, Pid]) -> None:
    """Gain, phase and Ms; of several crossings that the other package finds, the least."""
    process, pid = loop
    gains, phases, distances, *_ = map(
        np.atleast_1d, control.stability_margins(transfer_function(process, pid), returnall=True)
    )
    found = margins(process, pid)
    assert found.gain == pytest.approx(min(gains, default=math.inf), rel=1e-6)
    assert found.phase_deg == pytest.approx(min(phases, key=abs, default=math.inf), rel=1e-6)
    assert 1.0 / found.sensitivity <= min(distances) * (1.0 + 1e-6)
    seen = control.frequency_response(transfer_function(process, pid), [found.sensitivity_omega])
    assert abs(1.0 + seen.complex[0]) == pytest.approx(1.0 / found.sensitivity, rel=1e-6)


def test_a_loop_that_leads_where_it_crosses_is_no_unstable_one() -> None:
    """A lead above the lags: the curve crosses the unit circle three times, once at +13 degrees."""
    process, pid = Process(1.0, (0.5, 0.25, 0.25), (1.0,)), Pid(0.5, 0.5, 0.5, 0.1)
    found = margins(process, pid)
    assert found.stable
    assert found.phase_deg == pytest.approx(85.576439, rel=1e-6)
    assert is_stable(process.delayed(0.98 * found.delay_s), pid)
    assert not is_stable(process.delayed(1.02 * found.delay_s), pid)


@settings(deadline=None, max_examples=20)
@given(loops(), st.floats(0.0, 3.0), st.floats(1e-3, 1e3))
def test_the_response_with_dead_time_is_exact(
    loop: tuple[Process, Pid], dead_s: float, omega: float
) -> None:
    """The rational part as the other package has it, times exp(-L s); nothing is approximated."""
    process, pid = loop
    rational = control.frequency_response(transfer_function(process, pid), [omega]).complex[0]
    found = process.delayed(dead_s).response(np.array([omega])) * pid.response(np.array([omega]))
    assert found[0] == pytest.approx(rational * np.exp(-1j * omega * dead_s), rel=1e-9)


@settings(deadline=None, max_examples=6)
@given(st.floats(1.0, 20.0), st.floats(0.2, 2.0), st.floats(0.3, 1.5))
def test_margins_with_dead_time_against_a_plain_search(
    lag: float, dead_s: float, closed: float
) -> None:
    """Frequencies in plenty, without this package's phase, refinement or grids."""
    process = Process.first_order(2.0, lag, dead_s)
    pid = simc_pi(process, closed_loop_s=closed * dead_s)
    omega = np.geomspace(1e-2 / lag, 20.0 / dead_s, 300_000)
    s = 1j * omega
    loop = (pid.Kp + pid.Ki / s) * 2.0 * np.exp(-dead_s * s) / (lag * s + 1.0)
    found = margins(process, pid)
    assert found.sensitivity == pytest.approx(1.0 / np.abs(1.0 + loop).min(), rel=1e-6)
    half_turn = np.argmax(np.unwrap(np.angle(loop)) < -np.pi)
    assert found.gain == pytest.approx(1.0 / abs(loop[half_turn]), rel=2e-4)
    crossing = np.argmax(np.abs(loop) < 1.0)
    phase = np.unwrap(np.angle(loop))[crossing]
    assert found.phase_deg == pytest.approx(np.degrees(phase) + 180.0, abs=3e-2)


@pytest.mark.parametrize("gain", [0.2, 1.0, 3.0, 10.0, 40.0])
@pytest.mark.parametrize(("process", "pid"), RATIONAL)
def test_stability_equals_the_poles_of_python_control(
    process: Process, pid: Pid, gain: float
) -> None:
    closed = control.feedback(transfer_function(process, pid.scaled(gain)))
    assert is_stable(process, pid.scaled(gain)) == bool(np.all(closed.poles().real < 0.0))


def test_simc_margins_as_published() -> None:
    """Skogestad, J. Process Control 13 (2003) 291, table 2: with Ti = lag, and integrating."""
    first = margins(*with_rule(Process.first_order(3.0, 5.0, 1.0)))
    assert first.gain == pytest.approx(3.14, abs=0.005)
    assert first.phase_deg == pytest.approx(61.35, abs=0.05)
    assert first.sensitivity == pytest.approx(1.59, abs=0.005)
    assert first.delay_s == pytest.approx(2.14, abs=0.005)
    integrating = margins(*with_rule(Process.integrator(0.2, 3.0)))
    assert integrating.gain == pytest.approx(2.96, abs=0.005)
    assert integrating.phase_deg == pytest.approx(46.9, abs=0.05)
    assert integrating.sensitivity == pytest.approx(1.70, abs=0.005)
    assert integrating.delay_s == pytest.approx(1.59 * 3.0, abs=0.015)


def with_rule(process: Process) -> tuple[Process, Pid]:
    return process, simc_pi(process)


def test_ultimate_gain_as_found_with_python_control() -> None:
    Ku, omega = ultimate(Process.first_order(1.0, 10.0, 1.0))
    assert Ku == pytest.approx(16.3506, abs=5e-5)
    assert omega == pytest.approx(1.63199, abs=5e-6)


def test_ultimate_gain_of_an_integrator_with_dead_time() -> None:
    """Phase -90° - dead ω = -180° gives ω = π/(2 dead) and Ku = ω/slope."""
    Ku, omega = ultimate(Process.integrator(0.5, 2.0))
    assert omega == pytest.approx(math.pi / 4.0)
    assert Ku == pytest.approx(math.pi / 2.0)


def test_no_ultimate_gain_without_enough_phase() -> None:
    with pytest.raises(BadInput, match="no ultimate gain"):
        ultimate(Process(1.0, (5.0,)))


lags = st.floats(0.2, 20.0)


@settings(deadline=None, max_examples=40)
@given(lags, st.floats(0.05, 5.0), st.floats(0.1, 0.95))
def test_at_the_ultimate_gain_the_margin_is_one(lag: float, dead: float, share: float) -> None:
    process = Process(2.0, (lag, lag / 3.0), (), dead)
    Ku, omega = ultimate(process)
    found = margins(process, Pid(share * Ku))
    assert found.gain == pytest.approx(1.0 / share, rel=1e-9)
    assert found.gain_omega == pytest.approx(omega, rel=1e-9)
    assert found.stable
    assert not margins(process, Pid(1.02 * Ku)).stable
    phase = loop_phase_rad(process, Pid(Ku), np.array([omega]))
    assert phase[0] == pytest.approx(-math.pi, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(lags, st.floats(0.05, 5.0))
def test_using_the_delay_margin_up_ends_stability(lag: float, dead: float) -> None:
    process = Process.first_order(1.0, lag, dead)
    pid = simc_pi(process)
    spare = margins(process, pid).delay_s
    assert is_stable(process.delayed(0.98 * spare), pid)
    assert not is_stable(process.delayed(1.02 * spare), pid)
    assert margins(process.delayed(spare), pid).phase_deg == pytest.approx(0.0, abs=1e-6)


def test_a_loop_that_never_crosses_has_infinite_margins() -> None:
    found = margins(Process(0.5, (5.0,)), Pid(1.0))
    assert found.gain == math.inf
    assert found.phase_deg == math.inf
    assert found.delay_s == math.inf
    assert found.stable


@pytest.mark.parametrize(
    "wrong",
    [
        {"gain": -1.0, "lags_s": (1.0,)},
        {"gain": 1.0, "lags_s": (0.0,)},
        {"gain": 1.0, "lags_s": (1.0,), "dead_s": -1.0},
        {"gain": 1.0, "lags_s": (1.0,), "leads_s": (0.5,)},
        {"gain": math.nan, "lags_s": (1.0,)},
    ],
)
def test_impossible_processes_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        Process(**wrong)  # type: ignore[arg-type]


def test_response_and_phase_agree() -> None:
    process = Process(2.0, (5.0, 1.0), (0.5,), 0.3, integrating=True)
    omega = np.geomspace(0.01, 3.0, 50)
    response = process.response(omega)
    turned = np.exp(1j * process.phase_rad(omega))
    assert np.allclose(response, np.abs(response) * turned, rtol=1e-12)
    assert from_ideal(2.0, 4.0, 1.0).response(np.array([0.5]))[0] == pytest.approx(2.0 + 0.0j)
