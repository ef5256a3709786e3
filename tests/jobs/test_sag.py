"""Bands that move against what steps of flow and fan are predicted to do."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import demo_jobs, demo_wishes, make_random_job

from hotbench.core.arrays import FloatArray
from hotbench.jobs import sag
from hotbench.jobs import scan as s
from hotbench.jobs.limits import HeaterFacts, Limits, SlewTable
from hotbench.jobs.schedule import Schedule, expect, plan_schedule
from hotbench.jobs.stages import FREE, Stages
from hotbench.jobs.wishes import Wish, Wishes

LOW_C, HIGH_C = 190.0, 250.0
BLOCK = HeaterFacts(
    "two-node",
    {
        "heating_K_per_s": 3.9, "falloff_per_K": 2e-4, "loss_per_s": 8e-4,
        "loss_growth_per_K": 3e-3, "fan_loss_per_s": 5.5e-3, "fan_exponent": 0.6,
        "sensor_lag_s": 1.5, "dead_time_s": 0.2, "load_per_mm3": 1.4e-4,
        "exchange_per_s": 8e-3, "capacity_ratio": 4.0, "far_fan_loss_per_s": 0.017,
    },
    25.0,
    error_K=1.0,
)  # fmt: skip
"""An invented block, slow and with a strong fan."""


def stages(role: list[int], low_C: list[float], high_C: list[float]) -> Stages:
    """Stages of one step each; a node lies in the bands of the stages either side."""
    lows, highs = np.array([*low_C, LOW_C]), np.array([*high_C, HIGH_C])
    either = np.append(role, FREE), np.insert(role, 0, FREE)
    return Stages(
        first=np.arange(len(role) + 1),
        role=np.array(role),
        low_C=np.max([lows[part] for part in either], axis=0),
        high_C=np.min([highs[part] for part in either], axis=0),
        due=np.full(len(role) + 1, FREE),
        hold_s=np.zeros(len(role)),
    )


def with_block(limits: Limits) -> Limits:
    up, down = (SlewTable(np.array([200.0]), np.array([rate])) for rate in (0.83, 0.45))
    return replace(limits, heater=BLOCK, lag_s=1.7, trail_s=5.4, slew_up=up, slew_down=down)


@pytest.fixture
def block(limits: Limits) -> Limits:
    return with_block(limits)


@given(st.lists(st.integers(FREE, 2), min_size=1, max_size=20))
def test_runs_go_on_over_free_stages_and_end_at_another_role(role: list[int]) -> None:
    number, last, expected = -1, FREE, []
    for own in role:
        if own != FREE and own != last:
            number, last = number + 1, own
        expected.append(number if own != FREE else FREE)
    assert stages(role, [200.0] * 3, [210.0] * 3).runs().tolist() == expected


def moved(
    role: list[int], wanted_C: FloatArray, off_K: FloatArray, limits: Limits
) -> Stages | None:
    """One moment in every bound stage, bands 203 to 207 and from 220 on."""
    bands = [203.0, 220.0], [207.0, HIGH_C]
    stage = np.flatnonzero(np.array(role) != FREE)
    return sag.moved(stages(role, *bands), bands, stage, wanted_C, wanted_C + off_K, limits)


def test_what_is_predicted_within_its_band_stays(limits: Limits) -> None:
    assert moved([0, 0, FREE, 1], np.array([203.0, 205.0, 220.0]), np.zeros(3), limits) is None
    small = np.array([-sag.SLACK_K, 0.0, -sag.SLACK_K])
    assert moved([0, 0, FREE, 1], np.array([203.0, 207.0, 220.0]), small, limits) is None


def test_a_dip_raises_the_floor_by_itself_and_leaves_the_ceiling(limits: Limits) -> None:
    found = moved([0, 0], np.array([203.0, 203.0]), np.array([0.0, -2.5]), limits)
    assert found is not None
    assert found.low_C.tolist() == [205.5] * 3
    assert found.high_C.tolist() == [207.0] * 3


def test_a_band_too_narrow_for_dip_and_swing_is_centred(limits: Limits) -> None:
    # From -4 to +2 K about what is planned: 206 puts 202 to 208 about the band's middle, 205.
    found = moved([0, 0], np.array([205.0, 205.0]), np.array([-4.0, 2.0]), limits)
    assert found is not None
    assert found.low_C.tolist() == found.high_C.tolist() == [206.0] * 3


def test_other_runs_and_ends_nobody_wished_stay(limits: Limits) -> None:
    off_K = np.array([0.5, -3.0, 9.0])
    found = moved([0, FREE, 1, 1], np.array([204.0, 220.0, 240.0]), off_K, limits)
    assert found is not None
    assert (found.low_C[0], found.high_C[0]) == (203.0, 207.0)
    assert (found.low_C[-1], found.high_C[-1]) == (223.0, HIGH_C)


def test_bands_never_leave_the_limits(limits: Limits) -> None:
    found = moved([1, 1], np.array([240.0, 240.0]), np.array([-45.0, 0.0]), limits)
    assert found is not None
    assert found.low_C.max() <= limits.high_C


@given(
    st.lists(
        st.tuples(st.integers(FREE, 1), st.floats(203.0, 207.0), st.floats(-6.0, 6.0)),
        min_size=1, max_size=12,
    )
)  # fmt: skip
def test_nodes_keep_ordered_bands_within_the_limits(
    limits: Limits, parts: list[tuple[int, float, float]]
) -> None:
    role = [own for own, _, _ in parts]
    bound = np.array([(T + 17.0 * own, off_K) for own, T, off_K in parts if own != FREE])
    wanted_C, off_K = bound.reshape(-1, 2).T
    found = moved(role, wanted_C, off_K, limits)
    if found is not None:
        before = stages(role, [203.0, 220.0], [207.0, HIGH_C])
        either = before.low_C <= before.high_C
        assert (found.low_C <= found.high_C)[either].all()
        assert found.low_C.min() >= LOW_C
        assert found.high_C.max() <= HIGH_C


def predicted_outside_K(schedule: Schedule, limits: Limits, wishes: Wishes) -> float:
    """How far the prediction of any print move of a wished role is outside its band, K."""
    told = expect(schedule, limits)
    assert told is not None
    job, steps, worst = schedule.job, slice(*schedule.span), 0.0
    middle_s = (schedule.start_s + 0.5 * schedule.motion.duration_s)[steps]
    T = np.interp(middle_s, told.trace.time_s, told.prediction.temperature_C)
    for name, wish in wishes.roles.items():
        own = (job.kind[steps] == s.EXTRUDE) & (job.role[steps] == job.role_names.index(name))
        worst = max(worst, *np.maximum(wish.low_C - T[own], T[own] - wish.high_C), 0.0)
    return worst


def test_a_bridge_under_full_fan_is_predicted_within_its_band(block: Limits) -> None:
    """The fan goes on with the bridge and pulls a slow block down by more than the guard."""
    job, wishes = demo_jobs()["bridge-piece"], demo_wishes()
    schedule = plan_schedule(job, block, wishes)
    assert predicted_outside_K(schedule, block, wishes) == 0.0
    unaware = plan_schedule(job, replace(block, heater=None), wishes)
    assert predicted_outside_K(unaware, block, wishes) > 0.3
    assert schedule.costs.schedule_s <= schedule.costs.smoothing_s * (1.0 + 1e-9)
    # Dips are named by the bands as wished, wherever the plan moved them to.
    assert schedule.too_short_count == unaware.too_short_count


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 100_000))
def test_a_random_jobs_prediction_is_never_worse_for_moving_its_bands(
    limits: Limits, seed: int
) -> None:
    """Against the plan that knows no heater, at equal limits; a quantum for what commands round."""
    machine, job = with_block(limits), make_random_job(seed)
    named = {"cool": Wish.near(208.0), "strong": Wish.near(230.0)}
    wishes = Wishes({name: wish for name, wish in named.items() if name in job.role_names})
    aware = plan_schedule(job, machine, wishes)
    unaware = plan_schedule(job, replace(machine, heater=None), wishes)
    off_K = predicted_outside_K(aware, machine, wishes)
    assert off_K <= predicted_outside_K(unaware, machine, wishes) + sag.SLACK_K
    assert aware.costs.schedule_s <= aware.costs.smoothing_s * (1.0 + 1e-9)


def test_without_wishes_nothing_moves(block: Limits) -> None:
    for job in demo_jobs().values():
        one, other = (plan_schedule(job, part) for part in (block, replace(block, heater=None)))
        np.testing.assert_array_equal(one.wanted.node_C, other.wanted.node_C)
