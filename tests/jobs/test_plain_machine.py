"""The compiled reader against a plain machine written for the tests, on random programs."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from plain_gcode import Machine, programs

from hotbench.jobs import scan as s
from hotbench.jobs.emit import schedule_rows
from hotbench.jobs.limits import Limits
from hotbench.jobs.motion import DEFAULT_LIMITS, plan_motion
from hotbench.jobs.rewrite import restore, rewrite, verify
from hotbench.jobs.schedule import plan_schedule
from hotbench.jobs.timeline import Timeline, read_timeline

MANY = settings(max_examples=300, deadline=None)
SOME = settings(max_examples=40, deadline=None)
PATHS = ("length_mm", "fed_mm", "net_mm", "climb_mm", "feed_mm_per_s", "dwell_s", "kind")


def same(one: Timeline, other: Timeline) -> None:
    for name in PATHS:
        np.testing.assert_allclose(
            getattr(one, name), getattr(other, name), rtol=1e-9, atol=1e-6, err_msg=name
        )


@MANY
@given(programs())
@example("G92 X0 Y0 Z0 E0\nG1 F60\nG20\nG91\nG3 X0 Y0 I1 J0\nG1 X1\n")
@example("G92 X0 Y0 Z0 E0\nG1 F60\nG2\nG92 E5\nG1 X1 E5\nM83\nG91\nX1 E.5\n")
def test_random_programs_read_as_the_plain_machine_does(text: str) -> None:
    plain, job = Machine().run(text), read_timeline(text.encode())
    dwell = job.kind == s.DWELL
    assert [kind == "dwell" for kind, *_ in plain.out] == dwell.tolist()
    size = [value for _, value, _, _ in plain.out]
    np.testing.assert_allclose(np.where(dwell, job.dwell_s, job.length_mm), size, atol=1e-4)
    np.testing.assert_allclose(job.fed_mm, [fed for _, _, fed, _ in plain.out], atol=1e-6)
    moving = ~dwell
    feeds = np.array([feed for *_, feed in plain.out])
    np.testing.assert_allclose(job.feed_mm_per_s[moving], feeds[moving])
    heat = job.event_kind == s.SET_HEAT
    assert job.event_value[heat].tolist() == plain.heat
    np.testing.assert_allclose(job.event_value[job.event_kind == s.SET_FAN], plain.fan)
    assert not job.unknown


@SOME
@given(programs())
def test_newly_melted_filament_never_exceeds_what_was_fed(text: str) -> None:
    job = read_timeline(text.encode())
    reached = np.maximum.accumulate(np.append(0.0, np.cumsum(job.fed_mm)))
    np.testing.assert_allclose(job.net_mm, np.diff(reached), atol=1e-6)
    assert ((job.kind == s.EXTRUDE) <= (job.net_mm > 0.0)).all()


@SOME
@given(programs(), st.sampled_from(["\n", "\r\n"]))
def test_line_ends_and_blank_lines_change_nothing(text: str, end: str) -> None:
    changed = "\ufeff" + text.replace("\n", end + end)
    same(read_timeline(changed.encode()), read_timeline(text.encode()))


@SOME
@given(programs())
def test_relative_extrusion_is_the_same_job(text: str) -> None:
    """Every block of the plain machine said again in mm, relative, filament relative."""
    job = read_timeline(text.encode())
    keep = (job.kind == s.TRAVEL) | (job.kind == s.EXTRUDE) | (job.kind == s.FILAMENT)
    lines = ["M83", "G91", "G1 F1200"]
    for length, fed, feed in zip(
        job.length_mm[keep], job.fed_mm[keep], job.feed_mm_per_s[keep], strict=True
    ):
        lines.append(f"G1 X{length:.12f} E{fed:.12f} F{feed * 60.0:.7f}")
    again = read_timeline("\n".join(lines).encode())
    np.testing.assert_allclose(again.length_mm, job.length_mm[keep], atol=1e-6)
    np.testing.assert_allclose(again.fed_mm, job.fed_mm[keep], atol=1e-6)
    np.testing.assert_allclose(again.feed_mm_per_s, job.feed_mm_per_s[keep], rtol=1e-6)


@SOME
@given(programs())
def test_no_step_is_faster_than_its_feed(text: str) -> None:
    job = read_timeline(text.encode())
    motion = plan_motion(job, DEFAULT_LIMITS)
    moving = job.length_mm > 0.0
    assert (motion.duration_s >= 0.0).all()
    least_s = job.length_mm[moving] / job.feed_mm_per_s[moving]
    assert (motion.duration_s[moving] >= least_s * (1.0 - 1e-9)).all()
    assert (motion.cruise_mm_per_s[moving] <= job.feed_mm_per_s[moving] * (1.0 + 1e-9)).all()
    dwell = job.kind == s.DWELL
    np.testing.assert_allclose(motion.duration_s[dwell], job.dwell_s[dwell])


@settings(max_examples=25, deadline=None)
@given(programs())
def test_rewritten_programs_come_back_byte_for_byte(limits: Limits, text: str) -> None:
    """Arcs, inches, resets, dwells and comments in any mixture, at a feed that must be slowed."""
    data = ("M104 S215\nG21\nG90\nM83\nG92 X0 Y0 Z0 E0\nG1 X50 E20 F9000\n" + text).encode()
    job = read_timeline(data)
    schedule = plan_schedule(job, limits)
    pieces = list(rewrite(data, schedule, schedule_rows(schedule)))
    verify(data, pieces, schedule)
    assert b"".join(restore(pieces)) == data
    again = read_timeline(pieces)
    assert again.fed_mm.sum() == pytest.approx(job.fed_mm.sum())
