import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.jobs.motion import (
    MotionLimits,
    corner_speed,
    limits_from,
    motion_figures,
    plan_motion,
    trapezoids,
)
from hotbench.jobs.scan import FILAMENT
from hotbench.jobs.timeline import read_timeline
from hotbench.profile.types import MachineMotion

LIMITS = MotionLimits(acceleration_mm_per_s2=1000.0, travel_acceleration_mm_per_s2=1000.0)


def durations(*lines: str, limits: MotionLimits = LIMITS) -> np.ndarray:
    return plan_motion(read_timeline("\n".join(lines).encode()), limits).duration_s


def test_a_long_move_is_a_trapezoid() -> None:
    # 100 mm at 100 mm/s from rest to rest: two ramps of 0.1 s and 5 mm, 90 mm cruising.
    (duration,) = durations("G1 X0 Y0 F6000", "G1 X100")
    assert duration == pytest.approx(0.1 + 0.9 + 0.1)


def test_a_short_move_is_a_triangle() -> None:
    (duration,) = durations("G1 X0 Y0 F60000", "G1 X10")
    assert duration == pytest.approx(2.0 * math.sqrt(10.0 / 1000.0))


def test_a_straight_line_in_pieces_takes_as_long_as_in_one() -> None:
    pieces = durations("G1 X0 Y0 F6000", *(f"G1 X{x}" for x in (1, 2, 7, 40, 99, 100)))
    assert pieces.sum() == pytest.approx(1.1)


def test_a_reversal_stops() -> None:
    assert durations("G1 X0 Y0 F6000", "G1 X100", "G1 X0").sum() == pytest.approx(2.2)


def test_a_square_corner_passes_at_the_speed_of_its_circle() -> None:
    # Circle that touches both legs of a right angle at 0.02 mm: r = d s / (1 - s), s = sin 45°.
    half = math.sin(math.pi / 4.0)
    corner = math.sqrt(1000.0 * 0.02 * half / (1.0 - half))
    ramps_s = (2.0 * 100.0 - corner) / 1000.0
    ramps_mm = (2.0 * 100.0**2 - corner**2) / 2000.0
    one = ramps_s + (100.0 - ramps_mm) / 100.0
    total = durations("G1 X0 Y0 F6000", "G1 X100", "G1 X100 Y100").sum()
    assert total == pytest.approx(2.0 * one)


def test_axis_limits_hold() -> None:
    limits = MotionLimits(vertical_speed_mm_per_s=10.0, filament_speed_mm_per_s=5.0)
    lines = ("G1 X0 Y0 Z0 F60000", "G1 Z20", "G1 E50", "G1 X100 Y0 E60")
    motion = plan_motion(read_timeline("\n".join(lines).encode()), limits)
    np.testing.assert_allclose(motion.cruise_mm_per_s, [10.0, 5.0, 50.0])


def test_an_arc_is_held_to_its_centripetal_acceleration() -> None:
    motion = plan_motion(read_timeline(b"G1 X0 Y0 F60000\nG3 X0 Y0 I0 J2\n"), LIMITS)
    assert motion.cruise_mm_per_s[0] == pytest.approx(math.sqrt(1000.0 * 2.0))


def test_dwells_take_their_time_and_feeds_can_be_replaced() -> None:
    job = read_timeline(b"G1 X0 Y0 F6000\nG1 X100\nG4 P1500\n")
    motion = plan_motion(job, LIMITS, np.array([50.0, math.inf]))
    assert motion.duration_s.tolist() == pytest.approx([0.05 + 1.95 + 0.05, 1.5])
    assert motion.total_s == pytest.approx(3.55)


def test_limits_must_be_positive() -> None:
    with pytest.raises(BadInput, match="corner_deviation_mm"):
        MotionLimits(corner_deviation_mm=0.0)
    with pytest.raises(BadInput, match="speed_mm_per_s"):
        MotionLimits(speed_mm_per_s=math.nan)


paths = st.lists(
    st.tuples(st.floats(0.05, 50.0), st.floats(1.0, 200.0), st.floats(0.0, 100.0)),
    min_size=1,
    max_size=40,
)


@given(paths)
def test_speeds_are_feasible_and_none_can_be_raised(path: list[tuple[float, float, float]]) -> None:
    length, top, corner = (np.array(column) for column in zip(*path, strict=True))
    acceleration = np.full(length.size, 800.0)
    duration, cruise = trapezoids(length, top, acceleration, corner)
    assert (cruise <= top * (1 + 1e-9)).all()
    assert (duration >= length / cruise * (1 - 1e-9)).all()
    # The largest feasible squared speeds are the fixed point of the three caps (both passes).
    cap = np.minimum(corner[1:], np.minimum(top[1:], top[:-1])) ** 2
    best = np.concatenate([[0.0], cap, [0.0]])
    for _ in range(length.size + 1):
        best[1:] = np.minimum(best[1:], best[:-1] + 1600.0 * length)
        best[:-1] = np.minimum(best[:-1], best[1:] + 1600.0 * length)
    peak = np.minimum(top, np.sqrt(0.5 * (best[1:] + best[:-1]) + 800.0 * length))
    v0, v1 = np.sqrt(best[:-1]), np.sqrt(best[1:])
    cruising = np.maximum(0.0, length - (2 * peak**2 - v0**2 - v1**2) / 1600.0) / peak
    np.testing.assert_allclose(duration, (2 * peak - v0 - v1) / 800.0 + cruising, rtol=1e-6)


