"""Heat flow in a hot end: an axial chain of cells in two insulation layers, compiled."""

from enum import IntEnum

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray

KELVIN = 273.15
LONGEST_STEP_s = 0.02
STIFFEST = 8.0
"""Largest product of the chain's fastest rate and the step: beyond it the fastest pattern rings."""
REFERENCE_C = 25.0


class Cell(IntEnum):
    """Rows of the `cells` array, one column per cell from the filament's entrance to its exit."""

    CAPACITY = 0  # J/K
    LINK = 1  # W/K to the next cell
    HEATING = 2  # share of the heater's power
    CONVECTION = 3  # W/K^1.25, bare surface
    RADIATION = 4  # W/K^4, bare surface
    FAN = 5  # W/K at full fan effect, bare surface
    SINK = 6  # W/K to the cold side
    WRAP_LINK = 7  # W/K into the insulation
    LAYER_LINK = 8  # W/K between the insulation's layers
    INNER_CAPACITY = 9  # J/K
    OUTER_CAPACITY = 10  # J/K
    WRAP_CONVECTION = 11  # W/K^1.25, insulation surface
    WRAP_RADIATION = 12  # W/K^4
    WRAP_FAN = 13  # W/K
    CONTACT = 14  # W/K between bore wall and filament
    BORE = 15  # share of the cell in the melt zone's mean temperature


class Env(IntEnum):
    """Entries of the `env` array."""

    AMBIENT_C = 0
    SINK_C = 1
    FEED_C = 2
    FALLOFF_per_K = 3
    FILAMENT_J_per_mm3_K = 4


class Field(IntEnum):
    """Rows of the temperature array, C."""

    CORE = 0
    INNER = 1
    OUTER = 2


class _Work(IntEnum):
    RIGHT = 0
    DIAGONAL = 1
    INNER_RIGHT = 2
    INNER_DIAGONAL = 3
    OUTER_RIGHT = 4
    OUTER_DIAGONAL = 5
    BORE_W = 6
    BORE_SLOPE = 7


def workspace(cell_count: int) -> FloatArray:
    """Scratch rows for `step`."""
    return np.zeros((len(_Work), cell_count))


def uniform_fields(cell_count: int, temperature_C: float) -> FloatArray:
    """Temperatures of core and insulation, all at `temperature_C`; shape (3, cell_count)."""
    return np.full((len(Field), cell_count), temperature_C)


@njit(cache=True)
def surface_loss(
    temperature_C: float, ambient_C: float, convection: float, radiation: float, fan_W_per_K: float
) -> tuple[float, float]:
    """Loss of a surface, W, and its slope, W/K.

    Free convection with h proportional to the excess temperature to the power 0.25 (laminar,
    Incropera & DeWitt ch. 9), grey radiation to large surroundings, forced air linear in excess.
    """
    excess = temperature_C - ambient_C
    root = np.sqrt(np.sqrt(abs(excess)))
    hot, cold = temperature_C + KELVIN, ambient_C + KELVIN
    loss = convection * root * excess + radiation * (hot**4 - cold**4) + fan_W_per_K * excess
    return loss, 1.25 * convection * root + 4.0 * radiation * hot**3 + fan_W_per_K


@njit(cache=True)
def bore_heat(
    cells: FloatArray, core: FloatArray, flow_mm3_per_s: float, env: FloatArray, work: FloatArray
) -> None:
    """Heat taken by the filament from each cell, W, marched along the bore at its mixed mean."""
    stream = flow_mm3_per_s * env[Env.FILAMENT_J_per_mm3_K]
    filament_C = env[Env.FEED_C]
    for i in range(core.size):
        if stream <= 0.0:
            work[_Work.BORE_W, i] = work[_Work.BORE_SLOPE, i] = 0.0
            continue
        share = stream * -np.expm1(-cells[Cell.CONTACT, i] / stream)
        work[_Work.BORE_SLOPE, i] = share
        work[_Work.BORE_W, i] = share * (core[i] - filament_C)
        filament_C += work[_Work.BORE_W, i] / stream


@njit(cache=True)
def _conduct(cells: FloatArray, core: FloatArray, i: int) -> tuple[float, float]:
    gain, slope = 0.0, 0.0
    if i > 0:
        gain += cells[Cell.LINK, i - 1] * (core[i - 1] - core[i])
        slope += cells[Cell.LINK, i - 1]
    if i < core.size - 1:
        gain += cells[Cell.LINK, i] * (core[i + 1] - core[i])
        slope += cells[Cell.LINK, i]
    return gain, slope


