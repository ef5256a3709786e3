import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.jobs import scan as s
from hotbench.jobs.limits import SETTLE_LAGS, Limits
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.schedule import Schedule, plan_schedule, schedule_trace
from hotbench.jobs.stages import FREE
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.wishes import Wish, Wishes
from hotbench.models.melt import exit_temperature_C

SLACK_K = 1e-3


@pytest.fixture(scope="module")
def schedules(
    jobs: dict[str, Timeline], limits: Limits, wishes: dict[str, Wishes]
) -> dict[str, Schedule]:
    return {name: plan_schedule(job, limits, wishes[name]) for name, job in jobs.items()}


RANDOM_WISHES = Wishes({"cool": Wish(high_C=203.0), "strong": Wish(low_C=228.0, high_C=240.0)})


def check(schedule: Schedule, limits: Limits, wishes: Wishes) -> None:
    """What every schedule must hold, checked step by step."""
    job, steps = schedule.job, slice(*schedule.span)
    printing = job.kind[steps] == s.EXTRUDE
    begin_s = schedule.start_s[steps]
    ends = [begin_s, begin_s + schedule.motion.duration_s[steps]]
    coolest = np.full(printing.size, np.inf)
    for time_s in ends:
        T = schedule.wanted.at(time_s)
        coolest = np.minimum(coolest, T)
        for name, wish in wishes.roles.items():
            own = printing & (job.role[steps] == job.role_names.index(name))
            assert (T[own] >= wish.low_C - SLACK_K).all()
            assert (T[own] <= wish.high_C + SLACK_K).all()
    flow = schedule.flow_mm3_per_s[steps]
    assert (flow[printing] <= limits.flow.low_at(coolest[printing]) * 1.001).all()
    fine_s = np.arange(0.0, schedule.wanted.node_time_s[-1], 0.05)
    T = schedule.wanted.at(fine_s)
    middle = 0.5 * (T[1:] + T[:-1])
    assert (np.diff(T) <= 0.05 * 1.02 * limits.slew_up.at(middle) + SLACK_K).all()
    assert (np.diff(T) >= -0.05 * 1.02 * limits.slew_down.at(middle) - SLACK_K).all()
    assert (schedule.feed_mm_per_s <= job.feed_mm_per_s * (1.0 + 1e-9)).all()
    assert schedule.costs.job_s <= schedule.costs.schedule_s * (1.0 + 1e-9)
    assert schedule.costs.schedule_s <= schedule.costs.smoothing_s * (1.0 + 1e-9)


@pytest.mark.parametrize("name", ["vase", "bracket", "bridge-piece"])
def test_demo_jobs_hold_every_limit(
    name: str, schedules: dict[str, Schedule], limits: Limits, wishes: dict[str, Wishes]
) -> None:
    check(schedules[name], limits, wishes[name])


@pytest.mark.parametrize("seed", range(25))
def test_random_jobs_hold_every_limit(
    seed: int, limits: Limits, random_job: Callable[[int], Timeline]
) -> None:
    check(plan_schedule(random_job(seed), limits, RANDOM_WISHES), limits, RANDOM_WISHES)


def test_the_times_are_those_of_its_parts(schedules: dict[str, Schedule]) -> None:
    for schedule in schedules.values():
        steps = slice(*schedule.span)
        total = schedule.motion.duration_s[steps].sum() + schedule.pause_s.sum()
        assert schedule.costs.schedule_s == pytest.approx(total)
        assert schedule.wanted.node_time_s[-1] == pytest.approx(total)


def test_a_job_that_asks_for_little_is_left_alone(limits: Limits) -> None:
    job = read_timeline(b"M109 S215\nG1 X0 Y0 F1200\nG1 X50 E2\nG1 X0 E4\nG1 X90 E7\n")
    schedule = plan_schedule(job, replace(limits, melt=None))
    assert schedule.costs.schedule_s == pytest.approx(schedule.costs.job_s)
    assert schedule.wanted.node_C == pytest.approx(np.full(schedule.wanted.node_C.size, 215.0))
    np.testing.assert_array_equal(schedule.feed_mm_per_s, job.feed_mm_per_s)


