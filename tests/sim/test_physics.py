import math

import numpy as np
import pytest
from ht import Nu_horizontal_cylinder_Churchill_Chu

from hotbench.core.arrays import FloatArray
from hotbench.sim import physics
from hotbench.sim.physics import Cell, Env, Field
from hotbench.sim.plant import cells_of, env_of
from hotbench.sim.printers import PRINTERS


def bare_chain(count: int, capacity_J_per_K: float, link_W_per_K: float) -> FloatArray:
    """A chain without insulation, heater or losses."""
    cells = np.zeros((len(Cell), count))
    cells[Cell.CAPACITY] = capacity_J_per_K
    cells[Cell.LINK, :-1] = link_W_per_K
    cells[Cell.INNER_CAPACITY] = cells[Cell.OUTER_CAPACITY] = 1e-6
    cells[Cell.LAYER_LINK], cells[Cell.WRAP_RADIATION] = 1e-9, 1e-15
    return cells


def surroundings(ambient_C: float, sink_C: float = 0.0) -> FloatArray:
    env = np.zeros(len(Env))
    env[Env.AMBIENT_C], env[Env.SINK_C] = ambient_C, sink_C
    return env


def run(
    cells: FloatArray,
    fields: FloatArray,
    env: FloatArray,
    duration_s: float,
    step_s: float,
    *,
    heater_W: float = 0.0,
    fan: float = 0.0,
    flow: float = 0.0,
) -> None:
    work = physics.workspace(fields.shape[1])
    for _ in range(round(duration_s / step_s)):
        physics.step(cells, fields, work, 1.0 / step_s, 0.5, heater_W, fan, flow, env)


def test_lumped_junction_of_incropera_example_5_1() -> None:
    """Incropera & DeWitt, example 5.1: 25 to 199 C in gas at 200 C takes 5.2 s (exact 5.165)."""
    diameter_m = 6.0 * 400.0 * 1.0 / (8500.0 * 400.0)  # from the time constant of 1 s
    cells = bare_chain(1, 8500.0 * 400.0 * math.pi * diameter_m**3 / 6.0, 0.0)
    cells[Cell.FAN] = 400.0 * math.pi * diameter_m**2
    fields = physics.uniform_fields(1, 25.0)
    env = surroundings(200.0)
    run(cells, fields, env, 5.16, 0.01, fan=1.0)
    before_C = fields[Field.CORE, 0]
    run(cells, fields, env, 0.01, 0.01, fan=1.0)
    after_C = fields[Field.CORE, 0]
    reached_s = 5.16 + 0.01 * (199.0 - before_C) / (after_C - before_C)
    assert reached_s == pytest.approx(5.165, abs=0.002)


def test_steady_conduction_is_linear() -> None:
    """Fourier's law: 3 W through 2 W/K per cell pair drops 1.5 K per cell."""
    cells = bare_chain(24, 1.0, 2.0)
    cells[Cell.HEATING, -1] = 1.0
    cells[Cell.SINK, 0] = 0.5
    fields = physics.uniform_fields(24, 20.0)
    physics.settle(cells, fields, surroundings(20.0, sink_C=20.0), 3.0, 0.0, 0.0)
    assert fields[Field.CORE, 0] == pytest.approx(26.0)
    assert np.diff(fields[Field.CORE]) == pytest.approx(np.full(23, 1.5))


def test_fin_with_adiabatic_tip() -> None:
    """Incropera & DeWitt, table 3.4 case B: tip excess over base excess is 1 / cosh(mL)."""
    count, mL = 400, 1.7
    link = 50.0 * count
    cells = bare_chain(count, 1.0, link)
    cells[Cell.FAN] = (mL / count) ** 2 * link
    cells[Cell.SINK, 0] = 1e9
    fields = physics.uniform_fields(count, 20.0)
    physics.settle(cells, fields, surroundings(20.0, sink_C=120.0), 0.0, 1.0, 0.0)
    tip_share = (fields[Field.CORE, -1] - 20.0) / 100.0
    assert tip_share == pytest.approx(1.0 / math.cosh(mL), rel=3e-3)


def test_cosine_profile_decays_at_its_own_rate() -> None:
    """The chain's slowest pattern decays with 4 g/C sin^2(pi / 2N) (discrete heat equation)."""
    count = 24
    cells = bare_chain(count, 0.1, 1.5)
    pattern = np.cos(math.pi * (np.arange(count) + 0.5) / count)
    fields = physics.uniform_fields(count, 100.0)
    fields[Field.CORE] += 10.0 * pattern
    run(cells, fields, surroundings(100.0), 2.0, 0.01)
    rate_per_s = 4.0 * 15.0 * math.sin(math.pi / (2 * count)) ** 2
    expected = 100.0 + 10.0 * math.exp(-2.0 * rate_per_s) * pattern
    assert fields[Field.CORE] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("name", PRINTERS)