@njit(cache=True)
def _heat(cells: FloatArray, core: FloatArray, i: int, heater_W: float, falloff: float) -> float:
    return (
        heater_W * cells[Cell.HEATING, i] / (1.0 + falloff * (core[i] - REFERENCE_C))
        if heater_W > 0.0
        else 0.0
    )


@njit(cache=True)
def _core_row(
    cells: FloatArray,
    fields: FloatArray,
    work: FloatArray,
    i: int,
    heater_W: float,
    fan: float,
    env: FloatArray,
) -> tuple[float, float]:
    """Net power into a core cell, W, and minus its slope, W/K."""
    core = fields[Field.CORE]
    falloff = env[Env.FALLOFF_per_K]
    gain, slope = _conduct(cells, core, i)
    loss, loss_slope = surface_loss(
        core[i],
        env[Env.AMBIENT_C],
        cells[Cell.CONVECTION, i],
        cells[Cell.RADIATION, i],
        cells[Cell.FAN, i] * fan,
    )
    heat = _heat(cells, core, i, heater_W, falloff)
    sink = cells[Cell.SINK, i]
    wrap = cells[Cell.WRAP_LINK, i]
    gain += heat - loss - work[_Work.BORE_W, i] - sink * (core[i] - env[Env.SINK_C])
    gain -= wrap * (core[i] - fields[Field.INNER, i])
    slope += loss_slope + sink + wrap + work[_Work.BORE_SLOPE, i]
    slope += heat * falloff / (1.0 + falloff * (core[i] - REFERENCE_C))
    return gain, slope


@njit(cache=True)
def _assemble(
    cells: FloatArray,
    fields: FloatArray,
    work: FloatArray,
    inverse_dt: float,
    lean: float,
    heater_W: float,
    fan: float,
    env: FloatArray,
) -> None:
    """Right side and diagonal of the three cell families, insulation eliminated into the core."""
    for i in range(fields.shape[1]):
        gain, slope = _core_row(cells, fields, work, i, heater_W, fan, env)
        wrap, layer = cells[Cell.WRAP_LINK, i], cells[Cell.LAYER_LINK, i]
        inner_C, outer_C = fields[Field.INNER, i], fields[Field.OUTER, i]
        loss, loss_slope = surface_loss(
            outer_C,
            env[Env.AMBIENT_C],
            cells[Cell.WRAP_CONVECTION, i],
            cells[Cell.WRAP_RADIATION, i],
            cells[Cell.WRAP_FAN, i] * fan,
        )
        outer_diagonal = cells[Cell.OUTER_CAPACITY, i] * inverse_dt + lean * (layer + loss_slope)
        outer_right = layer * (inner_C - outer_C) - loss
        inner_diagonal = cells[Cell.INNER_CAPACITY, i] * inverse_dt + lean * (wrap + layer)
        inner_right = wrap * (fields[Field.CORE, i] - inner_C) - layer * (inner_C - outer_C)
        inner_diagonal -= (lean * layer) ** 2 / outer_diagonal
        inner_right += lean * layer * outer_right / outer_diagonal
        diagonal = cells[Cell.CAPACITY, i] * inverse_dt + lean * slope
        work[_Work.DIAGONAL, i] = diagonal - (lean * wrap) ** 2 / inner_diagonal
        work[_Work.RIGHT, i] = gain + lean * wrap * inner_right / inner_diagonal
        work[_Work.INNER_DIAGONAL, i] = inner_diagonal
        work[_Work.INNER_RIGHT, i] = inner_right
        work[_Work.OUTER_DIAGONAL, i] = outer_diagonal
        work[_Work.OUTER_RIGHT, i] = outer_right


@njit(cache=True)
def _sweep(cells: FloatArray, work: FloatArray, lean: float) -> None:
    """Solve the chain's tridiagonal system in place; the changes replace the right side."""
    right, diagonal = work[_Work.RIGHT], work[_Work.DIAGONAL]
    for i in range(1, right.size):
        ratio = lean * cells[Cell.LINK, i - 1] / diagonal[i - 1]
        diagonal[i] -= ratio * lean * cells[Cell.LINK, i - 1]
        right[i] += ratio * right[i - 1]
    right[-1] /= diagonal[-1]
    for i in range(right.size - 2, -1, -1):
        right[i] = (right[i] + lean * cells[Cell.LINK, i] * right[i + 1]) / diagonal[i]


