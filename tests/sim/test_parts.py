"""The board's small parts: move queue and pan."""

import math

import pytest

from hotbench.sim.pan import Pan
from hotbench.sim.planner import Planner


def test_moves_follow_each_other() -> None:
    planner = Planner(4)
    planner.add(10.0, 2.0, 5.0)
    planner.add(10.5, 1.0, 0.0)
    planner.add(11.0, 3.0, 7.0)
    flows = []
    while not planner.empty:
        flows.append((planner.next_change_s(), planner.flow_mm3_per_s))
        planner.catch_up(planner.next_change_s())
    assert flows == [(12.0, 5.0), (13.0, 0.0), (16.0, 7.0)]
    assert planner.flow_mm3_per_s == 0.0
    assert planner.next_change_s() == math.inf


def test_queue_fills_and_clears() -> None:
    planner = Planner(2)
    planner.add(0.0, 1.0, 1.0)
    assert not planner.full
    planner.add(0.0, 1.0, 1.0)
    assert planner.full
    planner.clear()
    assert planner.empty
    assert planner.flow_mm3_per_s == 0.0


def test_move_without_duration_is_gone_at_once() -> None:
    planner = Planner(2)
    planner.add(3.0, 0.0, 9.0)
    assert planner.empty


class Tap:
    """A stand-in for the nozzle."""

    def __init__(self) -> None:
        self.volume_mm3 = 0.0

    def __call__(self) -> float:
        return self.volume_mm3


def test_pan_weighs_what_fell() -> None:
    tap = Tap()
    pan = Pan(tap, 1.24e-3, 0.0, 0)
    tap.volume_mm3 = 1000.0
    assert pan.mass_g() == pytest.approx(1.24)
    tap.volume_mm3 = 1500.0
    assert pan.mass_g() == pytest.approx(1.86)


def test_one_factor_per_extrusion() -> None:
    tap = Tap()
    pan = Pan(tap, 1.0, 0.1, 7)
    pan.begin_extrusion()
    tap.volume_mm3 = 100.0
    first = pan.mass_g()
    tap.volume_mm3 = 200.0
    assert pan.mass_g() == pytest.approx(2.0 * first, abs=2e-3)
    pan.begin_extrusion()
    tap.volume_mm3 = 300.0
    assert pan.mass_g() - 2.0 * first != pytest.approx(first, rel=1e-3)
