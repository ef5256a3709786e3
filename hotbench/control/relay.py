"""Exact analysis of the relay experiment on a first-order process with dead time."""

import cmath
import math
from dataclasses import dataclass

import numpy as np

from hotbench.control.forms import Pid
from hotbench.control.process import Process
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput


@dataclass(frozen=True, slots=True)
class LimitCycle:
    """Amplitude (half of peak to peak, K) and period (s) of the swing."""

    amplitude_K: float
    period_s: float


def limit_cycle(process: Process, relay_duty: float) -> LimitCycle:
    """The swing of gain exp(-L s)/(T s + 1) under a relay of ± relay_duty without hysteresis.

    The reading passes the setpoint, goes on for L towards ± gain d, and turns: amplitude
    gain d (1 - exp(-L/T)), period 2 (L + T ln(2 - exp(-L/T))). Integrating: slope d L, 4 L.
    """
    gain, L = process.gain, process.dead_s
    if process.leads_s or len(process.lags_s) != (0 if process.integrating else 1):
        raise BadInput("the exact relay analysis needs one lag, or an integrator", value=process)
    if process.integrating:
        return LimitCycle(gain * relay_duty * L, 4.0 * L)
    T = process.lags_s[0]
    decay = math.exp(-L / T)
    return LimitCycle(gain * relay_duty * (1.0 - decay), 2.0 * (L + T * math.log(2.0 - decay)))


def describing_function_gain(cycle: LimitCycle, relay_duty: float) -> float:
    """Ultimate gain by the describing function, 4 d/(π a), duty per K.

    It takes the swing for a sine; on a lag-dominant process it comes out some 18 % low.
    """
    return 4.0 * relay_duty / (math.pi * cycle.amplitude_K)


def process_from_cycle(cycle: LimitCycle, relay_duty: float, gain: float) -> Process:
    """The first-order process whose exact cycle this is, its gain known (from the hold duty).

    Inverts `limit_cycle`: L/T = -ln(1 - a/(gain d)), T = period/2 / (L/T + ln(2 - exp(-L/T))).
    Errors: BadInput where the amplitude is more than the relay can drive.
    """
    share = cycle.amplitude_K / (gain * relay_duty)
    if not 0.0 < share < 1.0:
        what, limit = "swing larger than the relay can drive", f"{gain * relay_duty:.4g} K"
        raise BadInput(what, value=f"{cycle.amplitude_K:.4g} K", limit=limit)
    ratio = -math.log1p(-share)
    T = cycle.period_s / 2.0 / (ratio + math.log(1.0 + share))
    return Process.first_order(gain, T, ratio * T)


def fundamental(time_s: FloatArray, values: FloatArray, omega: float) -> complex:
    """Complex amplitude at omega (rad/s) by least squares; the stamps need not be even.

    Constant and slope are fitted beside it, and the second and third harmonic, so that they
    do not leak into it over the few whole cycles. Errors: BadInput for fewer than 16 samples.
    """
    if time_s.size < 16:
        raise BadInput("too few samples for a frequency", value=time_s.size, limit="16 at least")
    middle_s = time_s - time_s.mean()
    turns = [part(k * omega * time_s) for k in (1, 2, 3) for part in (np.cos, np.sin)]
    columns = np.column_stack([*turns, np.ones_like(time_s), middle_s])
    found = np.linalg.lstsq(columns, values, rcond=None)[0]
    return complex(found[0], -found[1])


def process_from_point(response: complex, omega: float, gain: float) -> Process:
    """The first-order process of a known gain whose response at omega (rad/s) is `response`.

    T = √((K/|G|)² - 1)/ω, L = -(arg G + atan(ω T))/ω with arg G from -2π to 0. Nothing is
    approximated: a linear heater's fundamentals obey its frequency response whatever the relay's
    square wave holds besides. Errors: BadInput where no such process exists.
    """
    if not 0.0 < abs(response) < gain:
        limit = f"below the gain of {gain:.4g} K"
        raise BadInput(
            "response is no first-order one", value=f"{abs(response):.4g} K", limit=limit
        )
    T = math.sqrt((gain / abs(response)) ** 2 - 1.0) / omega
    phase = cmath.phase(response)
    behind = phase if phase <= 0.0 else phase - 2.0 * math.pi
    L = -(behind + math.atan(omega * T)) / omega
    if L < 0.0:
        raise BadInput("response leads a first-order one", value=f"dead time {L:.3g} s")
    return Process.first_order(gain, T, L)


def loop_gain(closed: complex) -> complex:
    """Open loop L = T/(1 - T) from the closed loop's response T, reading over setpoint."""
    return closed / (1.0 - closed)


def setpoint_response(process: Process, pid: Pid, omega: float, sample_s: float) -> complex:
    """Reading over setpoint at omega (rad/s) of a sampled loop, as `forms.Pid` states it.

    G Cr/(1 + G Cy): proportional, weighted, and integral part act on the setpoint, the derivative
    on the reading alone. The hold delays by half a sample; a setpoint waits as long to be read.
    """
    at, hold = np.array(omega), cmath.exp(-0.5j * omega * sample_s)
    heater = complex(process.response(at) * hold)
    on_setpoint = pid.setpoint_weight * pid.Kp + pid.Ki / (1j * omega)
    return heater * on_setpoint * hold / (1.0 + heater * complex(pid.response(at)))