def test_more_flow_wants_more_heat_before_less_speed(limits: Limits) -> None:
    area = limits.filament_area_mm2
    flow = 9.2  # the lower limit carries it only above 236 °C
    job = read_timeline(
        f"M109 S200\nG1 X0 Y0 F6000\nG1 X200 E{2.0 * flow / area:.4f}\nG1 X0 E"
        f"{4.0 * flow / area:.4f}\n".encode()
    )
    schedule = plan_schedule(job, limits)
    least = 190.0 + math.log(9.2 / (8.0 * 0.95)) / 0.0044
    assert schedule.wanted.node_C.min() == pytest.approx(least, abs=0.2)
    assert schedule.costs.schedule_s == pytest.approx(schedule.costs.job_s, rel=1e-4)
    assert schedule.costs.fixed_s > 1.1 * schedule.costs.job_s


def test_the_setpoint_leads_by_the_lag(schedules: dict[str, Schedule], limits: Limits) -> None:
    schedule = schedules["bracket"]
    step = schedule.span[0] + 500
    middle_s = schedule.start_s[step] + 0.5 * schedule.motion.duration_s[step]
    wanted = schedule.wanted.at(np.array([middle_s + limits.lag_s]))[0]
    assert schedule.set_C[step] == pytest.approx(wanted)


def test_a_short_dip_is_named_with_the_shortest_possible(limits: Limits) -> None:
    lines = ["M109 S230", "G1 X0 Y0 F6000", "; role: strong", "G1 X100 E1", "; role: cool"]
    lines += ["G1 X0 E2", "; role: strong", "G1 X100 E3"]
    roles = {name: f"role: {name}" for name in ("cool", "strong")}
    job = read_timeline("\n".join(lines).encode(), CommentPatterns(roles))
    schedule = plan_schedule(job, limits, RANDOM_WISHES, guard_K=0.0)
    dip = next(item for item in schedule.too_short if item.role == "cool")
    assert (dip.from_C, dip.to_C, dip.back_to_C) == (228.0, 203.0, 228.0)
    ramps = [
        table.clock_s(np.array([203.0, 228.0])) for table in (limits.slew_up, limits.slew_down)
    ]
    climbs = sum(float(clock[1] - clock[0]) for clock in ramps)
    rests = 2.0 * SETTLE_LAGS * limits.lag_s
    own_s = dip.shortest_s - climbs - rests
    assert 0.0 < own_s < 1.1
    assert schedule.costs.schedule_s == pytest.approx(
        schedule.costs.job_s + climbs + rests, rel=0.02
    )


def strokes(speed: float, count: int, role: str, fed: float, each: float) -> list[str]:
    """Short strokes to and fro, every one feeding `each` mm."""
    moves = [
        f"G1 X{10 * ((k + 1) % 2)} E{fed + (k + 1) * each:.4f} F{60 * speed}" for k in range(count)
    ]
    return [f"; role: {role}", *moves]


def test_long_enough_dips_are_neither_named_nor_paid_for(limits: Limits) -> None:
    lines = ["M109 S210", "G1 X0 Y0 F6000", *strokes(20.0, 100, "free", 0.0, 0.5)]
    lines += strokes(20.0, 10, "cool", 50.0, 0.5) + strokes(20.0, 100, "free", 55.0, 0.5)
    roles = CommentPatterns({name: f"role: {name}" for name in ("free", "cool")})
    job = read_timeline("\n".join(lines).encode(), roles)
    schedule = plan_schedule(job, limits, Wishes({"cool": Wish(high_C=203.0)}))
    assert schedule.too_short == ()
    assert schedule.pause_s.sum() == 0.0
    assert schedule.costs.schedule_s == pytest.approx(schedule.costs.job_s)
    assert schedule.wanted.node_C.max() > 208.0
    assert schedule.wanted.node_C.min() < 202.0


