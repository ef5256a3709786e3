import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import make_random_job

from hotbench.core.errors import BadInput
from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.rehearsal import Rehearsal, rehearse, spread
from hotbench.jobs.timeline import Timeline, read_timeline

PATTERNS = CommentPatterns({"wall": "wall", "fill": "fill"})


def verdict(limits: Limits, *lines: str, set_C: float | None = None) -> Rehearsal:
    return rehearse(read_timeline("\n".join(lines).encode(), PATTERNS), limits, set_C=set_C)


def printed(flow: float, limits: Limits, length_mm: float = 200.0, feed: float = 100.0) -> float:
    """Filament, mm, that makes a move of that length and feed ask for `flow` while cruising."""
    return flow * length_mm / feed / limits.filament_area_mm2


def test_a_quiet_job_passes(limits: Limits) -> None:
    fed = printed(5.0, limits)
    quiet = verdict(limits, "M109 S200", "G1 X0 Y0 Z0 F6000", f"G1 X200 E{fed}")
    assert quiet.passes
    assert quiet.share_above.value == 0.0
    assert quiet.flow_mm3_per_s[-1] == pytest.approx(5.0)
    assert quiet.trace.flow_mm3_per_s.sum() * quiet.trace.bin_s == pytest.approx(10.0)


def test_the_worst_place_is_named_with_its_interval(limits: Limits) -> None:
    slow, fast = printed(5.0, limits), printed(12.0, limits)
    lines = ["M109 S190", "G1 X0 Y0 Z0 F6000", ";wall", f"G1 X200 E{slow}", ";fill"]
    loud = verdict(limits, *lines, f"G1 X0 E{slow + fast}", f"G1 X200 E{2 * slow + fast}")
    (place,) = loud.worst
    assert (place.role, place.line, place.layer) == ("fill", 6, 0)
    # Limit 8 mm³/s at 190 °C, 5 % either side; 12 is half as much again.
    assert place.over.value == pytest.approx(0.5)
    assert (place.over.low, place.over.high) == pytest.approx((1.5 / 1.05 - 1, 1.5 / 0.95 - 1))
    duration = loud.motion.duration_s
    assert loud.share_above.value == pytest.approx(duration[2] / duration[1:].sum())
    assert not loud.passes


def test_worst_places_come_worst_first(limits: Limits) -> None:
    fed, lines = 0.0, ["M109 S190", "G1 X0 Y0 F6000"]
    for k, flow in enumerate((9.0, 14.0, 11.0)):
        fed += printed(flow, limits)
        lines += [f"G1 Z{k + 1} F600", f"G1 X{200 * (k % 2 == 0)} E{fed} F6000"]
    assert [place.layer for place in verdict(limits, *lines).worst] == [1, 2, 0]


def test_a_jump_of_the_setpoint_while_printing_is_steep(limits: Limits) -> None:
    lines = ("M109 S200", "G1 X0 Y0 F600", "G1 X100 E1", "M104 S230", "G1 X0 E2", "M104 S0")
    (place,) = verdict(limits, *lines).steep
    assert (place.line, place.from_C, place.to_C, place.behind_K) == (4, 200.0, 230.0, 30.0)
    # Between 200 and 230 °C the safe rate falls from 1.833 to 1.583 K/s.
    assert 30.0 / 1.8334 < place.behind_s < 30.0 / 1.5833


def test_a_staircase_at_the_safe_slew_is_not_steep(limits: Limits) -> None:
    moves = [f"M104 S{200 + k}\nG1 X{100 * (k % 2)} E{k + 1}" for k in range(1, 20)]
    assert not verdict(limits, "M109 S200", "G1 X0 Y0 F6000", *moves).steep


def test_a_wait_is_not_steep(limits: Limits) -> None:
    lines = ("M109 S200", "G1 X0 Y0 F600", "G1 X100 E1", "M109 S230", "G1 X0 E2")
    slow = verdict(limits, *lines)
    assert not slow.steep
    assert slow.total_s > slow.motion.total_s + 30.0 / 1.8334