def test_figures_come_from_the_option_then_the_profile_then_an_assumption() -> None:
    declared = MachineMotion(acceleration_mm_per_s2=1500.0, speed_mm_per_s=200.0)
    found = {f.name: f for f in motion_figures(declared, {"speed_mm_per_s": 120.0})}
    assert (found["speed_mm_per_s"].value, found["speed_mm_per_s"].basis) == (120.0, "stated")
    own = found["acceleration_mm_per_s2"]
    assert (own.value, own.basis) == (1500.0, "declared")
    assert found["corner_deviation_mm"].basis == "assumed"
    limits = limits_from(found.values())
    assert limits.speed_mm_per_s == 120.0
    assert limits.corner_deviation_mm == MotionLimits().corner_deviation_mm


def test_the_profile_can_declare_every_limit_and_nothing_else() -> None:
    assert set(MachineMotion.model_fields) == {item.name for item in fields(MotionLimits)}


def test_without_a_profile_everything_is_assumed() -> None:
    assert {figure.basis for figure in motion_figures()} == {"assumed"}
    assert limits_from(motion_figures()) == MotionLimits()


def test_unknown_motion_limits_name_the_nearest() -> None:
    with pytest.raises(BadInput, match="corner_deviation_mm"):
        motion_figures(None, {"corner_deviation": 0.1})


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_stated_motion_limits_must_be_positive(value: float) -> None:
    with pytest.raises(BadInput, match="must be positive"):
        limits_from(motion_figures(None, {"speed_mm_per_s": value}))


def test_corner_speed_is_that_of_the_circle_that_cuts_the_corner() -> None:
    # Right angle: the circle's arc passes the corner at r (sqrt(2) - 1), so r = d (1 + sqrt(2)).
    radius_mm = 0.02 * (1.0 + math.sqrt(2.0))
    assert corner_speed(0.0, 1000.0, 0.02) == pytest.approx(math.sqrt(1000.0 * radius_mm))
    assert corner_speed(1.0, 1000.0, 0.02) == math.inf
    assert corner_speed(-1.0, 1000.0, 0.02) == 0.0


@given(st.floats(-1.0, 0.999), st.floats(-1.0, 0.999))
def test_a_straighter_corner_is_never_slower(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert corner_speed(low, 1000.0, 0.02) <= corner_speed(high, 1000.0, 0.02)


steps = st.lists(
    st.tuples(
        st.sampled_from(["X", "XE", "E", "Z", "XZE", "G4"]), st.floats(0.1, 90.0),
        st.floats(60.0, 30_000.0),
    ),
    min_size=1, max_size=20,
)  # fmt: skip


@given(steps)
@settings(deadline=None)
def test_no_step_goes_beyond_its_axes_or_its_feed(job: list[tuple[str, float, float]]) -> None:
    lines, at = ["G1 X0 Y0 Z0 F600", "G1 X0.5"], dict.fromkeys("XZE", 0.5)
    for axes, way, feed in job:
        if axes == "G4":
            lines.append("G4 P100")
            continue
        for axis in axes:
            at[axis] += way
        words = " ".join(f"{axis}{at[axis]:.4f}" for axis in axes)
        lines.append(f"G1 {words} F{feed:.1f}")
    timeline = read_timeline("\n".join(lines).encode())
    motion = plan_motion(timeline, LIMITS)
    seconds = motion.duration_s - timeline.dwell_s
    assert (seconds >= 0.0).all()
    slack = 1.0 + 1e-9
    moving = timeline.kind <= FILAMENT
    path_mm = np.where(timeline.kind == FILAMENT, np.abs(timeline.fed_mm), timeline.length_mm)
    fastest = np.minimum(timeline.feed_mm_per_s, LIMITS.speed_mm_per_s)[moving]
    assert (path_mm[moving] <= seconds[moving] * fastest * slack).all()
    assert (np.abs(timeline.climb_mm) <= seconds * LIMITS.vertical_speed_mm_per_s * slack).all()
    assert (np.abs(timeline.fed_mm) <= seconds * LIMITS.filament_speed_mm_per_s * slack).all()
    assert motion.total_s == pytest.approx(motion.duration_s.sum())
