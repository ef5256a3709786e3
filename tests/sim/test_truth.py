from dataclasses import replace

import numpy as np
import pytest

from hotbench.sim import truth
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, Trace
from hotbench.sim.plant import flow_limit_of
from hotbench.sim.printers import PRINTERS
from hotbench.sim.rig import Rig

SLEEVE = PRINTERS["swift-sleeve"]
BLOCK = PRINTERS["plain-block"]


@pytest.mark.parametrize("name", PRINTERS)
def test_heating_rate_is_the_slope_of_a_recorded_heat_up(name: str) -> None:
    spec = PRINTERS[name]
    rig = Rig(spec, noise=False)
    rig.set_target(270.0)
    trace = rig.run(200.0)[:, Trace.SENSOR_C]
    inside = np.flatnonzero((trace > 215.0) & (trace < 225.0))
    slope = np.polyfit(inside * rig.step_s, trace[inside], 1)[0]
    assert truth.heating_rate_K_per_s(spec, 220.0) == pytest.approx(slope, rel=5e-3)


def test_heating_rate_depends_on_the_start() -> None:
    from_cold = truth.heating_rate_K_per_s(SLEEVE, 220.0)
    from_hold = truth.heating_rate_K_per_s(SLEEVE, 220.0, start_C=150.0)
    assert from_hold > 1.05 * from_cold
    assert truth.heating_rate_K_per_s(SLEEVE, 220.0, fan=1.0) < from_cold


def test_rate_at_the_start_is_refused() -> None:
    with pytest.raises(ValueError, match="begins beyond"):
        truth.heating_rate_K_per_s(SLEEVE, 150.0, start_C=150.0)
    with pytest.raises(ValueError, match="was not reached"):
        truth.cooling_rate_K_per_s(SLEEVE, 20.0, start_C=40.0)


@pytest.mark.parametrize("name", PRINTERS)
def test_cooling_rate_agrees_with_a_noisy_record(name: str) -> None:
    spec = PRINTERS[name]
    rig = Rig(spec, 3)
    rig.settle_at(240.0)
    rig.set_target(0.0)
    rig.set_fan(1.0)
    trace = rig.run(100.0)[:, Trace.SENSOR_C]
    inside = np.flatnonzero((trace > 215.0) & (trace < 225.0))
    slope = np.polyfit(inside * rig.step_s, trace[inside], 1)[0]
    rate = truth.cooling_rate_K_per_s(spec, 220.0, fan=1.0)
    assert rate == pytest.approx(-slope, rel=0.01)
    half = truth.cooling_rate_K_per_s(spec, 220.0, fan=0.5)
    none = truth.cooling_rate_K_per_s(spec, 220.0)
    assert (half - none) / (rate - none) == pytest.approx(0.5**0.6, abs=0.03)


@pytest.mark.parametrize("name", PRINTERS)
def test_hold_duty_is_the_mean_of_a_long_hold(name: str) -> None:
    rig = Rig(PRINTERS[name], 2)
    rig.set_fan(0.5)
    rig.settle_at(225.0)
    mean = np.mean(rig.run(300.0)[:, Trace.DUTY])
    assert truth.hold_duty(PRINTERS[name], 225.0, fan=0.5) == pytest.approx(mean, rel=0.02)


def test_dip_times_agree_with_a_recorded_dip() -> None:
    rig = Rig(SLEEVE, 1)
    rig.settle_at(220.0)
    rig.set_target(190.0)
    down = rig.run(40.0)[:, Trace.SENSOR_C]
    rig.set_target(220.0)
    back = rig.run(20.0)[:, Trace.SENSOR_C]
    down_s = truth.dip_times(SLEEVE, 220.0, 190.0).down_s
    times = truth.dip_times(SLEEVE, 220.0, 190.0, rest_s=40.0 - down_s)
    assert times.down_s == pytest.approx(np.argmax(down < 192.0) * rig.step_s, abs=0.1)
    assert times.back_s == pytest.approx(np.argmax(back > 217.0) * rig.step_s, abs=0.1)
    assert truth.dip_times(SLEEVE, 220.0, 190.0, fan=1.0).down_s < times.down_s


def test_ramp_response_follows_and_lags() -> None:
    response = truth.ramp_response(SLEEVE, 190.0, 240.0, 5.0, settle_s=20.0)
    assert response.setpoint_C[0] == pytest.approx(191.0)
    assert response.setpoint_C[-1] == 240.0
    assert response.time_s[-1] == pytest.approx(30.0, abs=0.05)
    assert response.temperature_C[-1] == pytest.approx(240.0, abs=0.5)
    moved = np.flatnonzero(response.setpoint_C == 240.0)[0]
    assert response.time_s[moved] == pytest.approx(9.8, abs=0.05)
    worst_K = np.max(np.abs(response.setpoint_C - response.temperature_C))
    assert truth.ramp_deviation_K(SLEEVE, 190.0, 240.0, 5.0) == pytest.approx(worst_K)


