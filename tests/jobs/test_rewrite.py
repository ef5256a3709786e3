import csv
import io
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hotbench.core.errors import BadInput, FellShort
from hotbench.jobs import scan as s
from hotbench.jobs.emit import LEAD_K, Row, as_csv, as_yaml, command, schedule_rows
from hotbench.jobs.limits import Limits
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.rehearsal import rehearse
from hotbench.jobs.rewrite import restore, rewrite, verify
from hotbench.jobs.schedule import Schedule, plan_schedule
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.wishes import Wish, Wishes

ROLES = CommentPatterns({"cool": "cool", "strong": "strong"})
COOL_AND_STRONG = Wishes({"cool": Wish(high_C=203.0), "strong": Wish(low_C=228.0, high_C=240.0)})


def planned(text: bytes, limits: Limits) -> tuple[Schedule, tuple[Row, ...]]:
    schedule = plan_schedule(read_timeline(text, ROLES), limits, COOL_AND_STRONG)
    return schedule, schedule_rows(schedule)


def rewritten(text: bytes, limits: Limits) -> bytes:
    return b"".join(rewrite(text, *planned(text, limits)))


FAST = b"M109 S215\nG1 X0 Y0 Z0 F6000\n;strong\nG1 X100 E8 F6000\nG1 X0 E16\n;cool\nG1 X90 E20\n"


@pytest.mark.parametrize("name", ["vase", "bracket", "bridge-piece"])
def test_demo_jobs_rewritten(
    name: str,
    texts: dict[str, bytes],
    jobs: dict[str, Timeline],
    limits: Limits,
    wishes: dict[str, Wishes],
    patterns: CommentPatterns,
) -> None:
    schedule = plan_schedule(jobs[name], limits, wishes[name])
    pieces = list(rewrite(texts[name], schedule, schedule_rows(schedule)))
    verify(texts[name], pieces, schedule)
    again = rehearse(read_timeline(pieces, patterns), limits)
    assert not again.steep
    # Rounding setpoints to half a kelvin moves the limit by 0.2 %.
    assert again.share_above.value == 0.0
    assert again.motion.total_s == pytest.approx(
        rehearse(jobs[name], limits).motion.total_s
        + schedule.costs.schedule_s
        - schedule.costs.job_s,
        rel=0.01,
    )


def test_only_feed_words_change_in_original_lines(limits: Limits) -> None:
    lines = [x for x in rewritten(FAST, limits).splitlines() if not x.endswith(b";hotbench+")]
    changed = [(a, b) for a, b in zip(FAST.splitlines(), lines, strict=True) if a != b]
    assert changed
    for before, after in changed:
        assert before == b"G1 X100 E8 F6000"
        assert after.startswith(b"G1 X100 E8 F")
        assert after.endswith(b";hotbench-was F6000")


def test_temperature_words_amid_the_print_are_put_out_of_force(limits: Limits) -> None:
    text = FAST + b"M104 S190\nG1 X0 E24\nM104 S0\n"
    new = rewritten(text, limits)
    assert b"\n;hotbench-off M104 S190\n" in new
    assert new.endswith(b"\nM104 S0\n")
    assert new.startswith(b"M109 S215\n")
    assert b"".join(restore(new)) == text


def test_inches_get_feeds_in_inches(limits: Limits) -> None:
    text = b"G20\nM109 S215\nG1 X0 Y0 Z0 F240\n;cool\nG1 X4 E0.7 F240\nG1 X0 E1.4\n"
    schedule, rows = planned(text, limits)
    pieces = list(rewrite(text, schedule, rows))
    verify(text, pieces, schedule)
    assert schedule.feed_mm_per_s[-1] < 0.99 * 240.0 * 25.4 / 60.0


def test_feeds_come_back_after_a_slow_stretch(limits: Limits) -> None:
    text = FAST + b";strong\nG1 X91 E20.01\nG4 P100\nG1 X0 E20.02\n"
    schedule, rows = planned(text, limits)
    again = read_timeline(rewrite(text, schedule, rows))
    kept = again.kind <= s.FILAMENT
    np.testing.assert_allclose(
        again.feed_mm_per_s[kept],
        schedule.feed_mm_per_s[schedule.job.kind <= s.FILAMENT],
        rtol=2e-3,
    )


def test_windows_line_ends_survive(limits: Limits) -> None:
    text = FAST.replace(b"\n", b"\r\n")
    new = rewritten(text, limits)
    assert new.count(b"\r\n") == new.count(b"\n")
    assert b"".join(restore(new)) == text


def test_comments_that_hold_words_are_left_alone(limits: Limits) -> None:
    text = FAST.replace(b"G1 X100 E8 F6000", b"G1 (F1 quick) X100 E8 F6000 ; F2 or so")
    new = rewritten(text, limits)
    assert b"(F1 quick)" in new
    assert b"; F2 or so ;hotbench-was F6000" in new
    assert b"".join(restore(new)) == text


def test_what_cannot_be_rewritten_is_refused(limits: Limits) -> None:
    with pytest.raises(BadInput, match="rewritten before"):
        b"".join(rewrite(rewritten(FAST, limits), *planned(FAST, limits)))
    numbered = FAST.replace(b"G1 X100", b"N7 G1 X100")
    with pytest.raises(BadInput, match="line 4: numbered lines"):
        rewritten(numbered, limits)
    modal = FAST.replace(b"G1 X100 E8 F6000\nG1 X0 E16\n;cool\nG1 X90", b"G1 X100 E8\n;cool\nX90")
    with pytest.raises(BadInput, match="without its G word"):
        rewritten(modal, limits)


