"""Logs made by the heater models themselves, for tests that know the right answer exactly."""

from collections.abc import Mapping

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run, RunInfo
from hotbench.models.heater import simulate

AMBIENT_C = 23.0
TRUE: dict[str, float] = {
    "heating_K_per_s": 3.2,
    "falloff_per_K": 3e-4,
    "loss_per_s": 3e-3,
    "loss_growth_per_K": 1.5e-3,
    "fan_loss_per_s": 4e-3,
    "fan_exponent": 0.7,
    "sensor_lag_s": 1.2,
    "dead_time_s": 0.31,
    "load_per_mm3": 2e-4,
    "exchange_per_s": 0.02,
    "capacity_ratio": 4.0,
    "far_fan_loss_per_s": 6e-3,
    "far_loss_ratio": 1.6,
}
WRAPPED: dict[str, float] = {
    **TRUE,
    "shell_exchange_per_s": 0.012,
    "shell_capacity_ratio": 6.0,
    "shell_loss_per_s": 4e-3,
}
SESSION: tuple[tuple[str, float, float, float, float], ...] = (
    ("idle", 3.0, 0.0, 0.0, 0.0),
    ("heat 240", 75.0, 1.0, 0.0, 0.0),
    ("hold 240", 60.0, 0.33, 0.0, 0.0),
    ("cool 240 fan 0", 200.0, 0.0, 0.0, 0.0),
    ("heat 240 again", 50.0, 1.0, 0.0, 0.0),
    ("cool 240 fan 1", 150.0, 0.0, 1.0, 0.0),
    ("heat 220", 60.0, 1.0, 0.0, 0.0),
    ("cool 220 fan 0.5", 150.0, 0.0, 0.5, 0.0),
    ("heat 220 again", 50.0, 1.0, 0.0, 0.0),
    ("extrude 220 6.0", 60.0, 0.6, 0.0, 6.0),
)
"""Phase, seconds, duty, fan, flow."""


def columns(
    session: tuple[tuple[str, float, float, float, float], ...], interval_s: float, seed: int
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Jittered stamps, inputs (duty, fan, flow) and phases of a session."""
    random = np.random.default_rng(seed)
    counts = [round(seconds / interval_s) for _, seconds, *_ in session]
    total = sum(counts)
    time_s = interval_s * np.arange(total) + 0.005 * random.uniform(-1.0, 1.0, total)
    inputs = np.repeat(np.array([row[2:] for row in session]), counts, axis=0)
    phases = [row[0] for row, count in zip(session, counts, strict=True) for _ in range(count)]
    return time_s, inputs, phases


def log(
    model: str = "two-node",
    values: Mapping[str, float] = TRUE,
    *,
    session: tuple[tuple[str, float, float, float, float], ...] = SESSION,
    interval_s: float = 0.2,
    noise_K: float = 0.05,
    seed: int = 1,
    run_id: str = "log",
) -> Run:
    """The run that a heater of this very model would log, from cold."""
    time_s, inputs, phases = columns(session, interval_s, seed)
    duty, fan, flow = inputs.T
    trace = simulate(model, values, time_s, duty, fan, flow, AMBIENT_C, lead_s=0.5 * interval_s)
    noise = noise_K * np.random.default_rng([seed, 2]).standard_normal(time_s.size)
    return Run(
        info=RunInfo(run_id=run_id, procedure="step", created="2026-01-01T00:00:00Z"),
        time_s=time_s,
        temperature_C=trace.temperature_C + noise,
        setpoint_C=np.where(duty > 0.0, 240.0, 0.0),
        duty=duty,
        fan=fan,
        flow_mm3_per_s=flow,
        phase=np.array(phases),
    )
