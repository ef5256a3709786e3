"""Recording sessions on the simulated hot end without a wire, and what its truth says."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run, RunInfo
from hotbench.sim import truth
from hotbench.sim.loop import Trace
from hotbench.sim.printers import PrinterSpec
from hotbench.sim.rig import Rig

INTERVAL_s = {"swift-sleeve": 0.1, "plain-block": 0.2, "long-melt": 0.2}
LONGEST_PHASE_s = 900.0


@dataclass(frozen=True)
class Step:
    """One command: phase, setpoint, fan, and how long; down_to ends it at a temperature."""

    phase: str
    setpoint_C: float
    fan: float = 0.0
    seconds: float = LONGEST_PHASE_s
    down_to_C: float | None = None


def record(
    spec: PrinterSpec,
    steps: list[Step],
    *,
    seed: int,
    interval_s: float,
    hold_C: float | None = None,
    run_id: str = "train",
    flow: Callable[[Step], float] = lambda step: 0.0,
) -> Run:
    """The run a board would log, from cold or from the steady hold at hold_C."""
    rig, random = Rig(spec, seed), np.random.default_rng([seed, 77])
    if hold_C is not None:
        rig.settle_at(hold_C)
    rows: list[tuple[float, ...]] = []
    phases: list[str] = []
    due_s = rig.now_s
    for step in steps:
        rig.set_target(step.setpoint_C)
        rig.set_fan(step.fan)
        rig.set_flow(flow(step))
        end_s = due_s + step.seconds
        while due_s < end_s:
            stamp_s = due_s + spec.jitter_s * random.uniform(-1.0, 1.0)
            rig.run_to(stamp_s)
            reading_C = rig.reading_C(stamp_s)
            rows.append((stamp_s, reading_C, step.setpoint_C, rig.duty, step.fan, flow(step)))
            phases.append(step.phase)
            due_s += interval_s
            if step.down_to_C is not None and reading_C <= step.down_to_C:
                break
    return run_of(np.array(rows), phases, run_id)


def run_of(columns: FloatArray, phases: list[str], run_id: str = "train") -> Run:
    """A run from rows of time, temperature, setpoint, duty, fan and flow."""
    return Run(
        info=RunInfo(run_id=run_id, procedure="step", created="2026-01-01T00:00:00Z"),
        time_s=columns[:, 0],
        temperature_C=columns[:, 1],
        setpoint_C=columns[:, 2],
        duty=columns[:, 3],
        fan=columns[:, 4],
        flow_mm3_per_s=columns[:, 5],
        phase=np.array(phases),
    )


def training(name: str, spec: PrinterSpec, seed: int) -> Run:
    """One session from cold: heat, hold, cool; the same with full fan; a dip and back."""
    slow = name != "swift-sleeve"
    heat_s, hold_s, dip_s = (150.0, 60.0, 60.0) if slow else (40.0, 30.0, 20.0)
    steps = [
        Step("idle", 0.0, seconds=3.0),
        Step("heat 240", 240.0, seconds=heat_s),
        Step("hold 240", 240.0, seconds=hold_s),
        Step("cool 240 fan 0", 0.0, down_to_C=80.0),
        Step("heat 240", 240.0, seconds=heat_s),
        Step("hold 240", 240.0, seconds=hold_s),
        Step("cool 240 fan 1", 0.0, fan=1.0, down_to_C=80.0),
        Step("heat 220", 220.0, seconds=0.8 * heat_s),
        Step("dip 220-190", 190.0, seconds=dip_s),
        Step("dip 190-220", 220.0, seconds=dip_s),
    ]
    return record(spec, steps, seed=seed, interval_s=INTERVAL_s[name])


@dataclass(frozen=True)
class DrivenDip:
    """A dip of the noise-free board: inputs per physics step, and the true crossing times."""

    time_s: FloatArray
    duty: FloatArray
    temperature_C: FloatArray
    down_s: float
    back_s: float


def driven_dip(spec: PrinterSpec, *, rest_s: float = 10.0) -> DrivenDip:
    """From the steady hold at 220 to 190 and, rest_s after passing 192, back up through 217."""
    rig = Rig(spec, noise=False)
    rig.settle_at(220.0)
    times = truth.dip_times(spec, 220.0, 190.0, rest_s=rest_s)
    rig.set_target(190.0)
    down = rig.run(times.down_s + rest_s)
    rig.set_target(220.0)
    back = rig.run(times.back_s + 20.0)
    trace = np.concatenate([down, back])
    time_s = rig.step_s * np.arange(1, len(trace) + 1)
    sensor_C = trace[:, Trace.SENSOR_C]
    return DrivenDip(time_s, trace[:, Trace.DUTY], sensor_C, *dip_crossings(time_s, sensor_C))


def dip_crossings(time_s: FloatArray, temperature_C: FloatArray) -> tuple[float, float]:
    """When it falls through 192, and when it rises through 217 after that, interpolated."""
    below = int(np.argmax(temperature_C <= 192.0))
    above = below + int(np.argmax(temperature_C[below:] >= 217.0))
    return _cross(time_s, temperature_C, below, 192.0), _cross(time_s, temperature_C, above, 217.0)


def _cross(time_s: FloatArray, temperature_C: FloatArray, after: int, level_C: float) -> float:
    if after == 0:
        return float("nan")
    part = (level_C - temperature_C[after - 1]) / (temperature_C[after] - temperature_C[after - 1])
    return float(time_s[after - 1] + part * (time_s[after] - time_s[after - 1]))