def test_energy_balances(name: str) -> None:
    spec = PRINTERS[name]
    cells, env = cells_of(spec), env_of(spec)
    fields = physics.uniform_fields(spec.cell_count, spec.ambient_C)
    work = physics.workspace(spec.cell_count)
    step_s, gained_J, throughput_J = 0.01, 0.0, 0.0
    begun_J = physics.stored_J(cells, fields)
    flows = [_net_W(cells, fields, env, spec.heater_W)]
    for _ in range(3000):
        physics.step(cells, fields, work, 1.0 / step_s, 0.5, spec.heater_W, 0.7, 6.0, env)
        flows.append(_net_W(cells, fields, env, spec.heater_W))
        throughput_J += spec.heater_W * step_s
    gained_J = float(np.trapezoid(flows, dx=step_s))
    stored_J = physics.stored_J(cells, fields) - begun_J
    assert stored_J == pytest.approx(gained_J, abs=1e-4 * throughput_J)


def _net_W(cells: FloatArray, fields: FloatArray, env: FloatArray, heater_W: float) -> float:
    flows = physics.heat_flows_W(cells, fields, env, heater_W, 0.7, 6.0)
    return flows["heater"] - flows["surface"] - flows["sink"] - flows["filament"]


def test_steps_converge_with_second_order() -> None:
    spec = PRINTERS["swift-sleeve"]
    cells, env = cells_of(spec), env_of(spec)

    def final_C(step_s: float) -> FloatArray:
        fields = physics.uniform_fields(spec.cell_count, spec.ambient_C)
        run(cells, fields, env, 8.0, step_s, heater_W=spec.heater_W, fan=0.5)
        return fields[Field.CORE]

    exact = final_C(0.00125)
    coarse, fine = (np.max(np.abs(final_C(step_s) - exact)) for step_s in (0.04, 0.02))
    assert coarse < 1e-3
    assert coarse / fine == pytest.approx(4.0, rel=0.3)


@pytest.mark.parametrize("name", PRINTERS)
def test_long_run_reaches_the_steady_state(name: str) -> None:
    spec = PRINTERS[name]
    cells, env = cells_of(spec), env_of(spec)
    settled = physics.uniform_fields(spec.cell_count, 150.0)
    heater_W = 0.2 * spec.heater_W
    physics.settle(cells, settled, env, heater_W, 0.5, 4.0)
    walked = physics.uniform_fields(spec.cell_count, 150.0)
    run(cells, walked, env, 3000.0, 0.1, heater_W=heater_W, fan=0.5, flow=4.0)
    assert walked[Field.CORE] == pytest.approx(settled[Field.CORE], abs=0.05)
    net = physics.heat_flows_W(cells, settled, env, heater_W, 0.5, 4.0)
    assert net["heater"] == pytest.approx(net["surface"] + net["sink"] + net["filament"])


def test_surface_loss_slope_is_its_derivative() -> None:
    arguments = (24.0, 2e-3, 3e-11, 0.02)
    high, low = (physics.surface_loss(200.0 + d, *arguments)[0] for d in (1e-3, -1e-3))
    assert physics.surface_loss(200.0, *arguments)[1] == pytest.approx((high - low) / 2e-3)


def test_surface_loss_is_odd_in_convection() -> None:
    warm, _ = physics.surface_loss(34.0, 24.0, 1.0, 0.0, 0.0)
    cool, _ = physics.surface_loss(14.0, 24.0, 1.0, 0.0, 0.0)
    assert warm == pytest.approx(-cool)
    assert warm == pytest.approx(10.0**1.25)


def test_convection_is_of_the_size_of_a_published_correlation() -> None:
    """Churchill-Chu for a horizontal cylinder (library `ht`), 7 mm, 200 K, air at 395 K."""
    viscosity, conductivity, prandtl = 2.55e-5, 0.0331, 0.69
    grashof = 9.81 / 395.0 * 200.0 * 0.007**3 / viscosity**2
    h = Nu_horizontal_cylinder_Churchill_Chu(prandtl, grashof) * conductivity / 0.007
    spec = PRINTERS["swift-sleeve"]
    assert spec.convection_W_per_m2_K125 * 200.0**0.25 == pytest.approx(h, rel=0.25)


def test_filament_leaves_warmer_than_it_came_and_colder_than_the_wall() -> None:
    spec = PRINTERS["plain-block"]
    cells, env = cells_of(spec), env_of(spec)
    fields = physics.uniform_fields(spec.cell_count, 220.0)
    for flow in (1.0, 8.0, 25.0):
        taken_W = physics.heat_flows_W(cells, fields, env, 0.0, 0.0, flow)["filament"]
        exit_C = env[Env.FEED_C] + taken_W / (flow * env[Env.FILAMENT_J_per_mm3_K])
        # Plug flow along an isothermal wall: a single exponential of the number of transfer units.
        units = cells[Cell.CONTACT].sum() / (flow * env[Env.FILAMENT_J_per_mm3_K])
        expected_C = 220.0 - (220.0 - env[Env.FEED_C]) * math.exp(-units)
        assert exit_C == pytest.approx(expected_C)


def test_step_for_divides_the_period_and_respects_stiffness() -> None:
    cells = bare_chain(24, 0.01, 2.0)
    step_s = physics.step_for(cells, 0.1)
    assert (0.1 / step_s) == pytest.approx(round(0.1 / step_s))
    assert step_s * physics.fastest_rate_per_s(cells) <= physics.STIFFEST * (1.0 + 1e-9)
    assert physics.step_for(bare_chain(24, 10.0, 0.1), 0.1) == pytest.approx(0.02)