def test_verification_sees_tampering(limits: Limits) -> None:
    schedule, rows = planned(FAST, limits)
    pieces = b"".join(rewrite(FAST, schedule, rows))
    verify(FAST, [pieces], schedule)
    with pytest.raises(FellShort, match="restore"):
        verify(FAST + b"G1 X0\n", [pieces], schedule)
    with pytest.raises(FellShort, match="faster"):
        verify(FAST, [FAST], schedule if not schedule.pause_s.any() else _without_pauses(schedule))
    paused = pieces + b"G4 P60000 ;hotbench+\n"
    with pytest.raises(FellShort, match="pauses"):
        verify(FAST, [paused], schedule)


def _without_pauses(schedule: Schedule) -> Schedule:
    return Schedule(**{**vars(schedule), "pause_s": np.zeros_like(schedule.pause_s)})


places = st.integers(0, 60)
strokes = st.lists(
    st.tuples(
        st.sampled_from([b";strong", b";cool", b";other", b"G4 P20", b"M104 S222", b"G92 E0"]),
        places,
        st.floats(0.05, 4.0),
        st.sampled_from([b"", b" F900", b" F4800", b" F9000"]),
        st.sampled_from([b"", b" ; note", b" (note)"]),
    ),
    min_size=1,
    max_size=25,
)


@given(strokes, st.sampled_from([b"\n", b"\r\n"]), st.booleans())
@settings(max_examples=60, deadline=None)
def test_any_job_restores(
    limits: Limits, parts: list[tuple[bytes, int, float, bytes, bytes]], end: bytes, last: bool
) -> None:
    lines = [b"M109 S215", b"M83", b"G1 X70 Y0 F5400", b"G1 X69 E0.2"]
    for mark, x, fed, feed, note in parts:
        lines += [mark, b"G1 X%d Y%d E%.3f%s%s" % (x, x % 7, fed, feed, note)]
    text = end.join(lines) + (end if last else b"")
    schedule, rows = planned(text, limits)
    pieces = list(rewrite(text, schedule, rows))
    verify(text, pieces, schedule)


def test_rows_ramp_in_small_steps_and_in_order(
    jobs: dict[str, Timeline], limits: Limits, wishes: dict[str, Wishes]
) -> None:
    schedule = plan_schedule(jobs["bracket"], limits, wishes["bracket"])
    rows = schedule_rows(schedule, quantum_K=0.5)
    assert rows[0].command.startswith("M109 S")
    assert all(a.time_s <= b.time_s and a.line <= b.line for a, b in pairwise(rows))
    given_C = [float(row.command.split("S")[1]) for row in rows if "S" in row.command]
    assert np.abs(np.diff(given_C)).max() < 2.0
    paused_s = sum(float(row.command[4:]) for row in rows if row.command[:2] == "G4") / 1000.0
    assert paused_s == pytest.approx(schedule.pause_s.sum(), rel=0.01)


KNOTS = np.linspace(190.0, 250.0, 61)
CLOCKS = (KNOTS, (KNOTS - 190.0) / 2.0, (KNOTS - 190.0) / 1.0)


def test_a_setpoint_is_given_at_a_quantum_or_at_rest() -> None:
    wanted = np.array([200.0, 200.2, 200.4, 200.6, 200.8, 200.8, 200.8])
    told = command(wanted, np.arange(7.0), 200.0, 0.5, *CLOCKS)
    assert told[~np.isnan(told)].tolist() == [200.6, 200.8]
    assert np.flatnonzero(~np.isnan(told)).tolist() == [3, 4]


@given(st.lists(st.tuples(st.floats(0.01, 5.0), st.floats(191.0, 249.0)), min_size=2, max_size=60))
def test_no_setpoint_outruns_a_safe_follower(ticks: list[tuple[float, float]]) -> None:
    spans, wanted = (np.array(column) for column in zip(*ticks, strict=True))
    time_s = np.cumsum(spans)
    told = command(wanted, time_s, 220.0, 0.5, *CLOCKS)
    follower = last = 220.0
    for k, value in enumerate(told):
        if k:
            span_s = time_s[k] - time_s[k - 1]
            follower += np.clip(last - follower, -1.0 * span_s, 2.0 * span_s)
        last = last if np.isnan(value) else value
        assert abs(last - follower) <= LEAD_K + 0.06


def test_csv_and_yaml_hold_the_same_rows(limits: Limits) -> None:
    schedule, rows = planned(FAST, limits)
    table = list(csv.DictReader(io.StringIO(as_csv(rows))))
    document = YAML(typ="safe").load(as_yaml(rows, schedule.lead_s))
    assert document["hotbench_schedule"] == 1
    assert document["lead_s"] == limits.lag_s
    assert [row["command"] for row in table] == [row["command"] for row in document["rows"]]
    assert [int(row["line"]) for row in table] == [row.line for row in rows]
    assert [row["time_s"] for row in document["rows"]] == [row.time_s for row in rows]
