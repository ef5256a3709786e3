"""Printers measured in virtual time, and schedules played through the simulated hot end."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hotbench.bench.analysis import FitOptions, analyse
from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.profiling import build
from hotbench.bench.recording import PanLater, RunOptions, record
from hotbench.core.arrays import FloatArray
from hotbench.jobs import scan as s
from hotbench.jobs.emit import schedule_rows
from hotbench.jobs.limits import Limits
from hotbench.jobs.schedule import Schedule, expect
from hotbench.jobs.wishes import Wishes
from hotbench.procedures import registry
from hotbench.profile.types import MachineProfile
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, State
from hotbench.sim.printers import PrinterSpec
from hotbench.sim.rig import Rig

TESTS = {
    "step": {"fans": (0.0, 0.5, 1.0)},
    "ramp": {"low_C": 190.0, "high_C": 230.0},
    "extrude": {"temperatures_C": (200.0, 220.0, 240.0)},
}
SETTLE_S = 240.0


def measured(spec: PrinterSpec, seed: int, folder: Path) -> MachineProfile:
    """The profile of a simulated printer, recorded over its wire and fitted."""
    about, link = RunOptions(material="PLA, invented reel"), LinkOptions(port=f"sim:{spec.name}")
    stated = {"ramp": {"fault_deviation_K": spec.fault_deviation_K}}
    for k, (name, settings) in enumerate(TESTS.items()):
        given = {**settings, **stated.get(name, {})}
        plain, injected = choosers(name, given, about.filament_density_g_per_cm3)
        if name == "extrude":
            injected["scale"] = PanLater()
        printer = SimulatedPrinter(spec, seed * len(TESTS) + k)
        line = Line(printer.transport(), printer.scale, ())
        record(registry.build(name, plain, **injected), line, link, folder / name, about)
    options = FitOptions(fault_deviation_K=spec.fault_deviation_K)
    return build(analyse([folder / name for name in TESTS], options))


@dataclass(frozen=True)
class Played:
    """What came of a schedule: fault, delivered share, and sensor temperature at every step."""

    fault: FaultCode
    ratio: float
    temperature_C: FloatArray


def play(spec: PrinterSpec, schedule: Schedule, seed: int) -> Played:
    """Give the schedule's rows, flows and fan speeds to a simulated hot end at their times."""
    rig, job, steps = Rig(spec, seed), schedule.job, np.arange(*schedule.span)
    rows = schedule_rows(schedule)
    rig.set_target(float(rows[0].command.split("S")[1]))
    rig.run(SETTLE_S)
    begin_s, before_mm3 = rig.now_s, rig.delivered_mm3
    targets = [(r.time_s, float(r.command[6:])) for r in rows[1:] if r.command[:4] == "M104"]
    volume_mm3 = job.net_mm[steps] * np.pi / 4.0 * spec.filament_diameter_mm**2
    duration_s, start_s = schedule.motion.duration_s[steps], schedule.start_s[steps]
    flow = np.divide(volume_mm3, duration_s, out=np.zeros(steps.size), where=duration_s > 0.0)
    fan = np.nan_to_num(job.fan[steps])
    seen_C = np.empty(steps.size)
    for k in range(steps.size):
        while targets and targets[0][0] <= start_s[k] + 1e-3:
            time_s, target_C = targets.pop(0)
            rig.run_to(begin_s + time_s)
            rig.set_target(target_C)
        rig.run_to(begin_s + start_s[k])
        rig.set_fan(fan[k])
        rig.set_flow(flow[k])
        seen_C[k] = rig.state[State.SENSOR_C]
        rig.run_to(begin_s + start_s[k] + duration_s[k])
        rig.set_flow(0.0)
    delivered = (rig.delivered_mm3 - before_mm3) / volume_mm3.sum() / spec.full_ratio
    return Played(rig.fault, delivered, seen_C)


def outside_interval_K(played: Played, schedule: Schedule, limits: Limits) -> FloatArray:
    """Kelvin outside the interval stated for its surface, negative within, of every print move."""
    expected = expect(schedule, limits)
    assert expected is not None
    found, steps = expected.surfaces, slice(*schedule.span)
    printing = schedule.job.kind[steps] == s.EXTRUDE
    begin_s = schedule.start_s[steps][printing]
    at = np.searchsorted(found.begin_s, begin_s + 1e-9) - 1
    T = played.temperature_C[printing]
    return np.maximum(found.low_C[at] - T, T - found.high_C[at])


def half_widths_K(schedule: Schedule, limits: Limits) -> FloatArray:
    """Half the width of every surface's interval, K."""
    expected = expect(schedule, limits)
    assert expected is not None
    return 0.5 * (expected.surfaces.high_C - expected.surfaces.low_C)


def outside_K(played: Played, schedule: Schedule, wishes: Wishes) -> FloatArray:
    """Kelvin outside their band, 0 within, of every print move of a wished role; never empty."""
    job, span = schedule.job, slice(*schedule.span)
    parts = [np.zeros(1)]
    for wished, wish in wishes.roles.items():
        own = (job.kind[span] == s.EXTRUDE) & (job.role[span] == job.role_names.index(wished))
        T = played.temperature_C[own]
        parts.append(np.maximum(0.0, np.maximum(wish.low_C - T, T - wish.high_C)))
    return np.concatenate(parts)