@njit(cache=True)
def _apply(cells: FloatArray, fields: FloatArray, work: FloatArray, lean: float) -> None:
    for i in range(fields.shape[1]):
        core = work[_Work.RIGHT, i]
        wrap, layer = cells[Cell.WRAP_LINK, i], cells[Cell.LAYER_LINK, i]
        inner = (work[_Work.INNER_RIGHT, i] + lean * wrap * core) / work[_Work.INNER_DIAGONAL, i]
        outer = (work[_Work.OUTER_RIGHT, i] + lean * layer * inner) / work[_Work.OUTER_DIAGONAL, i]
        fields[Field.CORE, i] += core
        fields[Field.INNER, i] += inner
        fields[Field.OUTER, i] += outer


@njit(cache=True)
def step(
    cells: FloatArray,
    fields: FloatArray,
    work: FloatArray,
    inverse_dt: float,
    lean: float,
    heater_W: float,
    fan: float,
    flow_mm3_per_s: float,
    env: FloatArray,
) -> None:
    """Advance all temperatures by one linearly implicit step.

    lean 0.5 is the second-order one-stage Rosenbrock step (stable at any step); lean 1 with
    inverse_dt 0 is one Newton iteration towards the steady state. Fan is the fan's effect 0..1.
    """
    bore_heat(cells, fields[Field.CORE], flow_mm3_per_s, env, work)
    _assemble(cells, fields, work, inverse_dt, lean, heater_W, fan, env)
    _sweep(cells, work, lean)
    _apply(cells, fields, work, lean)


def settle(
    cells: FloatArray,
    fields: FloatArray,
    env: FloatArray,
    heater_W: float,
    fan: float,
    flow_mm3_per_s: float,
) -> None:
    """Bring `fields` to the steady state of constant inputs (Newton, to 1e-9 K).

    Raises ArithmeticError when it does not settle.
    """
    work = workspace(fields.shape[1])
    for _ in range(200):
        before = fields.copy()
        step(cells, fields, work, 0.0, 1.0, heater_W, fan, flow_mm3_per_s, env)
        if np.max(np.abs(fields - before)) < 1e-9:
            return
    raise ArithmeticError("the steady state was not reached")


def fastest_rate_per_s(cells: FloatArray) -> float:
    """Upper bound of the chain's fastest relaxation (Gershgorin)."""
    link = cells[Cell.LINK]
    both = link.copy()
    both[1:] += link[:-1]
    return float(np.max(2.0 * both / cells[Cell.CAPACITY]))


def step_for(cells: FloatArray, period_s: float) -> float:
    """The longest whole fraction of `period_s` that resolves the chain's fastest pattern."""
    longest = min(LONGEST_STEP_s, STIFFEST / fastest_rate_per_s(cells))
    return period_s / int(np.ceil(period_s / longest - 1e-9))


def heat_flows_W(
    cells: FloatArray,
    fields: FloatArray,
    env: FloatArray,
    heater_W: float,
    fan: float,
    flow_mm3_per_s: float,
) -> dict[str, float]:
    """Heater, surface, sink and filament power, W, at the present temperatures."""
    core = fields[Field.CORE]
    work = workspace(core.size)
    bore_heat(cells, core, flow_mm3_per_s, env, work)
    rows = range(core.size)
    ambient_C, falloff = env[Env.AMBIENT_C], env[Env.FALLOFF_per_K]
    bare = (Cell.CONVECTION, Cell.RADIATION, Cell.FAN)
    wrap = (Cell.WRAP_CONVECTION, Cell.WRAP_RADIATION, Cell.WRAP_FAN)
    surface = 0.0
    for field, (convection, radiation, forced) in ((Field.CORE, bare), (Field.OUTER, wrap)):
        surface += sum(
            surface_loss(
                fields[field, i],
                ambient_C,
                cells[convection, i],
                cells[radiation, i],
                cells[forced, i] * fan,
            )[0]
            for i in rows
        )
    return {
        "heater": sum(_heat(cells, core, i, heater_W, falloff) for i in rows),
        "surface": surface,
        "sink": float(np.sum(cells[Cell.SINK] * (core - env[Env.SINK_C]))),
        "filament": float(np.sum(work[_Work.BORE_W])),
    }


def stored_J(cells: FloatArray, fields: FloatArray) -> float:
    """Heat content above 0 C of core and insulation."""
    capacities = cells[[Cell.CAPACITY, Cell.INNER_CAPACITY, Cell.OUTER_CAPACITY]]
    return float(np.sum(capacities * fields))
