"""Stages, wishes, patterns and ramps: invariants on random jobs, and plain re-reckonings."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import make_random_job

from hotbench.core.errors import BadInput
from hotbench.jobs import scan as s
from hotbench.jobs.follower import Ramps, follow_words
from hotbench.jobs.limits import Limits
from hotbench.jobs.motion import plan_motion
from hotbench.jobs.patterns import LAYER_MARK, UNMATCHED, UNNAMED, CommentPatterns
from hotbench.jobs.rehearsal import rehearse, spread, step_flows
from hotbench.jobs.stages import FREE, Stages, build_stages, knots_C, slow_times_s
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.wishes import Wish, Wishes

QUICK = settings(max_examples=30, deadline=None)
BANDS = {"cool": (190.0, 203.0), "strong": (228.0, 240.0)}


def staged(job: Timeline, limits: Limits, stage_s: float, settle_s: float) -> Stages:
    bands = [BANDS.get(name, (limits.low_C, limits.high_C)) for name in job.role_names]
    low_C, high_C = ([band[k] for band in bands] for k in (0, 1))
    return build_stages(job, plan_motion(job).duration_s, low_C, high_C, limits, stage_s, settle_s)


@QUICK
@given(st.integers(0, 10_000), st.floats(0.2, 10.0), st.floats(0.0, 20.0))
def test_stages_hold_every_print_move_in_its_band(
    limits: Limits, seed: int, stage_s: float, settle_s: float
) -> None:
    job = make_random_job(seed)
    stages = staged(job, limits, stage_s, settle_s)
    assert (np.diff(stages.first) >= 0).all()
    assert stages.low_C.size == stages.high_C.size == len(stages) + 1
    assert (stages.low_C <= stages.high_C).all()
    begin, end = int(stages.first[0]), int(stages.first[-1])
    printing = np.flatnonzero(job.kind == s.EXTRUDE)
    assert (begin, end) == (printing[0], printing[-1] + 1)
    stage = stages.of_steps()
    for step in printing:
        name, k = job.role_names[job.role[step]], stage[step - begin]
        if name in BANDS:
            assert stages.role[k] == job.role[step]
            for node in (k, k + 1):
                assert stages.low_C[node] >= BANDS[name][0]
                assert stages.high_C[node] <= BANDS[name][1]
        else:
            assert stages.role[k] == FREE


@QUICK
@given(st.integers(0, 10_000), st.floats(0.2, 10.0))
def test_sums_and_maxima_are_those_of_the_steps(limits: Limits, seed: int, stage_s: float) -> None:
    job = make_random_job(seed)
    stages = staged(job, limits, stage_s, 2.0)
    values = np.random.default_rng(seed).uniform(0.0, 9.0, len(job))
    parts = [values[a:b] for a, b in zip(stages.first, stages.first[1:], strict=False)]
    np.testing.assert_allclose(stages.sums(values), [part.sum() for part in parts], atol=1e-9)
    np.testing.assert_array_equal(
        stages.longest(values), [part.max() if part.size else 0.0 for part in parts]
    )


@QUICK
@given(st.integers(0, 10_000))
def test_slow_times_are_those_of_every_step_slowed_to_its_limit(limits: Limits, seed: int) -> None:
    job = make_random_job(seed)
    stages, motion = staged(job, limits, 2.0, 2.0), plan_motion(job)
    flow, knots = step_flows(job, motion, limits), knots_C(stages, limits)
    slow = slow_times_s(stages, motion.duration_s, flow, knots, limits)
    assert slow.shape == (len(stages), knots.size)
    assert (np.diff(slow, axis=1) <= 1e-9).all()
    k, g = len(stages) // 2, knots.size // 2
    own = slice(int(stages.first[k]), int(stages.first[k + 1]))
    cap = float(limits.flow.low_at(knots[g : g + 1])[0])
    expected = (motion.duration_s[own] * np.maximum(1.0, flow[own] / cap)).sum()
    assert slow[k, g] == pytest.approx(max(expected, stages.hold_s[k]))


@given(st.floats(190.0, 250.0), st.floats(190.0, 250.0), st.floats(0.0, 60.0))
def test_ramps_go_towards_their_end_and_no_further(
    limits: Limits, begin: float, end: float, for_s: float
) -> None:
    ramps = Ramps(limits)
    at = ramps.after(begin, end, for_s)
    assert min(begin, end) - 1e-6 <= at <= max(begin, end) + 1e-6
    left_s = max(0.0, ramps.duration_s(begin, end) - for_s)
    assert ramps.duration_s(at, end) == pytest.approx(left_s, abs=1e-3)


@QUICK
@given(st.lists(st.tuples(st.integers(180, 250), st.integers(0, 40)), min_size=1, max_size=12))
def test_a_follower_walked_in_small_steps_stands_where_the_words_say(
    limits: Limits, asked: list[tuple[int, int]]
) -> None:
    """Against Euler steps of 10 ms at the safe rate of where it stands."""
    lines = ["G92 X0 Y0", "G1 F600"]
    for value, seconds in asked:
        lines += [f"M104 S{value}", f"G4 S{seconds}"]
    job = read_timeline("\n".join([*lines, "G1 X10"]).encode())
    words = follow_words(job, plan_motion(job).duration_s, limits)
    at_C = 25.0
    for k, (value, seconds) in enumerate(asked):
        assert words.follower_C[k] == pytest.approx(at_C, abs=0.5)
        for _ in range(seconds * 100):
            table = limits.slew_up if value > at_C else limits.slew_down
            most_K = 0.01 * float(table.at(np.array([at_C]))[0])
            at_C += math.copysign(min(most_K, abs(value - at_C)), value - at_C)


@given(
    st.lists(st.tuples(st.floats(0.0, 5.0), st.floats(0.0, 9.0)), min_size=1, max_size=20),
    st.floats(0.05, 7.0),
)
def test_spreading_into_bins_loses_nothing(parts: list[tuple[float, float]], bin_s: float) -> None:
    span_s, amount = (np.array(column) for column in zip(*parts, strict=True))
    span_s = span_s + 1e-3
    start_s = np.concatenate([[0.0], np.cumsum(span_s)[:-1]])
    bins = max(1, math.ceil(float(span_s.sum()) / bin_s))
    total = spread(start_s, amount, span_s, bin_s, bins)
    assert total.sum() == pytest.approx(amount.sum(), rel=1e-6, abs=1e-6)
    assert (total >= -1e-9).all()


@given(st.floats(100.0, 300.0), st.floats(0.0, 30.0), st.floats(0.0, 50.0))
def test_a_shrunk_wish_lies_inside_and_keeps_a_quarter(at_C: float, off: float, by: float) -> None:
    wish = Wish.near(at_C, off)
    inner = wish.shrunk(by)
    assert wish.low_C <= inner.low_C <= inner.high_C <= wish.high_C
    assert inner.high_C - inner.low_C >= 0.25 * (wish.high_C - wish.low_C) - 1e-9
    assert inner.aim_C is not None
    assert inner.low_C <= inner.aim_C <= inner.high_C


def test_wishes_by_role_number_are_cut_to_the_limits(limits: Limits) -> None:
    job = make_random_job(1)
    wishes = Wishes({"cool": Wish(high_C=203.0), "strong": Wish(low_C=228.0, aim_C=230.0)})
    low, high, aim = wishes.bands(job, limits)
    by_name = dict(zip(job.role_names, zip(low, high, aim, strict=True), strict=True))
    assert by_name["cool"][:2] == (limits.low_C, 203.0)
    assert by_name["strong"] == (228.0, limits.high_C, 230.0)
    assert by_name["free"][:2] == (limits.low_C, limits.high_C)
    assert math.isnan(by_name["free"][2])


PATTERNS = CommentPatterns({"wall": "wall", "thin wall": "thin", UNNAMED: "rest"}, layer="^L")


@pytest.mark.parametrize(
    ("comment", "name"),
    [("thin wall", "wall"), ("thin", "thin wall"), ("the rest", UNNAMED), (" wall ", "wall")],
)
def test_the_first_pattern_that_matches_wins(comment: str, name: str) -> None:
    assert PATTERNS.names[PATTERNS.classifier()(comment)] == name


def test_layer_marks_come_before_roles_and_nothing_is_guessed() -> None:
    told = PATTERNS.classifier()
    assert told("L 3 wall") == LAYER_MARK
    assert told("Wall") == UNMATCHED
    assert CommentPatterns().classifier()("wall") == UNMATCHED


@pytest.mark.parametrize("pattern", ["(", "[a", "*", "(?P<a>x)(?P<a>y)"])
def test_patterns_that_are_none_are_named(pattern: str) -> None:
    with pytest.raises(BadInput, match="role 'wall'"):
        CommentPatterns({"wall": pattern})
    with pytest.raises(BadInput, match="layer pattern"):
        CommentPatterns(layer=pattern)


@QUICK
@given(st.integers(0, 10_000), st.integers(195, 245))
def test_a_hotter_job_is_never_further_above_its_limit(
    limits: Limits, seed: int, at_C: int
) -> None:
    job = make_random_job(seed)
    cold, warm = (rehearse(_at(job, T), limits).share_above for T in (at_C, at_C + 5.0))
    assert warm.value <= cold.value
    for share in (cold, warm):
        assert share.low is not None
        assert share.high is not None
        assert 0.0 <= share.low <= share.value <= share.high <= 1.0 + 1e-9


def _at(job: Timeline, set_C: float) -> Timeline:
    """The job printed at another temperature."""
    value = np.where(job.event_kind == s.SET_FAN, job.event_value, set_C)
    return Timeline(**{**job.__dict__, "event_value": value})
