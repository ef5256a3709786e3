"""The simulated printers: every physical number of each, and random relatives of them."""

from dataclasses import dataclass, replace
from typing import Literal
from zlib import crc32

import numpy as np

from hotbench.core.errors import unknown_key
from hotbench.sim.melting import Criterion

ReplyShape = Literal["one line", "two lines", "no duty", "two tools", "with checksum"]


@dataclass(frozen=True, kw_only=True)
class PrinterSpec:
    """One simulated hot end, its filament and its control board.

    Positions and ranges along the bore are fractions of the length, 0 where filament enters.
    """

    name: str

    # metal chain
    cell_count: int = 24
    length_mm: float
    section_mm2: float
    capacity_J_per_K: float
    conductivity_W_per_mK: float
    heater_W: float
    heated: tuple[float, float]
    heater_falloff_per_K: float

    # surroundings
    ambient_C: float = 24.0
    surface_mm2: float
    emissivity: float
    convection_W_per_m2_K125: float = 3.5
    fan_W_per_m2_K: float
    fan_exponent: float = 0.6
    fan_centre: float
    fan_width: float
    wrapped: tuple[float, float]
    wrap_W_per_K: float
    wrap_capacity_J_per_K: float
    wrap_growth: float = 1.3
    wrap_emissivity: float = 0.8
    sink_W_per_K: float
    sink_above_ambient_K: float = 6.0

    # sensor
    sensor_at: float
    sensor_lag_s: float
    sensor_delay_s: float
    noise_K: float = 0.2
    quantisation_K: float = 0.1
    jitter_s: float = 0.005

    # filament and melt zone
    filament_diameter_mm: float = 1.75
    filament_conductivity_W_per_mK: float = 0.13
    filament_heat_J_per_kg_K: float = 1800.0
    filament_density_kg_per_m3: float = 1240.0
    nusselt: float = 5.8
    melt_zone: tuple[float, float]
    melt_biot: float
    melt_criterion: Criterion
    softening_C: float = 125.0
    rolloff: Literal["hill", "knee"] = "hill"
    rolloff_exponent: float
    full_ratio: float = 0.985
    weighing_noise: float = 0.01

    # control loop
    control_period_s: float = 0.1
    gain_per_K: float
    integral_time_s: float
    derivative_time_s: float
    derivative_filter_s: float
    duty_steps: int = 127
    duty_bend_from: float = 1.0

    # protections
    max_temperature_C: float = 300.0
    min_extrusion_C: float = 170.0
    heating_watch_K: float = 4.0
    heating_watch_s: float = 20.0
    runaway_K: float = 25.0
    runaway_s: float = 20.0
    fault_deviation_K: float
    fault_spread: float = 0.05
    fault_travel_per_K: float = 0.0
    travel_memory_s: float = 60.0
    stream_gap_s: float = 1.5
    jump_limit_K: float = float("inf")

    # wire
    reply_shape: ReplyShape = "one line"
    reply_latency_s: tuple[float, float] = (0.001, 0.002)
    busy_interval_s: float = 2.0
    planner_moves: int = 16
    min_report_interval_s: float = 0.05


