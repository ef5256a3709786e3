import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from hotbench.sim.loop import FaultCode, Gain, HeaterState, Mode, SensorState, State, Trace
from hotbench.sim.printers import PRINTERS, PrinterSpec
from hotbench.sim.rig import Rig

SLEEVE = PRINTERS["swift-sleeve"]


def stream(rig: Rig, start_C: float, end_C: float, rate_K_per_s: float) -> None:
    """Move the setpoint every 0.2 s."""
    count = round(abs(end_C - start_C) / rate_K_per_s / 0.2)
    for setpoint_C in np.linspace(start_C, end_C, count + 1)[1:]:
        rig.set_target(float(setpoint_C))
        rig.run(0.2)


def held(spec: PrinterSpec, at_C: float, seed: int = 0) -> Rig:
    rig = Rig(spec, seed)
    rig.settle_at(at_C)
    rig.run(1.0)
    return rig


@pytest.mark.parametrize("name", PRINTERS)
def test_heats_from_cold_and_regulates(name: str) -> None:
    rig = Rig(PRINTERS[name], 1)
    rig.set_target(240.0)
    trace = rig.run(300.0)
    assert rig.mode is Mode.REGULATE
    assert np.max(trace[:, Trace.SENSOR_C]) < 246.0
    assert np.mean(trace[-1000:, Trace.SENSOR_C]) == pytest.approx(240.0, abs=0.3)
    assert trace[0, Trace.DUTY] == 0.0
    assert trace[50, Trace.DUTY] == 1.0


def test_heating_speeds_are_those_of_their_kind() -> None:
    def seconds_to_240(name: str) -> float:
        rig = Rig(PRINTERS[name], noise=False)
        rig.set_target(260.0)
        trace = rig.run(300.0)
        return float(np.argmax(trace[:, Trace.SENSOR_C] > 240.0) * rig.step_s)

    assert 216.0 / seconds_to_240("swift-sleeve") == pytest.approx(18.5, abs=2.5)
    assert 216.0 / seconds_to_240("plain-block") == pytest.approx(2.5, abs=0.3)
    assert 216.0 / seconds_to_240("long-melt") == pytest.approx(1.4, abs=0.25)


def test_sensor_is_a_delay_and_a_lag() -> None:
    """Against scipy's lfilter on the shifted core temperature (trapezoidal input)."""
    rig = Rig(replace(SLEEVE, sensor_delay_s=0.1, sensor_lag_s=0.4), noise=False)
    rig.set_target(200.0)
    trace = rig.run(20.0)
    shift, keep = round(0.1 / rig.step_s), math.exp(-rig.step_s / 0.4)
    core = np.concatenate([np.full(shift + 1, SLEEVE.ambient_C), trace[:-shift, Trace.CORE_C]])
    middle = (core[1:] + core[:-1]) / 2.0
    expected = SLEEVE.ambient_C + lfilter([1.0 - keep], [1.0, -keep], middle - SLEEVE.ambient_C)
    assert trace[:, Trace.SENSOR_C] == pytest.approx(expected, abs=1e-9)


def test_fractional_delay_lies_between_whole_ones() -> None:
    def at_2_s(delay_s: float) -> float:
        rig = Rig(replace(SLEEVE, sensor_delay_s=delay_s), noise=False)
        rig.set_target(200.0)
        return float(rig.run(2.0)[-1, Trace.SENSOR_C])

    assert at_2_s(0.11) == pytest.approx((at_2_s(0.10) + at_2_s(0.12)) / 2.0, abs=0.02)


def test_readings_have_the_stated_noise_and_resolution() -> None:
    rig = held(SLEEVE, 200.0)
    readings = np.array([rig.reading_C(rig.now_s) for _ in range(4000)])
    assert np.std(readings) == pytest.approx(0.2, rel=0.1)
    assert readings * 10.0 == pytest.approx(np.round(readings * 10.0))


def test_reading_between_steps_is_interpolated_forward() -> None:
    rig = Rig(SLEEVE, noise=False)
    rig.set_target(200.0)
    rig.run(5.0)
    ahead_C = rig.sensor_C(rig.now_s + 0.5 * rig.step_s)
    rig.run(rig.step_s)
    before_C, after_C = rig.state[State.SENSOR_BEFORE_C], rig.sensor_C(rig.now_s)
    assert ahead_C == pytest.approx((before_C + after_C) / 2.0, abs=1e-3)


