"""Whole schedules of small random jobs: as fast as a linear program, never behind smoothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import make_random_job
from least_time_programs import Instance

from hotbench.jobs import scan as s
from hotbench.jobs.limits import Limits, SlewTable
from hotbench.jobs.motion import DEFAULT_LIMITS, plan_motion
from hotbench.jobs.problem import Options, build_problem
from hotbench.jobs.rehearsal import set_temperatures_C, step_flows
from hotbench.jobs.schedule import STAGE_S, plan_schedule
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import Wish, Wishes

WISHES = {"cool": Wish(high_C=203.0), "strong": Wish(low_C=228.0, high_C=240.0)}
SLACK_K = 1e-3


def constant(rate_K_per_s: float) -> SlewTable:
    return SlewTable(np.array([190.0]), np.array([rate_K_per_s]))


def hot_end(limits: Limits, up: float, down: float, lag_s: float) -> Limits:
    return replace(limits, slew_up=constant(up), slew_down=constant(down), lag_s=lag_s)


def wishes_of(job: Timeline) -> Wishes:
    """Wishes for those roles that the job has."""
    return Wishes({name: wish for name, wish in WISHES.items() if name in job.role_names})


def instance(job: Timeline, limits: Limits) -> Instance:
    """The job's own least-time problem, its ramp clocks begun at zero."""
    motion = plan_motion(job, DEFAULT_LIMITS)
    problem = build_problem(
        job,
        motion,
        step_flows(job, motion, limits),
        set_temperatures_C(job),
        wishes_of(job).shrunk(limits.guard.value),
        limits,
        Options(STAGE_S, even_melt=True),
    )
    low, high = (np.searchsorted(problem.knots, T - 1e-6) for T in (problem.low, problem.high))
    up, down = (clock - clock[0] for clock in (problem.up, problem.down))
    return Instance(problem.knots, problem.slow, problem.rate, up, down, low, high)


@pytest.mark.parametrize("seed", range(20))
def test_a_jobs_schedule_is_within_one_percent_of_a_linear_program(
    seed: int, limits: Limits
) -> None:
    """The optimum by HiGHS (scipy.optimize.linprog) over the same stages.

    The finished schedule may be faster: slowed moves lose less at their corners than the stages do.
    """
    random = np.random.default_rng(seed)
    machine = hot_end(
        limits, random.uniform(0.5, 4.0), random.uniform(0.3, 2.0), random.uniform(0.2, 3.0)
    )
    job = make_random_job(seed)
    problem = instance(job, machine)
    best = problem.linear_program()
    assert best * (1.0 - 1e-6) <= problem.solve()[1] <= best * 1.01
    assert plan_schedule(job, machine, wishes_of(job)).costs.schedule_s <= best * 1.01


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    up=st.floats(0.3, 8.0),
    down=st.floats(0.2, 3.0),
    lag_s=st.floats(0.1, 4.0),
)
def test_time_is_never_above_plain_smoothing_at_equal_safety(
    limits: Limits, seed: int, up: float, down: float, lag_s: float
) -> None:
    """Equal safety: ramps within the slew, flow within its lower limit, roles in their bands."""
    machine, job = hot_end(limits, up, down, lag_s), make_random_job(seed)
    schedule = plan_schedule(job, machine, wishes_of(job))
    costs = schedule.costs
    assert costs.job_s <= costs.schedule_s * (1.0 + 1e-9)
    assert costs.schedule_s <= costs.smoothing_s * (1.0 + 1e-9)
    rise_K, span_s = np.diff(schedule.wanted.node_C), np.diff(schedule.wanted.node_time_s)
    assert (rise_K <= up * span_s + SLACK_K).all()
    assert (rise_K >= -down * span_s - SLACK_K).all()
    steps = slice(*schedule.span)
    begin_s = schedule.start_s[steps]
    T = np.array(
        [schedule.wanted.at(t) for t in (begin_s, begin_s + schedule.motion.duration_s[steps])]
    )
    printing = job.kind[steps] == s.EXTRUDE
    lowest = machine.flow.low_at(T.min(axis=0))
    assert (schedule.flow_mm3_per_s[steps] <= lowest * 1.001)[printing].all()
    for name, wish in wishes_of(job).roles.items():
        own = printing & (job.role[steps] == job.role_names.index(name))
        assert (T[:, own] >= wish.low_C - SLACK_K).all()
        assert (T[:, own] <= wish.high_C + SLACK_K).all()
