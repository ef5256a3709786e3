"""Records of a linear heater under stated gains: what the board of such a machine would log."""

from dataclasses import replace

import numpy as np

from hotbench.bench.tuning import Point
from hotbench.control.forms import Form, Pid
from hotbench.control.loop import Scenario, simulate
from hotbench.control.process import Process
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run, RunInfo, Sample
from hotbench.profile.types import Control

AT_C, STEP_K, TICK_s = 220.0, 20.0, 0.1
GAINS = Pid(0.04, 0.004, 0.01, filter_s=0.1)


def run_of(procedure: str, settings: dict[str, float], samples: list[Sample]) -> Run:
    info = RunInfo(
        run_id="made-up", procedure=procedure, created="2026-01-01T00:00:00Z", settings=settings
    )
    return Run.from_samples(info, samples)


def verify_run(point: Point, pid: Pid, *, flow_mm3_per_s: float, load_duty: float = 0.0) -> Run:
    """The setpoint step, then the flow step where there is one, with 0.1 K of scatter.

    load_duty: what the filament truly draws.
    """
    low_C, step = AT_C - STEP_K, "validate setpoint step 200-220"
    rest = [Sample(TICK_s * k, low_C, low_C, 0.2, 0.0, 0.0, "validate hold 200") for k in range(50)]
    samples = [*rest, *_played(point, pid, replace(point.scenario, load_duty=0.0), step, 4.9)]
    if flow_mm3_per_s:
        scenario = replace(point.scenario, step_K=0.0, load_duty=load_duty)
        named, start_s = f"validate flow step 220 {flow_mm3_per_s:g}", samples[-1].time_s
        fed = _played(point, pid, scenario, named, start_s, after_load=True)
        samples += [replace(sample, flow_mm3_per_s=flow_mm3_per_s) for sample in fed]
    settings = {"temperature_C": AT_C, "step_K": STEP_K, "flow_mm3_per_s": flow_mm3_per_s}
    return run_of("verify", settings, samples)


def _played(
    point: Point,
    pid: Pid,
    scenario: Scenario,
    phase: str,
    start_s: float,
    *,
    after_load: bool = False,
) -> list[Sample]:
    """The response before or after the flow step, read every tick."""
    response, random = (
        simulate(point.processes[0], pid, scenario, settle_s=60.0),
        np.random.default_rng(4),
    )
    every = round(TICK_s / float(response.time_s[1]))
    first, count = (response.load_at if after_load else 0), response.load_at // every
    return [
        Sample(
            start_s + TICK_s * k,
            AT_C
            - scenario.step_K
            + float(response.temperature_K[first + k * every])
            + 0.1 * random.standard_normal(),
            AT_C,
            float(response.duty[first + k * every]),
            0.0,
            0.0,
            phase,
        )
        for k in range(1, count)
    ]


def relay_run(point: Point, pid: Pid, *, extra_dead_s: float) -> Run:
    """A relay of ±2 K around that loop, stepped at 10 ms, read and controlled every tick."""
    plant = _Plant(point.processes[0].delayed(extra_dead_s))
    random, samples = np.random.default_rng(5), []
    up, integral, before, slope = True, 0.0, 0.0, 0.0
    keep = pid.filter_s / (pid.filter_s + TICK_s)
    for k in range(1500):
        shown = plant.reading_K + 0.05 * random.standard_normal()
        setpoint = 2.0 if up else -2.0
        error = setpoint - plant.reading_K
        slope = keep * slope + (1.0 - keep) * (plant.reading_K - before) / TICK_s
        before = plant.reading_K
        integral += pid.Ki * error * TICK_s
        duty = pid.Kp * error + integral - pid.Kd * slope
        named = "validate relay 220 2"
        samples.append(
            Sample(TICK_s * k, AT_C + shown, AT_C + setpoint, 0.3 + duty, 0.0, 0.0, named)
        )
        if (shown > 0.4) if up else (shown < -0.4):
            up = not up
        plant.hold(duty)
    return run_of("relay", {"temperature_C": AT_C}, samples)


class _Plant:
    """A process in modal steps of 10 ms: its lags one after the other, leads as blends."""

    STEP_s = 0.01

    def __init__(self, process: Process) -> None:
        from scipy.signal import cont2discrete, tf2ss

        top = process.gain * np.array([1.0])
        for lead in process.leads_s:
            top = np.convolve(top, [lead, 1.0])
        bottom = np.array([1.0])
        for lag in process.lags_s:
            bottom = np.convolve(bottom, [lag, 1.0])
        a, b, self._c, *_ = cont2discrete(tf2ss(top, bottom), self.STEP_s, method="zoh")
        self._a, self._b = a, b[:, 0]
        self._state = np.zeros(self._b.size)
        self._line = [0.0] * round(process.dead_s / self.STEP_s)

    @property
    def reading_K(self) -> float:
        return float((self._c @ self._state).item())

    def hold(self, duty: float) -> None:
        """One tick with the duty held; the dead time lies before the heater."""
        for _ in range(round(TICK_s / self.STEP_s)):
            self._line.append(duty)
            self._state = self._a @ self._state + self._b * self._line.pop(0)


def example_with_control(pid: Pid, form: Form, full_scale: float) -> Control:
    """A control section with these gains."""
    units = {"Kp": "1/K", "Ki": "1/(K s)", "Kd": "s/K", "Kc": "1/K", "Ti": "s", "Td": "s"}
    stated = pid.scaled(full_scale).stated(form)
    return Control(
        rule="by hand",
        form=form,
        at_temperature_C=AT_C,
        duty_full_scale=full_scale,
        gains={n: Quantity(value=v, unit=units[n], basis="declared") for n, v in stated.items()},
        derivative_filter_s=pid.filter_s,
    )