def test_step_response_settles() -> None:
    response = truth.step_response(BLOCK, 220.0, 400.0, start_C=200.0, fan=0.5)
    assert response.temperature_C[0] == pytest.approx(200.0, abs=0.1)
    assert response.temperature_C[-1] == pytest.approx(220.0, abs=0.3)
    assert response.duty.max() <= 1.0


def test_deviation_grows_with_rate() -> None:
    deviations = [truth.ramp_deviation_K(SLEEVE, 190.0, 240.0, rate) for rate in (2.0, 4.0, 8.0)]
    assert deviations[0] < deviations[1] < deviations[2]


@pytest.mark.parametrize(
    ("name", "start_C", "end_C"),
    [
        ("swift-sleeve", 190.0, 240.0),
        pytest.param("plain-block", 190.0, 240.0, marks=pytest.mark.slow),
        ("swift-sleeve", 240.0, 190.0),
    ],
)
def test_ramp_limit_is_where_boards_begin_to_fault(name: str, start_C: float, end_C: float) -> None:
    spec = PRINTERS[name]
    limit = truth.ramp_limit_K_per_s(spec, start_C, end_C)
    faults = [_faults(name, start_C, end_C, factor * limit) for factor in (0.97, 1.25)]
    assert faults[0] <= 1
    assert faults[1] >= 20


def _faults(name: str, start_C: float, end_C: float, rate_K_per_s: float) -> int:
    """How many of 40 ordinary boards fault on such a ramp."""
    count = 0
    for seed in range(100, 140):
        rig = Rig(PRINTERS[name], seed)
        rig.settle_at(start_C)
        steps = int(np.ceil(abs(end_C - start_C) / (rate_K_per_s * 0.2)))
        for moved in np.minimum(np.arange(1, steps + 1) * rate_K_per_s * 0.2, 50.0):
            rig.set_target(start_C + np.sign(end_C - start_C) * moved)
            rig.run(0.2)
        rig.run(5.0)
        count += rig.fault is FaultCode.TRACKING
    return count


def test_fault_probability_without_spread_is_a_threshold() -> None:
    spec = replace(SLEEVE, fault_spread=0.0, noise_K=1e-6, quantisation_K=0.01)
    deviation_K = truth.ramp_deviation_K(spec, 190.0, 240.0, 6.0)
    tight = replace(spec, fault_deviation_K=0.97 * deviation_K)
    wide = replace(spec, fault_deviation_K=1.03 * deviation_K)
    assert truth.fault_probability(tight, 190.0, 240.0, 6.0, draws=2) == 1.0
    assert truth.fault_probability(wide, 190.0, 240.0, 6.0, draws=2) == 0.0


def test_flow_limit_lies_a_little_below_that_of_an_isothermal_zone() -> None:
    for spec in PRINTERS.values():
        limit = truth.flow_limit_mm3_per_s(spec, 220.0)
        assert 0.9 * flow_limit_of(spec, 220.0) < limit < 1.03 * flow_limit_of(spec, 220.0)
        assert truth.steady_ratio(spec, 220.0, limit) == pytest.approx(0.95 * spec.full_ratio)
    assert truth.flow_limit_mm3_per_s(SLEEVE, 110.0) == 0.0


def test_flow_limit_is_what_the_pan_shows() -> None:
    """A long extrusion at Q95 delivers 95 % of the low-flow ratio."""
    spec = replace(SLEEVE, weighing_noise=0.0)
    limit = truth.flow_limit_mm3_per_s(spec, 220.0)
    printer = SimulatedPrinter(spec)
    printer.rig.settle_at(220.0)
    line = printer.transport()
    feed_mm_per_min = limit / (np.pi / 4.0 * 1.75**2) * 60.0
    line.write(f"M83\nG1 E100 F{feed_mm_per_min:.4f}\nM400\n".encode())
    while line.read(line.now_s() + 60.0):
        pass
    commanded_g = 100.0 * np.pi / 4.0 * 1.75**2 * 1.24e-3
    ratio = printer.scale.mass_g() / commanded_g
    # The first seconds find the melt zone still undisturbed.
    assert ratio == pytest.approx(0.95 * spec.full_ratio, abs=0.006)