def test_stages_cover_the_print_and_bind_only_wished_roles(schedules: dict[str, Schedule]) -> None:
    schedule = schedules["bracket"]
    stages, job = schedule.stages, schedule.job
    assert (int(stages.first[0]), int(stages.first[-1])) == schedule.span
    bound = stages.role[stages.of_steps()]
    printing = job.kind[slice(*schedule.span)] == s.EXTRUDE
    role = job.role[slice(*schedule.span)]
    wished = np.isin(role, [job.role_names.index(n) for n in ("pillar", "support surface")])
    np.testing.assert_array_equal(bound[printing & wished], role[printing & wished])
    assert (bound[printing & ~wished] == FREE).all()


def test_even_melt_heats_what_flows_fast(limits: Limits) -> None:
    each = 0.2 * 10.0 / limits.filament_area_mm2
    lines = ["M109 S210", "G1 X0 Y0 F6000", *strokes(40.0, 200, "fast", 0.0, each)]
    lines += strokes(10.0, 200, "slow", 200 * each, each)
    job = read_timeline("\n".join(lines).encode())
    even = plan_schedule(job, limits)
    fast, slow = even.wanted.at(np.array([30.0, even.wanted.node_time_s[-1] - 30.0]))
    assert fast > 211.0
    assert 207.0 < slow < 210.0
    flat = plan_schedule(job, limits, even_melt=False).wanted
    assert flat.node_C.min() == pytest.approx(210.0)
    # The heat at the exit, by the melt model, is even to a kelvin where the wall is not.
    assert limits.melt is not None
    flow = schedule_trace(even, limits).flow_mm3_per_s
    walls, flows = np.array([fast, slow]), np.array([flow[40:200].mean(), flow[-200:-40].mean()])
    out = exit_temperature_C(walls, flows, limits.melt.alpha_L_mm3_per_s, feed_C=25.0)
    assert abs(out[0] - out[1]) < 1.0 < abs(fast - slow)


def test_wishes_are_checked(jobs: dict[str, Timeline], limits: Limits) -> None:
    with pytest.raises(BadInput, match="did you mean 'pillar'"):
        plan_schedule(jobs["bracket"], limits, Wishes({"pilar": Wish(low_C=230.0)}))
    with pytest.raises(BadInput, match="beyond what was measured"):
        plan_schedule(jobs["bracket"], limits, Wishes({"pillar": Wish(low_C=270.0)}))
    with pytest.raises(BadInput, match="low above high"):
        Wish(low_C=220.0, high_C=210.0)
    with pytest.raises(BadInput, match="aim outside"):
        Wish(low_C=210.0, high_C=220.0, aim_C=230.0)


def test_a_guard_never_empties_a_band() -> None:
    assert Wish(low_C=200.0, high_C=202.0).shrunk(5.0) == Wish(low_C=200.75, high_C=201.25)
    assert Wish(low_C=230.0).shrunk(2.0) == Wish(low_C=232.0)
    assert Wish.near(210.0, 4.0).shrunk(1.0) == Wish(low_C=207.0, high_C=213.0, aim_C=210.0)


def test_the_trace_shows_the_scheduled_job(schedules: dict[str, Schedule], limits: Limits) -> None:
    schedule = schedules["vase"]
    shown = schedule_trace(schedule, limits)
    steps = slice(*schedule.span)
    volume = schedule.job.net_mm[steps].sum() * limits.filament_area_mm2
    assert shown.flow_mm3_per_s.sum() * shown.bin_s == pytest.approx(volume)
    assert shown.time_s[-1] == pytest.approx(schedule.costs.schedule_s, abs=2.0 * shown.bin_s)
