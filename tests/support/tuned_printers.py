"""Random simulated printers, fitted, and gains played on their boards' own loops."""

from dataclasses import dataclass, replace

import control
import numpy as np
from heater_sessions import INTERVAL_s, Step, record, training

from hotbench.control.feedforward import flow_duty
from hotbench.control.forms import Pid
from hotbench.control.loop import Scenario
from hotbench.control.process import Process
from hotbench.control.reduce import operating_point
from hotbench.control.tune import heater_processes
from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_load import with_load
from hotbench.sim import truth
from hotbench.sim.loop import Trace
from hotbench.sim.printers import PrinterSpec, randomised
from hotbench.sim.rig import Rig

AT_C, STEP_K = 220.0, 20.0
SHOTS = (0.3, 0.5, 0.7)
"""Extrusions for the heat load, as shares of the flow limit."""


@dataclass(frozen=True)
class Candidate:
    """One printer with what its fit hands to tuning, and the flow of half its limit."""

    spec: PrinterSpec
    seed: int
    processes: list[Process]
    scenario: Scenario
    flow_mm3_per_s: float

    @property
    def least_sag_K(self) -> float:
        """Sag when full power answers as soon as the first fall can be read: nothing does better.

        With s the heater's step response, the load acts alone for one dead time, then full power
        less the holding duty works against it: the trough of (1 - hold) s(t - dead) - load s(t).
        """
        process, scenario = self.processes[0], self.scenario
        time_s = np.linspace(0.0, 20.0 * sum(process.times_s[1:]) + 20.0 * process.dead_s, 20001)
        rise = control.step_response(rational(process), time_s).outputs
        late = np.interp(time_s - process.dead_s, time_s, rise, left=0.0)
        reading_K = (1.0 - scenario.hold_duty) * late - scenario.load_duty * rise
        return float(-reading_K[: int(np.argmax(reading_K > 0.0)) or None].min())


def rational(process: Process) -> control.TransferFunction:
    """The process without its dead time."""
    s = control.tf("s")
    made = process.gain * (1 / s if process.integrating else 1)
    for lead in process.leads_s:
        made = made * (lead * s + 1)
    for lag in process.lags_s:
        made = made / (lag * s + 1)
    return made


@dataclass(frozen=True)
class Played:
    """True sensor temperature against the setpoint, K, on the simulated board."""

    overshoot_K: float
    sag_K: float


def candidate(name: str, seed: int) -> Candidate:
    """A random relative of a printer, recorded, fitted and linearised at 220 °C."""
    spec = randomised(name, seed)
    half = 0.5 * truth.flow_limit_mm3_per_s(spec, AT_C)
    fit = with_load(fit_heater([training(name, spec, seed)]), [extrusions(name, spec, seed, half)])
    at = {"temperature_C": AT_C, "ambient_C": fit.ambient.value}
    point = operating_point(fit.model, fit.values, **at)
    processes = heater_processes(fit.model, fit.parameters, combined_lag=fit.combined_lag, **at)
    scenario = Scenario(
        step_K=STEP_K,
        load_duty=half * flow_duty(point.load_K_per_mm3, point.power_K_per_s),
        hold_duty=point.duty,
        sample_s=spec.control_period_s,
    )
    return Candidate(spec, seed, processes, scenario, half)


def extrusions(name: str, spec: PrinterSpec, seed: int, half_mm3_per_s: float) -> Run:
    """A run of three extrusions at 220 °C with rests between, to measure the heat load."""
    steps = [Step("hold 220", AT_C, seconds=12.0)]
    flows = {}
    for share in SHOTS:
        phase = f"extrude {share:g}"
        flows[phase] = 2.0 * share * half_mm3_per_s
        steps += [Step(phase, AT_C, seconds=25.0), Step("hold 220", AT_C, seconds=25.0)]
    return record(
        spec, steps, seed=seed + 1, interval_s=INTERVAL_s[name], hold_C=AT_C, run_id="melt",
        flow=lambda step: flows.get(step.phase, 0.0),
    )  # fmt: skip


def play(made: Candidate, pid: Pid) -> Played:
    """A step of 20 K up to 220 °C and, settled, half the flow limit: on the board, gains put in."""
    Kc, Ti, Td = pid.ideal
    spec = replace(
        made.spec,
        gain_per_K=Kc,
        integral_time_s=Ti,
        derivative_time_s=Td,
        derivative_filter_s=max(pid.filter_s, 1e-3),
    )
    rig = Rig(spec, made.seed + 2)
    rig.settle_at(AT_C - STEP_K)
    rig.run(20.0 * spec.control_period_s)
    rig.set_target(AT_C)
    risen = sensor_C(rig, 180.0)
    rig.set_flow(made.flow_mm3_per_s)
    fallen = sensor_C(rig, 120.0)
    return Played(float(max(risen.max() - AT_C, 0.0)), float(AT_C - fallen.min()))


def sensor_C(rig: Rig, duration_s: float) -> FloatArray:
    """The sensor's noise-free temperature."""
    return np.asarray(rig.run(duration_s)[:, Trace.SENSOR_C], dtype=np.float64)