def test_a_temperature_must_be_known(limits: Limits) -> None:
    lines = ("G1 X0 Y0 F600", "G1 X100 E1")
    with pytest.raises(BadInput, match="line 2: prints before any set temperature"):
        verdict(limits, *lines)
    assert verdict(limits, *lines, set_C=210.0).set_C.tolist() == [210.0]


def test_demo_jobs(limits: Limits, jobs: dict[str, Timeline]) -> None:
    for job in jobs.values():
        told = rehearse(job, limits)
        volume = job.net_mm.sum() * limits.filament_area_mm2
        assert told.trace.flow_mm3_per_s.sum() * told.trace.bin_s == pytest.approx(volume)
        assert told.prediction is None
    vase = rehearse(jobs["vase"], limits)
    assert {place.role for place in vase.worst} <= {"outer wall", "inner wall"}
    assert 0.1 < vase.share_above.value < 0.6


def test_spreading_keeps_every_amount() -> None:
    random = np.random.default_rng(1)
    span = random.uniform(0.0, 3.0, 200)
    start = np.concatenate([[0.0], np.cumsum(span)[:-1]])
    amount = random.uniform(0.0, 1.0, 200)
    bins = int(np.ceil(span.sum() / 0.7))
    total = spread(start, amount, span, 0.7, bins)
    assert total.sum() == pytest.approx(amount.sum())
    first = amount[start + span <= 0.7].sum()
    assert total[0] >= first


def test_a_job_that_only_moves_has_no_flow(limits: Limits) -> None:
    told = verdict(limits, "G1 X0 Y0 F600", "G1 X100")
    assert told.passes
    assert told.printing_s == 0.0
    assert (told.job.kind == s.TRAVEL).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 100_000), st.floats(195.0, 245.0))
def test_every_step_has_the_limit_of_its_own_setpoint(
    limits: Limits, seed: int, set_C: float
) -> None:
    """Setpoints that change often, and at once; the limit read step by step."""
    random = np.random.default_rng(seed)
    lines, fed = [f"M104 S{set_C:.1f}", "G1 X0 Y0 F6000"], 0.0
    for k in range(30):
        if random.random() < 0.4:
            lines.append(f"M104 S{random.uniform(195.0, 245.0):.1f}")
        fed += random.uniform(0.5, 30.0)
        lines.append(f"G1 X{100 * (k % 2 == 0)} E{fed:.3f}")
    found = verdict(limits, *lines)
    np.testing.assert_allclose(found.limit_mm3_per_s, limits.flow.at(found.set_C), rtol=1e-12)
    over = found.flow_mm3_per_s > found.limit_mm3_per_s
    share = found.motion.duration_s[over].sum() / found.printing_s
    assert found.share_above.value == pytest.approx(share)
    low, high = found.share_above.low, found.share_above.high
    assert low is not None
    assert high is not None
    assert low <= share <= high
    for place in found.worst:
        assert place.over.value > 0.0
        assert place.limit_mm3_per_s == pytest.approx(
            float(limits.flow.at(np.array([place.set_temperature_C]))[0])
        )
    overs = [place.over.value for place in found.worst]
    assert overs == sorted(overs, reverse=True)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 100_000))
def test_the_trace_holds_all_filament_and_all_time(limits: Limits, seed: int) -> None:
    found = rehearse(make_random_job(seed), limits)
    shown, job = found.trace, found.job
    melted_mm3 = job.net_mm.sum() * limits.filament_area_mm2
    assert shown.flow_mm3_per_s.sum() * shown.bin_s == pytest.approx(melted_mm3)
    assert shown.bin_s * shown.time_s.size == pytest.approx(found.total_s, abs=shown.bin_s)
    assert (np.diff(found.start_s) >= 0.0).all()
    assert (np.diff(shown.line) >= 0).all()