PRINTERS: dict[str, PrinterSpec] = {
    spec.name: spec
    for spec in (
        PrinterSpec(
            name="swift-sleeve",
            length_mm=22.0,
            section_mm2=30.0,
            capacity_J_per_K=2.5,
            conductivity_W_per_mK=55.0,
            heater_W=53.0,
            heated=(0.2, 0.95),
            heater_falloff_per_K=7e-4,
            surface_mm2=480.0,
            emissivity=0.35,
            fan_W_per_m2_K=150.0,
            fan_centre=0.95,
            fan_width=0.3,
            wrapped=(0.25, 0.8),
            wrap_W_per_K=0.02,
            wrap_capacity_J_per_K=0.5,
            sink_W_per_K=0.018,
            sensor_at=0.75,
            sensor_lag_s=0.22,
            sensor_delay_s=0.12,
            melt_zone=(0.15, 1.0),
            melt_criterion="centre",
            melt_biot=10.0,
            rolloff_exponent=5.0,
            gain_per_K=0.05,
            integral_time_s=3.2,
            derivative_time_s=0.2,
            derivative_filter_s=0.1,
            fault_deviation_K=9.0,
        ),
        PrinterSpec(
            name="plain-block",
            length_mm=20.0,
            section_mm2=300.0,
            capacity_J_per_K=14.0,
            conductivity_W_per_mK=150.0,
            heater_W=46.0,
            heated=(0.3, 0.75),
            heater_falloff_per_K=1.5e-4,
            surface_mm2=1700.0,
            emissivity=0.2,
            fan_W_per_m2_K=90.0,
            fan_centre=0.9,
            fan_width=0.35,
            wrapped=(0.2, 0.65),
            wrap_W_per_K=0.05,
            wrap_capacity_J_per_K=1.8,
            sink_W_per_K=0.025,
            sensor_at=0.55,
            sensor_lag_s=1.3,
            sensor_delay_s=0.35,
            melt_zone=(0.25, 1.0),
            melt_criterion="mean",
            melt_biot=3.0,
            softening_C=140.0,
            rolloff="knee",
            rolloff_exponent=7.0,
            gain_per_K=0.09,
            integral_time_s=14.0,
            derivative_time_s=0.8,
            derivative_filter_s=0.6,
            fault_deviation_K=6.0,
        ),
        PrinterSpec(
            name="long-melt",
            length_mm=44.0,
            section_mm2=280.0,
            capacity_J_per_K=29.0,
            conductivity_W_per_mK=150.0,
            heater_W=54.0,
            heated=(0.15, 0.85),
            heater_falloff_per_K=1.2e-4,
            surface_mm2=2600.0,
            emissivity=0.2,
            fan_W_per_m2_K=70.0,
            fan_centre=0.95,
            fan_width=0.25,
            wrapped=(0.1, 0.85),
            wrap_W_per_K=0.08,
            wrap_capacity_J_per_K=3.5,
            sink_W_per_K=0.025,
            sensor_at=0.6,
            sensor_lag_s=1.6,
            sensor_delay_s=0.4,
            melt_zone=(0.1, 1.0),
            melt_criterion="centre",
            melt_biot=10.0,
            rolloff_exponent=6.0,
            gain_per_K=0.13,
            integral_time_s=18.0,
            derivative_time_s=1.0,
            derivative_filter_s=0.6,
            fault_deviation_K=5.0,
        ),
    )
}

SPREAD: dict[str, float] = {
    "heater_W": 0.2,
    "capacity_J_per_K": 0.2,
    "conductivity_W_per_mK": 0.3,
    "heater_falloff_per_K": 0.5,
    "surface_mm2": 0.3,
    "emissivity": 0.3,
    "convection_W_per_m2_K125": 0.3,
    "fan_W_per_m2_K": 0.5,
    "fan_width": 0.2,
    "wrap_W_per_K": 0.5,
    "wrap_capacity_J_per_K": 0.5,
    "sink_W_per_K": 0.3,
    "sensor_lag_s": 0.4,
    "sensor_delay_s": 0.4,
    "ambient_C": 0.2,
    "filament_conductivity_W_per_mK": 0.15,
    "melt_biot": 0.3,
    "rolloff_exponent": 0.25,
    "fault_deviation_K": 0.2,
}
"""Half-width of each parameter's range in `randomised`, relative."""
TUNING_SPREAD = 0.12
"""How far a maker's control gains are off from what the particular machine would want."""


def printer(name: str) -> PrinterSpec:
    """The spec called `name`; BadInput with the nearest name when there is none."""
    if name not in PRINTERS:
        raise unknown_key(name, PRINTERS, where="simulated printer", kind="name")
    return PRINTERS[name]


def randomised(name: str, seed: int) -> PrinterSpec:
    """A relative of the printer called `name`: every parameter in SPREAD moved at random.

    Factors are log-uniform within the stated range. The control gain follows power over
    capacity, as a maker tunes it to the machine, within TUNING_SPREAD.
    """
    base = printer(name)
    random = np.random.default_rng([seed, crc32(name.encode())])
    factors = {key: _factor(random, half) for key, half in SPREAD.items()}
    gain = factors["capacity_J_per_K"] / factors["heater_W"] * _factor(random, TUNING_SPREAD)
    moved = {key: getattr(base, key) * factor for key, factor in factors.items()}
    moved["integral_time_s"] = base.integral_time_s * _factor(random, TUNING_SPREAD)
    return replace(base, gain_per_K=base.gain_per_K * gain, **moved)


def _factor(random: np.random.Generator, half_width: float) -> float:
    edge = np.log1p(half_width)
    return float(np.exp(random.uniform(-edge, edge)))
