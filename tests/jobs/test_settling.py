from pathlib import Path

import numpy as np
import pytest

from hotbench.jobs.limits import limits_of, trail_of
from hotbench.jobs.stages import FREE, with_gaps
from hotbench.profile.types import MachineProfile
from hotbench.profile.yaml_io import read_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
LOW_C, HIGH_C = np.array([205.0, 225.0, 190.0]), np.array([211.0, 250.0, 250.0])
"""Bands of a cool role, a strong role and, last, of none."""


def with_level(level: object) -> MachineProfile:
    profile = read_profile(EXAMPLE)
    options = {**profile.provenance.options, "fault_deviation_K": level}
    provenance = profile.provenance.model_copy(update={"options": options})
    return profile.model_copy(update={"provenance": provenance})


def test_the_trail_is_the_stated_level_over_the_claimed_rate() -> None:
    profile = with_level(9.0)
    rates = [r.rate_K_per_s for r in profile.slew if r.direction == "heating" and r.coverage]
    assert trail_of(profile) == pytest.approx(9.0 / min(rates))
    assert limits_of(profile).trail_s == trail_of(profile)


@pytest.mark.parametrize("level", [None, "unknown"])
def test_without_a_stated_level_no_trail_is_known(level: object) -> None:
    assert trail_of(with_level(level)) == 0.0


def gaps(bands: list[int], settle_s: float) -> tuple[list[int], list[int], list[float]]:
    count = len(bands)
    arrays = (np.arange(count), np.array(bands), np.full(count, 4.0), LOW_C, HIGH_C)
    _, role, early, hold_s = with_gaps(*arrays, settle_s)
    return role.tolist(), early.tolist(), hold_s.tolist()


def test_a_band_is_not_left_where_there_is_no_time_to_settle_again() -> None:
    role, early, hold_s = gaps([0, FREE, 0], settle_s=10.0)
    assert [due for due, own in zip(early, role, strict=True) if own == FREE][1:] == [0, 0]
    assert max(hold_s) == 0.0


def test_a_far_band_is_held_before_its_surface_where_time_is_short() -> None:
    _, _, hold_s = gaps([1, FREE, 0], settle_s=10.0)
    assert hold_s.count(10.0) == 1


def test_free_time_serves_to_settle_where_there_is_enough() -> None:
    _, early, hold_s = gaps([1, FREE, FREE, FREE, 0], settle_s=8.0)
    assert max(hold_s) == 0.0
    assert early.count(0) == 3


@pytest.mark.parametrize("settle_s", [0.0, 4.0, 8.0])
def test_free_time_of_just_the_rest_leaves_none_for_the_ramp(settle_s: float) -> None:
    """Else the node between both bands would have to lie in both."""
    free = [FREE] * round(settle_s / 4.0)
    role, early, hold_s = gaps([1, *free, 0], settle_s)
    assert all(due == FREE for due in early)
    assert role.count(0) == 2
    assert max(hold_s) == settle_s
