"""Many short run folders, written from the heater model itself: quick to make, quick to fit."""

from pathlib import Path

import numpy as np

from hotbench.core.records import RunInfo, Sample
from hotbench.models.heater import HeaterState, simulate
from hotbench.store.writer import RunWriter

PARAMETERS = {
    "heating_K_per_s": 12.0,
    "falloff_per_K": 5e-4,
    "loss_per_s": 6e-3,
    "loss_growth_per_K": 1e-3,
    "sensor_lag_s": 0.4,
    "dead_time_s": 0.1,
}
AMBIENT_C, INTERVAL_s = 22.0, 0.5


def write_runs(
    root: Path,
    *,
    printers: int,
    each: int,
    heating_step: float = 0.1,
    lag_step_s: float = 0.0,
    first_seed: int = 0,
    dead_s: float = PARAMETERS["dead_time_s"],
) -> list[Path]:
    """printer-N/run-K below root: printer N heats N steps more, run K lags K steps longer."""
    return [
        _write(
            root / f"printer-{n}" / f"run-{k}",
            seed=first_seed + 1000 * n + k,
            heating=12.0 * (1.0 + heating_step * n),
            lag_s=0.4 + lag_step_s * k,
            day=k,
            dead_s=dead_s,
        )
        for n in range(printers)
        for k in range(each)
    ]


def _write(
    folder: Path, *, seed: int, heating: float, lag_s: float, day: int, dead_s: float
) -> Path:
    duty = np.concatenate([np.zeros(6), np.full(44, 1.0), np.full(60, 0.12), np.zeros(130)])
    zero, time_s = duty * 0.0, INTERVAL_s * np.arange(duty.size)
    parameters = {**PARAMETERS, "heating_K_per_s": heating, "sensor_lag_s": lag_s}
    parameters["dead_time_s"] = dead_s
    start = HeaterState.uniform(AMBIENT_C)
    inputs = (time_s, duty, zero, zero)
    sampled_s = 0.5 * INTERVAL_s
    trace = simulate("one-node", parameters, *inputs, AMBIENT_C, start, lead_s=sampled_s)
    noise = np.random.default_rng(seed).normal(0.0, 0.15, duty.size)
    reading_C = np.round(trace.temperature_C + noise, 1)
    created = f"{np.datetime64('2026-01-01') + 7 * day}T08:00:00Z"
    folder.parent.mkdir(parents=True, exist_ok=True)
    info = RunInfo(run_id=folder.name, procedure="step", created=created, ambient_C=AMBIENT_C)
    writer = RunWriter(folder, info, fsync=lambda handle: None)
    phases = ["idle"] * 6 + ["heat 200"] * 44 + ["hold 200"] * 60 + ["cool 200 fan 0"] * 130
    setpoints = [0.0] * 6 + [200.0] * 104 + [0.0] * 130
    for row in zip(time_s, reading_C, setpoints, duty, phases, strict=True):
        time, reading, setpoint, share, phase = row
        writer.on_sample(
            Sample(
                time_s=float(time),
                temperature_C=float(reading),
                setpoint_C=setpoint,
                duty=float(share),
                fan=0.0,
                flow_mm3_per_s=0.0,
                phase=phase,
            )
        )
    writer.close("complete")
    return folder
