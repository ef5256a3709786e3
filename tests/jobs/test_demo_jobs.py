"""The invented demo jobs: beads as declared, what is drawn back is refilled, heater off at last."""

import itertools
import math
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from job_samples import demo_jobs, demo_wishes

from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits
from hotbench.jobs.rehearsal import rehearse

NAMES = ("vase", "bracket", "bridge-piece")


def test_there_are_three() -> None:
    assert tuple(demo_jobs()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_bead_has_the_declared_cross_section(name: str, maker: ModuleType) -> None:
    job = demo_jobs()[name]
    printing = job.kind == s.EXTRUDE
    volume_mm3 = job.net_mm[printing] * maker.AREA_MM2
    bead_mm2 = maker.LAYER_MM * maker.WIDTH_MM
    # Places are rounded to 1 µm and filament to 0.01 µm, so the tolerance is that of the places.
    expected = job.length_mm[printing] * bead_mm2
    np.testing.assert_allclose(volume_mm3, expected, atol=2e-3 * bead_mm2)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_drawn_back_is_refilled_and_melts_nothing_new(name: str) -> None:
    job = demo_jobs()[name]
    alone = job.kind == s.FILAMENT
    assert job.net_mm[alone].sum() == pytest.approx(0.0, abs=1e-9)
    assert job.fed_mm[alone].sum() == pytest.approx(0.0, abs=1e-9)
    assert job.fed_mm.sum() == pytest.approx(job.net_mm.sum())


@pytest.mark.parametrize("name", NAMES)
def test_everything_in_them_is_understood(name: str) -> None:
    job = demo_jobs()[name]
    assert job.unknown == {}
    assert job.unread_lines == 0
    assert set(np.diff(job.layer)) <= {0, 1}
    assert job.layer[-1] == len(np.unique(np.round(job.z_mm[job.kind == s.EXTRUDE], 3))) - 1


@pytest.mark.parametrize("name", NAMES)
def test_they_end_with_the_heater_and_the_fan_off(name: str) -> None:
    job = demo_jobs()[name]
    for kinds in ((s.SET_HEAT, s.SET_HEAT_WAIT), (s.SET_FAN,)):
        values = job.event_value[np.isin(job.event_kind, kinds)]
        assert values[-1] == 0.0


def test_the_wished_roles_are_printed_somewhere() -> None:
    printed = {
        job.role_names[role]
        for job in demo_jobs().values()
        for role in np.unique(job.role[job.kind == s.EXTRUDE])
    }
    assert set(demo_wishes().roles) <= printed


def test_the_script_writes_them_the_same_each_time(maker: ModuleType, tmp_path: Path) -> None:
    maker.main(tmp_path)
    first = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    maker.main(tmp_path)
    assert first == {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert len(first) >= len(NAMES)


def test_slow_and_fast_zones_make_the_vase_worth_a_schedule(limits: Limits) -> None:
    """Between its zones the flow changes by more than half, so one temperature suits neither."""
    found = rehearse(demo_jobs()["vase"], limits)
    flow = found.flow_mm3_per_s[found.job.kind == s.EXTRUDE]
    assert np.percentile(flow, 95) > 1.5 * np.percentile(flow, 5)


def test_rings_and_hatches_stay_within_what_they_are_asked(maker: ModuleType) -> None:
    points = list(maker.ring(40.0, 90, 3.0))
    radius = [math.dist(point, (100.0, 100.0)) for point in points]
    assert 37.0 - 1e-9 <= min(radius) <= max(radius) <= 43.0 + 1e-9
    assert points[0] == pytest.approx(points[-1])
    corner, size = (10.0, 20.0), (30.0, 12.0)
    for shape in (maker.box(corner, size), maker.lines(corner, size, 0.45)):
        for x, y in shape:
            assert corner[0] - 1e-9 <= x <= corner[0] + size[0] + 1e-9
            assert corner[1] - 1e-9 <= y <= corner[1] + size[1] + 1e-9
    box = list(maker.box(corner, size))
    around = sum(math.dist(a, b) for a, b in itertools.pairwise(box))
    assert around == pytest.approx(2.0 * sum(size))
