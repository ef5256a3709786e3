import dataclasses

import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.sim.loop import Trace
from hotbench.sim.physics import Cell
from hotbench.sim.plant import cells_of, coverage
from hotbench.sim.printers import PRINTERS, SPREAD, TUNING_SPREAD, printer, randomised
from hotbench.sim.rig import Rig


def test_unknown_name_gets_one_line_with_a_guess() -> None:
    with pytest.raises(BadInput, match="did you mean 'plain-block'"):
        printer("plain-blok")


@pytest.mark.parametrize("name", PRINTERS)
def test_relatives_repeat_and_differ(name: str) -> None:
    assert randomised(name, 3) == randomised(name, 3)
    assert randomised(name, 3) != randomised(name, 4)
    assert randomised(name, 3).name == name


def test_relatives_stay_in_their_range() -> None:
    base = PRINTERS["plain-block"]
    relatives = [randomised("plain-block", seed) for seed in range(300)]
    for key, half_width in SPREAD.items():
        factors = np.array([getattr(spec, key) for spec in relatives]) / getattr(base, key)
        edge = 1.0 + half_width
        assert np.all((factors >= 1.0 / edge - 1e-12) & (factors <= edge + 1e-12))
        assert np.std(np.log(factors)) == pytest.approx(np.log(edge) / np.sqrt(3.0), rel=0.15)


def test_gain_follows_power_over_capacity() -> None:
    base, spec = PRINTERS["swift-sleeve"], randomised("swift-sleeve", 11)
    speed = (spec.heater_W / spec.capacity_J_per_K) / (base.heater_W / base.capacity_J_per_K)
    tuning = spec.gain_per_K / base.gain_per_K * speed
    assert abs(np.log(tuning)) <= np.log1p(TUNING_SPREAD) + 1e-12


@pytest.mark.parametrize("name", PRINTERS)
def test_relatives_are_usable_printers(name: str) -> None:
    for seed in range(12):
        rig = Rig(randomised(name, seed), seed)
        rig.set_fan(1.0)
        rig.settle_at(255.0)
        rig.set_target(225.0)
        trace = rig.run(240.0)
        late = trace[len(trace) // 2 :, Trace.SENSOR_C]
        assert abs(np.mean(late) - 225.0) < 0.5
        assert np.std(late) < 1.5


@pytest.mark.parametrize("name", PRINTERS)
def test_cells_add_up_to_the_whole(name: str) -> None:
    spec = PRINTERS[name]
    cells = cells_of(spec)
    assert cells[Cell.CAPACITY].sum() == pytest.approx(spec.capacity_J_per_K)
    assert cells[Cell.HEATING].sum() == pytest.approx(1.0)
    assert cells[Cell.BORE].sum() == pytest.approx(1.0)
    layers = cells[Cell.INNER_CAPACITY].sum() + cells[Cell.OUTER_CAPACITY].sum()
    assert layers == pytest.approx(spec.wrap_capacity_J_per_K, rel=1e-3)
    through = 1.0 / (1.0 / cells[Cell.WRAP_LINK].sum() + 1.0 / cells[Cell.LAYER_LINK].sum())
    assert through == pytest.approx(spec.wrap_W_per_K, rel=1e-3)
    area_mm2 = cells[Cell.CONVECTION].sum() / spec.convection_W_per_m2_K125 * 1e6
    bare = 1.0 - (spec.wrapped[1] - spec.wrapped[0])
    assert area_mm2 == pytest.approx(spec.surface_mm2 * bare)


def test_coverage_splits_border_cells() -> None:
    assert coverage(4, (0.125, 0.75)) == pytest.approx([0.5, 1.0, 1.0, 0.0])


def test_specs_are_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        PRINTERS["long-melt"].heater_W = 1.0  # type: ignore[misc]