def test_run_does_not_depend_on_how_it_is_cut() -> None:
    whole, pieces = Rig(SLEEVE, 5), Rig(SLEEVE, 5)
    for rig in (whole, pieces):
        rig.set_target(210.0)
    whole.run_to(30.0)
    for time_s in np.linspace(0.0, 30.0, 997):
        pieces.run_to(float(time_s))
    assert np.array_equal(whole.fields, pieces.fields)


def test_settled_rig_stays_where_it_is() -> None:
    rig = Rig(replace(SLEEVE, duty_steps=100_000), noise=False)
    rig.set_fan(0.6)
    duty = rig.settle_at(215.0)
    trace = rig.run(60.0)
    assert trace[:, Trace.SENSOR_C] == pytest.approx(np.full(len(trace), 215.0), abs=0.02)
    assert np.mean(trace[:, Trace.DUTY]) == pytest.approx(duty, abs=1e-4)


def test_settling_beyond_the_heater_is_refused() -> None:
    with pytest.raises(ValueError, match="does not hold"):
        Rig(SLEEVE).settle_at(5000.0)


def test_duty_is_quantised() -> None:
    rig = held(SLEEVE, 200.0)
    levels = rig.run(5.0)[:, Trace.DUTY] * 127.0
    assert levels == pytest.approx(np.round(levels))


def test_fan_cools_sublinearly() -> None:
    rig = Rig(SLEEVE)
    rig.set_fan(0.5)
    assert rig.state[State.FAN] == pytest.approx(0.5**0.6)


def test_slow_stream_passes_and_fast_stream_faults() -> None:
    slow, fast = held(SLEEVE, 190.0), held(SLEEVE, 190.0)
    stream(slow, 190.0, 240.0, 4.0)
    stream(fast, 190.0, 240.0, 15.0)
    assert slow.fault is FaultCode.NONE
    assert fast.fault is FaultCode.TRACKING
    assert (fast.target_C, fast.duty) == (0.0, 0.0)


def test_lone_changes_may_be_large() -> None:
    rig = Rig(SLEEVE)
    for target_C, wait_s in ((240.0, 40.0), (150.0, 60.0), (240.0, 30.0), (0.0, 5.0)):
        rig.set_target(target_C)
        rig.run(wait_s)
    assert rig.fault is FaultCode.NONE


def test_stream_while_still_warming_up_is_tolerated() -> None:
    rig = Rig(SLEEVE)
    rig.set_target(150.0)
    rig.run(0.5)
    stream(rig, 150.0, 240.0, 30.0)
    assert rig.fault is FaultCode.NONE


def test_big_steps_of_a_stream_are_watched() -> None:
    rig = held(SLEEVE, 190.0)
    for target_C in (205.0, 220.0, 235.0):
        rig.set_target(target_C)
        rig.run(0.6)
    assert rig.fault is FaultCode.TRACKING


def test_stream_ends_once_settled() -> None:
    rig = held(SLEEVE, 190.0)
    stream(rig, 190.0, 200.0, 4.0)
    assert rig.mode is Mode.TRACK
    rig.run(15.0)
    assert rig.mode is Mode.REGULATE
    rig.set_target(240.0)
    rig.run(10.0)
    assert rig.fault is FaultCode.NONE


def test_limits_scatter_lognormally_between_streams() -> None:
    rig = held(replace(SLEEVE, fault_spread=0.1), 190.0)
    limits = []
    for _ in range(300):
        stream(rig, 190.0, 191.0, 2.0)
        limits.append(rig.state[State.LIMIT_K])
        rig.settle_at(190.0)
    logs = np.log(np.array(limits) / SLEEVE.fault_deviation_K)
    assert np.mean(logs) == pytest.approx(0.0, abs=0.02)
    assert np.std(logs) == pytest.approx(0.1, rel=0.15)


def test_jump_limit() -> None:
    spec = replace(SLEEVE, jump_limit_K=40.0)
    near, far = held(spec, 200.0), held(spec, 200.0)
    near.set_target(232.0)
    far.set_target(250.0)
    assert near.fault is FaultCode.NONE
    assert far.fault is FaultCode.JUMP
    cold = Rig(spec)
    cold.set_target(250.0)
    assert cold.fault is FaultCode.NONE


def test_travelled_setpoints_count_against_the_limit() -> None:
    rig = held(replace(SLEEVE, fault_travel_per_K=0.01, fault_spread=0.0), 190.0)
    faulted_after = 0
    for cycle in range(20):
        stream(rig, 190.0, 230.0, 6.0)
        rig.run(4.0)
        stream(rig, 230.0, 190.0, 1.5)
        if rig.mode is Mode.FAULTED:
            faulted_after = cycle
            break
    assert rig.fault is FaultCode.TRACKING
    assert faulted_after > 0


