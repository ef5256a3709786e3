"""From a printer's description to the arrays that the compiled kernels run on."""

import math
from functools import lru_cache

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.sim.melting import flow_limit_mm3_per_s
from hotbench.sim.physics import Cell, Env
from hotbench.sim.printers import PrinterSpec

STEFAN_BOLTZMANN_W_per_m2_K4 = 5.670374419e-8
"""CODATA 2018."""
LIMIT_START_C, LIMIT_STEP_K, LIMIT_COUNT = 50.0, 1.0, 300


def coverage(cell_count: int, span: tuple[float, float]) -> FloatArray:
    """Share of each cell that lies inside `span` (fractions of the length)."""
    faces = np.linspace(0.0, 1.0, cell_count + 1)
    inside = np.minimum(faces[1:], span[1]) - np.maximum(faces[:-1], span[0])
    share: FloatArray = np.clip(inside * cell_count, 0.0, 1.0)
    return share


def _shares(cell_count: int, span: tuple[float, float]) -> FloatArray:
    covered = coverage(cell_count, span)
    shares: FloatArray = covered / covered.sum()
    return shares


def _fan_pattern(spec: PrinterSpec) -> FloatArray:
    """Air speed's effect along the length: a bell around the nozzle's end, at most 1."""
    middles = (np.arange(spec.cell_count) + 0.5) / spec.cell_count
    effect: FloatArray = np.exp(-(((middles - spec.fan_centre) / spec.fan_width) ** 2))
    return effect


def cells_of(spec: PrinterSpec) -> FloatArray:
    """The chain's constants, one column per cell; rows as `physics.Cell` says."""
    count = spec.cell_count
    cells = np.zeros((len(Cell), count))
    pitch_m = spec.length_mm * 1e-3 / count
    section_m2 = spec.section_mm2 * 1e-6
    cells[Cell.CAPACITY] = spec.capacity_J_per_K / count
    cells[Cell.LINK, :-1] = spec.conductivity_W_per_mK * section_m2 / pitch_m
    cells[Cell.HEATING] = _shares(count, spec.heated)
    cells[Cell.SINK, 0] = spec.sink_W_per_K
    _add_surfaces(cells, spec)
    _add_bore(cells, spec)
    return cells


def _add_surfaces(cells: FloatArray, spec: PrinterSpec) -> None:
    area_m2 = spec.surface_mm2 * 1e-6 / spec.cell_count
    wrapped = coverage(spec.cell_count, spec.wrapped)
    bare_m2 = area_m2 * (1.0 - wrapped)
    skin_m2 = area_m2 * wrapped * spec.wrap_growth
    fan = spec.fan_W_per_m2_K * _fan_pattern(spec)
    cells[Cell.CONVECTION] = spec.convection_W_per_m2_K125 * bare_m2
    cells[Cell.RADIATION] = spec.emissivity * STEFAN_BOLTZMANN_W_per_m2_K4 * bare_m2
    cells[Cell.FAN] = fan * bare_m2
    cells[Cell.WRAP_CONVECTION] = spec.convection_W_per_m2_K125 * skin_m2
    cells[Cell.WRAP_RADIATION] = spec.wrap_emissivity * STEFAN_BOLTZMANN_W_per_m2_K4 * skin_m2
    cells[Cell.WRAP_FAN] = fan * skin_m2
    share = wrapped / wrapped.sum()
    cells[Cell.WRAP_LINK] = 2.0 * spec.wrap_W_per_K * share
    cells[Cell.LAYER_LINK] = 2.0 * spec.wrap_W_per_K * share
    # An unwrapped cell keeps a token insulation that nothing heats, so that no row is singular.
    layer_J_per_K = np.maximum(0.5 * spec.wrap_capacity_J_per_K * share, 1e-6)
    cells[Cell.INNER_CAPACITY] = layer_J_per_K
    cells[Cell.OUTER_CAPACITY] = layer_J_per_K
    bare = wrapped == 0.0
    cells[Cell.LAYER_LINK, bare] = 1e-9
    cells[Cell.WRAP_RADIATION, bare] = 1e-15


def _add_bore(cells: FloatArray, spec: PrinterSpec) -> None:
    """Contact of wall and filament: Nusselt number over the circumference, slug flow about 5.8."""
    zone = coverage(spec.cell_count, spec.melt_zone)
    zone_m = spec.length_mm * 1e-3 / spec.cell_count * zone
    cells[Cell.CONTACT] = math.pi * spec.nusselt * spec.filament_conductivity_W_per_mK * zone_m
    cells[Cell.BORE] = zone / zone.sum()


def env_of(spec: PrinterSpec) -> FloatArray:
    """Surroundings and filament, entries as `physics.Env` says."""
    env = np.zeros(len(Env))
    env[Env.AMBIENT_C] = spec.ambient_C
    env[Env.SINK_C] = env[Env.FEED_C] = spec.ambient_C + spec.sink_above_ambient_K
    env[Env.FALLOFF_per_K] = spec.heater_falloff_per_K
    env[Env.FILAMENT_J_per_mm3_K] = (
        spec.filament_heat_J_per_kg_K * spec.filament_density_kg_per_m3 * 1e-9
    )
    return env


def flow_limit_of(spec: PrinterSpec, wall_C: float) -> float:
    """Commanded flow at which 5 % is missing with the whole melt zone at `wall_C`, mm3/s."""
    start, end = spec.melt_zone
    return flow_limit_mm3_per_s(
        wall_C,
        feed_C=spec.ambient_C + spec.sink_above_ambient_K,
        melt_C=spec.softening_C,
        biot=spec.melt_biot,
        criterion=spec.melt_criterion,
        diffusivity_mm2_per_s=spec.filament_conductivity_W_per_mK
        / (spec.filament_density_kg_per_m3 * spec.filament_heat_J_per_kg_K)
        * 1e6,
        zone_mm=spec.length_mm * (end - start),
    )


@lru_cache(maxsize=256)
def flow_limits_of(spec: PrinterSpec) -> FloatArray:
    """Flow limit per kelvin from LIMIT_START_C on, mm3/s, for the kernel to interpolate."""
    walls = LIMIT_START_C + LIMIT_STEP_K * np.arange(LIMIT_COUNT)
    limits = np.array([flow_limit_of(spec, wall) for wall in walls])
    limits.setflags(write=False)
    return limits
