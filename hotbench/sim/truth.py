"""True figures of a simulated printer, from noise-free runs of its physics; they judge fits.

Every temperature is the noise-free sensor value (what a perfect record would show) unless it says
otherwise. Crossings are interpolated between physics steps.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from hotbench.core.arrays import FloatArray
from hotbench.sim.loop import Gain, HeaterState, State, Trace
from hotbench.sim.melting import LOSS_AT_LIMIT, Rolloff, delivered_ratio
from hotbench.sim.printers import PrinterSpec
from hotbench.sim.rig import Rig

RATE_WINDOW_K = 5.0
"""A rate at T is the mean rate between T - RATE_WINDOW_K and T + RATE_WINDOW_K."""
SLICE_s = 0.5
LONGEST_RUN_s = 3600.0
RAMP_INTERVAL_s = 0.2
RAMP_SETTLE_s = 6.0
FAULT_DRAWS = 8
SLOWEST_RAMP_K_per_s, FASTEST_RAMP_K_per_s = 0.02, 100.0


@dataclass(frozen=True)
class Response:
    """A closed-loop run: one entry per physics step in every array."""

    time_s: FloatArray
    setpoint_C: FloatArray
    temperature_C: FloatArray
    duty: FloatArray


@dataclass(frozen=True)
class DipTimes:
    """Seconds from the command down, and from the command back; see `dip_times`."""

    down_s: float
    back_s: float


def heating_rate_K_per_s(
    spec: PrinterSpec, temperature_C: float, *, start_C: float | None = None, fan: float = 0.0
) -> float:
    """Rate at `temperature_C` while heating at full duty.

    start_C None: from cold, everything at ambient. Else from the steady hold at start_C, where
    full duty begins at once. Rate = 2 w / (t(T + w) - t(T - w)), w = RATE_WINDOW_K.
    """
    rig = _rig_at(spec, start_C, fan)
    rig.break_heater(HeaterState.STUCK_ON)
    rig.set_target(0.0)
    return _rate(rig, temperature_C, rising=True)


def cooling_rate_K_per_s(
    spec: PrinterSpec, temperature_C: float, *, fan: float = 0.0, start_C: float = 240.0
) -> float:
    """Rate of cooling at `temperature_C`, positive, heater off.

    From the steady hold at start_C without fan; the heater goes off and the fan on at time 0.
    Window as in `heating_rate_K_per_s`.
    """
    rig = _rig_at(spec, start_C, 0.0)
    rig.set_target(0.0)
    rig.set_fan(fan)
    return _rate(rig, temperature_C, rising=False)


def hold_duty(spec: PrinterSpec, temperature_C: float, *, fan: float = 0.0) -> float:
    """Steady duty, 0 to 1, that keeps the sensor at `temperature_C` without extrusion."""
    return _held(spec, temperature_C, fan).duty


def dip_times(
    spec: PrinterSpec,
    high_C: float,
    low_C: float,
    *,
    fan: float = 0.0,
    down_within_K: float = 2.0,
    back_within_K: float = 3.0,
    rest_s: float = 10.0,
) -> DipTimes:
    """A dip by the board's own controller, from the steady hold at `high_C` with `fan` on.

    The setpoint jumps to low_C at time 0; down_s ends when the temperature falls through
    low_C + down_within_K. The return command is given rest_s (at least SLICE_s) later, at the next
    tick of the controller, like the first one: between ticks it would wait by chance. back_s runs
    from it until the temperature rises through high_C - back_within_K.
    """
    rig = _rig_at(spec, high_C, fan)
    rig.set_target(low_C)
    down_s = _time_to(rig, low_C + down_within_K, -1.0)
    tick_s = spec.control_period_s
    rig.run(math.ceil(max(down_s + rest_s, rig.now_s) / tick_s - 1e-6) * tick_s - rig.now_s)
    commanded_s = rig.now_s
    rig.set_target(high_C)
    return DipTimes(down_s, _time_to(rig, high_C - back_within_K, 1.0) - commanded_s)


def step_response(
    spec: PrinterSpec,
    setpoint_C: float,
    duration_s: float,
    *,
    start_C: float | None = None,
    fan: float = 0.0,
) -> Response:
    """Closed loop after one change of setpoint, from cold or from the steady hold at start_C."""
    rig = _rig_at(spec, start_C, fan)
    rig.set_target(setpoint_C)
    return _response(rig, [(setpoint_C, rig.run(duration_s))])


def ramp_response(
    spec: PrinterSpec,
    start_C: float,
    end_C: float,
    rate_K_per_s: float,
    *,
    fan: float = 0.0,
    interval_s: float = RAMP_INTERVAL_s,
    settle_s: float = RAMP_SETTLE_s,
) -> Response:
    """Closed loop while the setpoint moves from the steady hold at start_C to end_C.

    The setpoint moves every interval_s by rate x interval; settle_s of holding at end_C follow.
    The tracking watch is disarmed.
    """
    rig = _rig_at(spec, start_C, fan)
    return _response(rig, _ramp(rig, start_C, end_C, rate_K_per_s, interval_s, settle_s))


def ramp_deviation_K(
    spec: PrinterSpec,
    start_C: float,
    end_C: float,
    rate_K_per_s: float,
    *,
    fan: float = 0.0,
    interval_s: float = RAMP_INTERVAL_s,
) -> float:
    """Greatest deviation of setpoint and temperature in `ramp_response`."""
    response = ramp_response(spec, start_C, end_C, rate_K_per_s, fan=fan, interval_s=interval_s)
    return float(np.max(np.abs(response.setpoint_C - response.temperature_C)))


def fault_probability(
    spec: PrinterSpec,
    start_C: float,
    end_C: float,
    rate_K_per_s: float,
    *,
    fan: float = 0.0,
    interval_s: float = RAMP_INTERVAL_s,
    draws: int = FAULT_DRAWS,
) -> float:
    """Probability that one such ramp, begun from a hold, makes the board fault.

    Averages over `draws` noisy runs the exact probability that the board's lognormal limit lies
    below the greatest deviation its tracking watch sees. Draws are the same for every rate.
    """
    worst_K = [
        _watched_K(spec, seed, start_C, end_C, rate_K_per_s, fan, interval_s)
        for seed in range(draws)
    ]
    return float(np.mean([_limit_below(spec, worst) for worst in worst_K]))


def ramp_limit_K_per_s(
    spec: PrinterSpec,
    start_C: float,
    end_C: float,
    *,
    fan: float = 0.0,
    probability: float = 0.01,
    interval_s: float = RAMP_INTERVAL_s,
    draws: int = FAULT_DRAWS,
) -> float:
    """Fastest ramp whose `fault_probability` is at most `probability`; to 1 %."""

    def safe(rate: float) -> bool:
        chance = fault_probability(
            spec, start_C, end_C, rate, fan=fan, interval_s=interval_s, draws=draws
        )
        return chance <= probability

    limit_K = spec.fault_deviation_K * math.exp(spec.fault_spread * float(ndtri(probability)))

    def quiet(rate: float) -> bool:
        worst_K = ramp_deviation_K(spec, start_C, end_C, rate, fan=fan, interval_s=interval_s)
        return worst_K <= limit_K

    near = _last_true(quiet, 1.0, 1.4, 1.02)
    return _last_true(safe, near, 1.05, 1.01)


def _last_true(
    holds: Callable[[float], bool], guess: float, stride: float, accuracy: float
) -> float:
    """The largest rate for which `holds`, to the relative `accuracy`; from `guess` in strides."""
    low = high = guess
    while not holds(low):
        high, low = low, low / stride
        if low < SLOWEST_RAMP_K_per_s:
            raise ValueError("no ramp is slow enough")
    while holds(high) and high < FASTEST_RAMP_K_per_s:
        low, high = high, high * stride
    while high / low > accuracy:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def flow_limit_mm3_per_s(spec: PrinterSpec, temperature_C: float, *, fan: float = 0.0) -> float:
    """Q95: commanded flow at which 5 % of the low-flow delivery is missing, in the steady state.

    The sensor is kept at temperature_C while the filament's heat load draws the melt zone down,
    so this lies a little below the limit of an isothermal melt zone. Raises ValueError when the
    heater cannot hold the temperature at such a flow.
    """

    def spare(flow: float) -> float:
        delivered = flow * spec.full_ratio * (1.0 - LOSS_AT_LIMIT)
        return _settled_limit(spec, temperature_C, fan, delivered) - flow

    highest = _settled_limit(spec, temperature_C, fan, 0.0)
    return float(brentq(spare, 0.0, 1.2 * highest, xtol=1e-6)) if highest > 0.0 else 0.0


def steady_ratio(
    spec: PrinterSpec, temperature_C: float, flow_mm3_per_s: float, *, fan: float = 0.0
) -> float:
    """Delivered over commanded volume in the steady state with the sensor at temperature_C."""

    def excess(ratio: float) -> float:
        limit = _settled_limit(spec, temperature_C, fan, ratio * flow_mm3_per_s)
        load = flow_mm3_per_s / limit if limit > 0.0 else math.inf
        shape = Rolloff[spec.rolloff.upper()]
        return ratio - delivered_ratio(load, shape, spec.rolloff_exponent, spec.full_ratio)

    return float(brentq(excess, -1e-9, 1.0, xtol=1e-9))


def _rig_at(spec: PrinterSpec, start_C: float | None, fan: float) -> Rig:
    """A noise-free rig that never faults, cold or in the steady hold at start_C."""
    rig = Rig(_tolerant(spec), noise=False)
    rig.gains[Gain.MAX_C] = rig.gains[Gain.HEATING_WATCH_s] = rig.gains[Gain.RUNAWAY_s] = math.inf
    rig.set_fan(fan)
    if start_C is not None:
        rig.settle_at(start_C)
    return rig


def _tolerant(spec: PrinterSpec) -> PrinterSpec:
    return replace(spec, fault_deviation_K=math.inf, jump_limit_K=math.inf)


def _held(spec: PrinterSpec, temperature_C: float, fan: float, delivered: float = 0.0) -> Rig:
    """A noise-free rig in its steady hold under the heat load of a delivered flow."""
    rig = Rig(spec, noise=False)
    rig.set_fan(fan)
    rig.settle_at(temperature_C, delivered)
    return rig


def _settled_limit(spec: PrinterSpec, temperature_C: float, fan: float, delivered: float) -> float:
    return _held(spec, temperature_C, fan, delivered).melt_limit_mm3_per_s()


def _rate(rig: Rig, temperature_C: float, *, rising: bool) -> float:
    sign = 1.0 if rising else -1.0
    last_C = temperature_C + sign * RATE_WINDOW_K
    time_s, sensor_C = _run_past(rig, last_C, sign)
    entered_s = _crossing_s(time_s, sensor_C, temperature_C - sign * RATE_WINDOW_K, sign)
    left_s = _crossing_s(time_s, sensor_C, last_C, sign)
    return 2.0 * RATE_WINDOW_K / (left_s - entered_s)


def _time_to(rig: Rig, level_C: float, sign: float) -> float:
    return _crossing_s(*_run_past(rig, level_C, sign), level_C, sign)


def _run_past(rig: Rig, level_C: float, sign: float) -> tuple[FloatArray, FloatArray]:
    """Times and sensor values from now until shortly after the sensor has passed `level_C`."""
    begun_s, passed_C = rig.now_s, [np.array([rig.sensor_C(rig.now_s)])]
    while sign * (passed_C[-1][-1] - level_C) <= 0.0:
        if rig.now_s - begun_s > LONGEST_RUN_s:
            raise ValueError(f"{level_C} C was not reached within {LONGEST_RUN_s:.0f} s")
        passed_C.append(rig.run(SLICE_s)[:, Trace.SENSOR_C])
    sensor_C = np.concatenate(passed_C)
    return _steps_s(rig, begun_s, sensor_C.size), sensor_C


def _steps_s(rig: Rig, begun_s: float, count: int) -> FloatArray:
    return np.asarray(begun_s + rig.step_s * np.arange(count), dtype=np.float64)


def _crossing_s(time_s: FloatArray, sensor_C: FloatArray, level_C: float, sign: float) -> float:
    """When the sensor first passes `level_C` upwards (sign 1) or downwards (-1), interpolated."""
    after = int(np.argmax(sign * (sensor_C - level_C) > 0.0))
    if after == 0:
        raise ValueError(f"the run begins beyond {level_C} C")
    pair = slice(after - 1, after + 1)
    return float(np.interp(sign * level_C, sign * sensor_C[pair], time_s[pair]))


def _ramp(
    rig: Rig,
    start_C: float,
    end_C: float,
    rate_K_per_s: float,
    interval_s: float,
    settle_s: float,
) -> list[tuple[float, FloatArray]]:
    """The setpoints of a ramp and the trace under each."""
    count = max(math.ceil(abs(end_C - start_C) / (rate_K_per_s * interval_s) - 1e-9), 1)
    parts, begun_s = [], rig.now_s
    for i in range(1, count + 1):
        moved_K = min(i * rate_K_per_s * interval_s, abs(end_C - start_C))
        setpoint_C = start_C + math.copysign(moved_K, end_C - start_C)
        rig.set_target(setpoint_C)
        parts.append((setpoint_C, rig.run(begun_s + i * interval_s - rig.now_s)))
    return [*parts, (end_C, rig.run(settle_s))]


def _response(rig: Rig, parts: list[tuple[float, FloatArray]]) -> Response:
    trace = np.concatenate([part for _, part in parts])
    return Response(
        time_s=_steps_s(rig, rig.step_s, len(trace)),
        setpoint_C=np.concatenate([np.full(len(part), level) for level, part in parts]),
        temperature_C=trace[:, Trace.SENSOR_C],
        duty=trace[:, Trace.DUTY],
    )


def _watched_K(
    spec: PrinterSpec,
    seed: int,
    start_C: float,
    end_C: float,
    rate_K_per_s: float,
    fan: float,
    interval_s: float,
) -> float:
    """Greatest deviation the tracking watch sees in one noisy ramp, travel weighed in."""
    rig = Rig(_tolerant(spec), seed)
    rig.set_fan(fan)
    rig.settle_at(start_C)
    _ramp(rig, start_C, end_C, rate_K_per_s, interval_s, RAMP_SETTLE_s)
    return float(rig.state[State.WORST_K])


def _limit_below(spec: PrinterSpec, worst_K: float) -> float:
    if worst_K <= 0.0 or spec.fault_spread <= 0.0:
        return float(worst_K > spec.fault_deviation_K)
    return float(ndtr(math.log(worst_K / spec.fault_deviation_K) / spec.fault_spread))
