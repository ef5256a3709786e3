"""Dips that are too short, and setpoint rows, on random jobs."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import make_random_job

from hotbench.jobs import scan as s
from hotbench.jobs.emit import LEAD_K, schedule_rows
from hotbench.jobs.limits import Limits
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.schedule import plan_schedule
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.too_short import SHOWN
from hotbench.jobs.wishes import Wish, Wishes

QUICK = settings(max_examples=25, deadline=None)
WISHES = {"cool": Wish(high_C=203.0), "strong": Wish(low_C=228.0, high_C=240.0)}
ROLES = CommentPatterns({name: f"role: {name}" for name in ("cool", "strong", "free")})


def wishes_of(job: Timeline) -> Wishes:
    return Wishes({name: wish for name, wish in WISHES.items() if name in job.role_names})


@QUICK
@given(st.integers(0, 100_000))
def test_named_dips_are_short_of_time_worst_first_and_where_they_say(
    limits: Limits, seed: int
) -> None:
    job = make_random_job(seed)
    schedule = plan_schedule(job, limits, wishes_of(job))
    dips = schedule.too_short
    assert len(dips) == min(schedule.too_short_count, SHOWN)
    missing_s = [dip.shortest_s - dip.has_s for dip in dips]
    assert all(gap > 0.0 for gap in missing_s)
    assert missing_s == sorted(missing_s, reverse=True)
    for dip in dips:
        steps = np.flatnonzero(job.line == dip.line)
        assert dip.role in WISHES
        assert dip.role in {job.role_names[k] for k in job.role[steps]}
        assert 0.0 <= dip.time_s <= schedule.costs.schedule_s


def strokes(count: int, role: str) -> list[str]:
    moves = [f"G1 X{10 * ((k + 1) % 2)} E0.05 F1200" for k in range(count)]
    return [f"; role: {role}", *moves]


@pytest.mark.parametrize("between", [2, 20, 60, 120, 240, 400])
def test_time_is_lost_just_where_a_dip_is_named(limits: Limits, between: int) -> None:
    """Little flow, so that only ramps can cost time; strokes of half a second each."""
    lines = ["M83", "M109 S230", "G1 X0 Y0 F6000"]
    for role, count in (("strong", 20), ("free", between), ("cool", 20), ("free", between)):
        lines += strokes(count, role)
    job = read_timeline("\n".join([*lines, *strokes(20, "strong")]).encode(), ROLES)
    schedule = plan_schedule(job, limits, Wishes(WISHES))
    lost_s = schedule.costs.schedule_s - schedule.costs.job_s
    named = [dip for dip in schedule.too_short if dip.role == "cool"]
    # From 230 inside the guard to 201 at 0.5 to 1 K/s, and three lags of rest.
    if between <= 20:
        assert lost_s > 10.0
        assert named
    if between >= 240:
        assert lost_s == pytest.approx(0.0, abs=0.01)
        assert not schedule.too_short
    assert (lost_s > 0.5) == bool(schedule.too_short)


@QUICK
@given(st.integers(0, 100_000), st.sampled_from([0.3, 0.5, 1.0, 2.0]))
def test_rows_come_in_order_and_keep_near_the_plan(
    limits: Limits, seed: int, quantum_K: float
) -> None:
    job = make_random_job(seed)
    schedule = plan_schedule(job, limits, wishes_of(job))
    rows = schedule_rows(schedule, quantum_K)
    assert rows[0].command.startswith("M109 S")
    assert all(row.command[:4] in ("M104", "G4 P") for row in rows[1:])
    assert [row.time_s for row in rows] == sorted(row.time_s for row in rows)
    assert [row.line for row in rows] == sorted(row.line for row in rows)
    set_C = [float(row.command[6:]) for row in rows if row.command.startswith("M10")]
    low_C, high_C = schedule.wanted.node_C.min(), schedule.wanted.node_C.max()
    assert low_C - LEAD_K <= min(set_C) <= max(set_C) <= high_C + LEAD_K
    paused_s = sum(float(row.command[4:]) for row in rows if row.command.startswith("G4")) / 1e3
    assert paused_s >= schedule.pause_s.sum() - 1e-6
    assert paused_s <= schedule.pause_s.sum() + 1e-3 * len(rows)


@QUICK
@given(st.integers(0, 100_000))
def test_a_schedule_keeps_what_is_printed(limits: Limits, seed: int) -> None:
    """Feeds only fall, moves without plastic keep theirs, volume and order stay."""
    job = make_random_job(seed)
    schedule = plan_schedule(job, limits, wishes_of(job))
    assert (schedule.feed_mm_per_s <= job.feed_mm_per_s * (1.0 + 1e-9)).all()
    idle = job.kind != s.EXTRUDE
    np.testing.assert_array_equal(schedule.feed_mm_per_s[idle], job.feed_mm_per_s[idle])
    assert (schedule.pause_s >= 0.0).all()
    steps = slice(*schedule.span)
    ends_s = schedule.start_s[steps] + schedule.motion.duration_s[steps]
    assert (schedule.start_s[steps][1:] >= ends_s[:-1] - 1e-6).all()
    # A pause that the last stage's ramp would need counts, though nothing is printed after it.
    assert ends_s[-1] <= schedule.costs.schedule_s + 1e-6
    assert math.isclose(float(schedule.wanted.node_time_s[-1]), schedule.costs.schedule_s)
