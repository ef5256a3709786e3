"""From a description to arrays: areas, capacities, conductances, surroundings."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.sim.physics import Cell, Env
from hotbench.sim.plant import (
    LIMIT_COUNT,
    LIMIT_START_C,
    STEFAN_BOLTZMANN_W_per_m2_K4,
    cells_of,
    coverage,
    env_of,
    flow_limit_of,
    flow_limits_of,
)
from hotbench.sim.printers import PRINTERS, PrinterSpec

ALL = pytest.mark.parametrize("spec", PRINTERS.values(), ids=list(PRINTERS))


@given(st.integers(1, 60), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_coverage_adds_up_to_the_span(count: int, one: float, other: float) -> None:
    span = (min(one, other), max(one, other))
    share = coverage(count, span)
    assert np.all((share >= 0.0) & (share <= 1.0))
    assert share.sum() / count == pytest.approx(span[1] - span[0], abs=1e-12)
    inside = np.flatnonzero(share)
    assert inside.size == 0 or np.all(np.diff(inside) == 1)


@ALL
def test_conductance_of_the_whole_chain(spec: PrinterSpec) -> None:
    """Fourier: k A / L between the first and the last cell's middle."""
    links = cells_of(spec)[Cell.LINK]
    assert links[-1] == 0.0
    length_m = spec.length_mm * 1e-3 * (spec.cell_count - 1) / spec.cell_count
    whole = spec.conductivity_W_per_mK * spec.section_mm2 * 1e-6 / length_m
    assert 1.0 / np.sum(1.0 / links[:-1]) == pytest.approx(whole)


@ALL
def test_surfaces_are_bare_or_wrapped(spec: PrinterSpec) -> None:
    cells = cells_of(spec)
    wrapped = spec.wrapped[1] - spec.wrapped[0]
    skin_m2 = cells[Cell.WRAP_CONVECTION].sum() / spec.convection_W_per_m2_K125
    assert skin_m2 * 1e6 == pytest.approx(spec.surface_mm2 * wrapped * spec.wrap_growth)
    bare_m2 = cells[Cell.RADIATION].sum() / spec.emissivity / STEFAN_BOLTZMANN_W_per_m2_K4
    assert bare_m2 * 1e6 == pytest.approx(spec.surface_mm2 * (1.0 - wrapped))


def test_stefan_boltzmann_constant() -> None:
    """CODATA 2018: 2 pi^5 k^4 / (15 h^3 c^2), with the exact k, h and c of the SI."""
    k, h, c = 1.380649e-23, 6.62607015e-34, 299_792_458.0
    exact = 2.0 * math.pi**5 * k**4 / (15.0 * h**3 * c**2)
    assert exact == pytest.approx(STEFAN_BOLTZMANN_W_per_m2_K4, rel=1e-9)


@ALL
def test_fan_blows_at_the_nozzle_and_never_above_its_figure(spec: PrinterSpec) -> None:
    cells = cells_of(spec)
    bare = cells[Cell.CONVECTION] > 0.0
    per_m2 = cells[Cell.FAN, bare] / cells[Cell.CONVECTION, bare] * spec.convection_W_per_m2_K125
    assert np.max(per_m2) <= spec.fan_W_per_m2_K
    assert np.max(per_m2) == pytest.approx(spec.fan_W_per_m2_K, rel=0.02)
    assert per_m2[0] < 0.05 * per_m2[-1]


@ALL
def test_only_the_first_cell_meets_the_cold_side(spec: PrinterSpec) -> None:
    sink = cells_of(spec)[Cell.SINK]
    assert sink[0] == spec.sink_W_per_K
    assert not np.any(sink[1:])


@ALL
def test_contact_is_nusselt_over_the_zone(spec: PrinterSpec) -> None:
    """h pi D L with h = Nu k / D: the diameter cancels."""
    start, end = spec.melt_zone
    zone_m = spec.length_mm * 1e-3 * (end - start)
    whole = math.pi * spec.nusselt * spec.filament_conductivity_W_per_mK * zone_m
    cells = cells_of(spec)
    assert cells[Cell.CONTACT].sum() == pytest.approx(whole)
    outside = (np.arange(spec.cell_count) + 1.0) / spec.cell_count <= start
    assert not np.any(cells[Cell.CONTACT, outside])


def test_slug_flow_nusselt_number() -> None:
    """Constant wall temperature, slug flow: the first root of J0 squared, 5.78319."""
    assert PRINTERS["swift-sleeve"].nusselt == pytest.approx(2.404826**2, rel=0.005)


@ALL
def test_no_row_is_singular(spec: PrinterSpec) -> None:
    cells = cells_of(spec)
    for row in (Cell.CAPACITY, Cell.INNER_CAPACITY, Cell.OUTER_CAPACITY, Cell.LAYER_LINK):
        assert np.all(cells[row] > 0.0)
    assert np.all(cells >= 0.0)


@pytest.mark.parametrize("count", [6, 24, 48])
def test_totals_do_not_depend_on_the_number_of_cells(count: int) -> None:
    spec = PRINTERS["plain-block"]
    coarse, fine = cells_of(spec), cells_of(replace(spec, cell_count=count))
    for row in (Cell.CAPACITY, Cell.CONVECTION, Cell.RADIATION, Cell.CONTACT, Cell.SINK):
        assert fine[row].sum() == pytest.approx(coarse[row].sum())


@ALL
def test_surroundings(spec: PrinterSpec) -> None:
    env = env_of(spec)
    assert env[Env.AMBIENT_C] == spec.ambient_C
    assert env[Env.SINK_C] == env[Env.FEED_C] == spec.ambient_C + spec.sink_above_ambient_K
    # 1.24 g/cm3 and 1.8 J/gK are 2.232 mJ/mm3K.
    assert env[Env.FILAMENT_J_per_mm3_K] == pytest.approx(2.232e-3)


@ALL
def test_the_table_of_limits_agrees_with_the_formula(spec: PrinterSpec) -> None:
    limits = flow_limits_of(spec)
    assert limits.shape == (LIMIT_COUNT,)
    assert np.all(np.diff(limits) >= 0.0)
    walls_C = LIMIT_START_C + np.arange(LIMIT_COUNT)
    assert not np.any(limits[walls_C <= spec.softening_C])
    for wall_C in (160.0, 220.0, 300.0):
        assert limits[int(wall_C - LIMIT_START_C)] == flow_limit_of(spec, wall_C)
    with pytest.raises(ValueError, match="read-only"):
        limits[0] = 1.0


def test_limit_of_a_hand_computed_printer() -> None:
    """One-term series, isothermal wall (A 1.60197, lambda 2.40483): Q = pi a L / Fo.

    Wall 225, feed 25, softening 125: wanted excess 0.5, Fo = ln(1.60197 / 0.5) / 2.40483^2.
    """
    spec = replace(
        PRINTERS["swift-sleeve"],
        ambient_C=19.0,
        sink_above_ambient_K=6.0,
        melt_biot=1e9,
        melt_zone=(0.0, 1.0),
        length_mm=20.0,
    )
    fo = math.log(1.60197 / 0.5) / 2.40483**2
    diffusivity_mm2_per_s = 0.13 / (1240.0 * 1800.0) * 1e6
    expected = math.pi * diffusivity_mm2_per_s * 20.0 / fo
    assert flow_limit_of(spec, 225.0) == pytest.approx(expected, rel=0.006)