def test_power_bends_before_saturation_where_stated() -> None:
    straight, bent = Rig(SLEEVE), Rig(replace(SLEEVE, duty_bend_from=0.7))
    for rig in (straight, bent):
        rig.set_target(240.0)
        rig.run(5.0)
    assert bent.sensor_C(5.0) < straight.sensor_C(5.0) - 3.0


def test_dead_heater_is_noticed() -> None:
    rig = Rig(SLEEVE)
    rig.break_heater(HeaterState.DEAD)
    rig.set_target(200.0)
    rig.run(60.0)
    assert rig.fault is FaultCode.NOT_HEATING
    assert rig.now_s == pytest.approx(SLEEVE.heating_watch_s, abs=1.0)


def test_heater_lost_in_a_hold_is_noticed() -> None:
    rig = held(SLEEVE, 220.0)
    rig.break_heater(HeaterState.DEAD)
    rig.run(120.0)
    assert rig.fault is FaultCode.RUNAWAY


def test_stuck_heater_trips_the_cut_off() -> None:
    rig = held(SLEEVE, 220.0)
    rig.break_heater(HeaterState.STUCK_ON)
    rig.set_target(0.0)
    rig.run(60.0)
    assert rig.fault is FaultCode.TOO_HOT
    assert rig.state[State.READING_C] > SLEEVE.max_temperature_C


@pytest.mark.parametrize("how", [SensorState.OPEN, SensorState.SHORT])
def test_broken_sensor_is_noticed(how: SensorState) -> None:
    rig = held(SLEEVE, 220.0)
    rig.break_sensor(how)
    rig.run(1.0)
    assert rig.fault is FaultCode.SENSOR


def test_frozen_and_shifted_sensors() -> None:
    rig = held(SLEEVE, 220.0)
    rig.break_sensor(SensorState.FROZEN)
    rig.set_target(0.0)
    rig.run(20.0)
    assert {rig.reading_C(rig.now_s) for _ in range(20)} == {rig.state[State.READING_C]}
    assert rig.sensor_C(rig.now_s) < 200.0
    rig.break_sensor(SensorState.SHIFTED, 60.0)
    assert rig.reading_C(rig.now_s) == pytest.approx(rig.sensor_C(rig.now_s) + 60.0, abs=1.0)


def test_faulted_rig_refuses_until_unlocked() -> None:
    rig = held(SLEEVE, 200.0)
    rig.lock(FaultCode.STOPPED)
    rig.set_target(210.0)
    assert (rig.target_C, rig.mode) == (0.0, Mode.FAULTED)
    rig.unlock()
    rig.set_target(210.0)
    assert (rig.target_C, rig.mode) == (210.0, Mode.APPROACH)


def test_flow_takes_heat_and_delivers() -> None:
    rig = held(SLEEVE, 220.0)
    idle = np.mean(rig.run(10.0)[:, Trace.DUTY])
    rig.set_flow(6.0)
    rig.run(20.0)
    before_mm3 = rig.delivered_mm3
    busy = np.mean(rig.run(20.0)[:, Trace.DUTY])
    delivered = (rig.delivered_mm3 - before_mm3) / 20.0
    assert delivered == pytest.approx(6.0 * SLEEVE.full_ratio, rel=2e-3)
    added_W = (busy - idle) * SLEEVE.heater_W / (1.0 + SLEEVE.heater_falloff_per_K * 195.0)
    filament_W = delivered * rig.env[4] * 190.0
    assert 0.6 * filament_W < added_W < filament_W
    rig.set_flow(-3.0)
    assert rig.state[State.FLOW_mm3_per_s] == 0.0


def test_faster_than_the_limit_delivers_less() -> None:
    rig = held(SLEEVE, 200.0)
    rig.set_flow(2.0 * rig.melt_limit_mm3_per_s())
    rig.run(5.0)
    before_mm3 = rig.delivered_mm3
    rig.run(5.0)
    wanted = 5.0 * rig.state[State.FLOW_mm3_per_s]
    assert (rig.delivered_mm3 - before_mm3) / wanted < 0.6


def test_1200_s_of_board_time_are_cheap() -> None:
    import time

    rig = held(SLEEVE, 200.0)
    begun = time.process_time()
    rig.run_to(rig.now_s + 1200.0)
    assert time.process_time() - begun < 1.0
    assert rig.gains[Gain.STEP_s] <= 0.02
