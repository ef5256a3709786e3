"""Temperatures stated for every surface of a job, with their intervals."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from job_samples import make_random_job
from ruamel.yaml import YAML

from hotbench.core.arrays import FloatArray
from hotbench.jobs import scan as s
from hotbench.jobs.emit import as_csv, as_yaml, schedule_rows
from hotbench.jobs.limits import ASSUMED_ERROR_K, HeaterFacts, Limits, limits_of
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.prediction import Prediction, predict, slower_loops
from hotbench.jobs.rehearsal import rehearse
from hotbench.jobs.schedule import expect, plan_schedule
from hotbench.jobs.surfaces import Surfaces, role_heats, surfaces
from hotbench.jobs.timeline import read_timeline
from hotbench.jobs.wishes import Wish, Wishes
from hotbench.models.heater import HEATER_MODELS
from hotbench.profile.yaml_io import read_profile

DATA = Path(__file__).parents[2] / "data_demo"
BIN_S = 0.25
HEATER = HeaterFacts("one-node", {"heating_K_per_s": 5.0}, 25.0, error_K=0.5)
QUICK = settings(max_examples=25, deadline=None)
WISHES = Wishes({"cool": Wish.near(205.0), "strong": Wish.near(231.0)})


@pytest.fixture(scope="module")
def told(limits: Limits) -> Limits:
    """A hot end whose heater and slew claim are stated."""
    return replace(limits, heater=HEATER, trail_s=6.0)


def band(limits: Limits, set_C: FloatArray, flow: float = 0.0) -> Prediction:
    quiet = np.zeros(set_C.size)
    found = predict(limits, BIN_S, set_C, quiet + flow, quiet, float(set_C[0]))
    assert found is not None
    return found


def step(bins: int = 400, by_K: float = 10.0) -> FloatArray:
    return np.where(np.arange(bins) < 40, 210.0, 210.0 + by_K)


def test_a_settled_start_stays_where_it_is(told: Limits) -> None:
    found = band(told, np.full(400, 210.0))
    np.testing.assert_allclose(found.temperature_C, 210.0, atol=0.05)


def test_at_rest_the_interval_is_the_fits_own_error(told: Limits) -> None:
    found = band(told, step(4000))
    assert found.high_C[-1] - found.temperature_C[-1] == pytest.approx(HEATER.error_K, abs=0.1)
    assert found.temperature_C[-1] - found.low_C[-1] == pytest.approx(HEATER.error_K, abs=0.1)


def test_after_a_step_it_widens_by_what_the_claim_leaves_open(told: Limits) -> None:
    wide, known = band(told, step()), band(replace(told, trail_s=0.0), step())
    width, least = wide.high_C - wide.low_C, known.high_C - known.low_C
    assert width[:40].max() == pytest.approx(2.0 * HEATER.error_K, abs=0.1)
    assert width.max() > 3.0 * width[:40].max()
    assert least.max() < 0.5 * width.max()


def test_uncertain_loads_widen_it(told: Limits) -> None:
    heater = replace(HEATER, ends={"load_per_mm3": (1e-5, 2e-3), "fan_loss_per_s": (1e-3, 2e-2)})
    wide, narrow = (
        band(replace(told, heater=h), np.full(400, 210.0), flow=8.0) for h in (heater, HEATER)
    )
    assert wide.low_C.min() < narrow.low_C.min() - 0.5


@QUICK
@given(st.integers(0, 10_000), st.floats(0.0, 20.0), st.floats(0.0, 12.0))
def test_the_prediction_lies_in_its_interval(
    limits: Limits, seed: int, trail_s: float, flow: float
) -> None:
    random = np.random.default_rng(seed)
    set_C = 215.0 + np.cumsum(random.uniform(-0.5, 0.5, 300))
    found = band(replace(limits, heater=HEATER, trail_s=trail_s), set_C, flow)
    assert (found.low_C <= found.temperature_C - HEATER.error_K + 1e-9).all()
    assert (found.high_C >= found.temperature_C + HEATER.error_K - 1e-9).all()


@pytest.mark.parametrize("rate_K_per_s", [0.5, 2.0])
def test_a_slow_loop_trails_a_ramp_as_the_claim_allows(limits: Limits, rate_K_per_s: float) -> None:
    """The closed forms in slower_loops, against a loss-free integrator that is walked here."""
    vector = HEATER_MODELS["one-node"].vector({"heating_K_per_s": 5.0}, 25.0)
    slow = replace(limits, lag_s=0.1, trail_s=8.0)
    for gains in slower_loops(vector, slow):
        rise, integral, worst, h = 0.0, 0.0, 0.0, 0.01
        for k in range(10_000):
            error = rate_K_per_s * k * h - rise
            integral += gains.Ki * error * h
            rise += 5.0 * (gains.Kp * error + integral) * h
            worst = max(worst, error)
        assert worst == pytest.approx(rate_K_per_s * 8.0, rel=0.01)


def test_no_claim_leaves_no_slower_loop(limits: Limits) -> None:
    vector = HEATER_MODELS["one-node"].vector({}, 25.0)
    assert slower_loops(vector, replace(limits, trail_s=0.0)) == ()


def test_the_error_is_the_worst_on_what_the_fit_has_not_seen() -> None:
    profile = read_profile(DATA / "example_machine.yaml")
    heater = limits_of(profile).heater
    assert heater is not None
    assert heater.error_K == 2.1
    assert heater.ends["heating_K_per_s"] == (20.9, 21.7)
    assert profile.heater is not None
    bare = profile.model_copy(
        update={"heater": profile.heater.model_copy(update={"validation": ()})}
    )
    unknown = limits_of(bare).heater
    assert unknown is not None
    assert unknown.error_K == ASSUMED_ERROR_K


@pytest.mark.parametrize("name", ["vase", "bracket", "bridge-piece"])
def test_every_print_move_belongs_to_one_stretch(
    name: str, texts: dict[str, bytes], patterns: CommentPatterns, told: Limits
) -> None:
    verdict = rehearse(read_timeline(texts[name], patterns), told)
    found, job = verdict.surfaces, verdict.job
    assert found is not None
    printing = np.flatnonzero(job.kind == s.EXTRUDE)
    at = np.searchsorted(found.begin_s, verdict.start_s[printing] + 1e-9) - 1
    np.testing.assert_array_equal(found.role[at], job.role[printing])
    np.testing.assert_array_equal(found.layer[at], job.layer[printing])
    assert (verdict.end_s[printing] <= found.end_s[at] + 1e-9).all()
    assert np.unique(at).size == len(found)
    assert (found.low_C < found.expected_C).all()
    assert (found.expected_C < found.high_C).all()


def flat(values: FloatArray) -> Prediction:
    return Prediction(values, values - 1.0, values + 2.0, values * 0.0, values)


@QUICK
@given(st.integers(0, 10_000))
def test_stretches_hold_the_ends_of_the_interval(seed: int) -> None:
    """Against a plain loop over the bins that a stretch touches."""
    job = make_random_job(seed)
    end_s = np.cumsum(np.random.default_rng(seed).uniform(0.05, 2.0, len(job)))
    start_s = np.concatenate([[0.0], end_s[:-1]])
    values = np.random.default_rng(seed).uniform(190.0, 240.0, int(end_s[-1] / BIN_S) + 1)
    found = surfaces(job, slice(0, len(job)), start_s, end_s, BIN_S, flat(values))
    for k in range(len(found)):
        first = max(0, int(found.begin_s[k] / BIN_S) - 1)
        seen = values[first : int(found.end_s[k] / BIN_S) + 1]
        assert found.low_C[k] == seen.min() - 1.0
        assert found.high_C[k] == seen.max() + 2.0
        assert found.expected_C[k] == pytest.approx(seen.mean())


def test_a_job_that_prints_nothing_has_no_surface() -> None:
    job = read_timeline(b"M104 S210\nG1 X10 F600\nG1 X0\n")
    ends = np.array([1.0, 2.0])[: len(job)]
    found = surfaces(job, slice(0, len(job)), ends - 1.0, ends, BIN_S, flat(np.full(9, 200.0)))
    assert len(found) == 0
    assert role_heats(found) == ()


def two_stretches(low_C: float, high_C: float) -> Surfaces:
    ones = np.ones(2, dtype=np.int64)
    return Surfaces(
        role_names=("", "cool"),
        role=ones,
        layer=ones,
        line=ones,
        begin_s=np.array([0.0, 10.0]),
        end_s=np.array([1.0, 13.0]),
        expected_C=np.array([205.0, 206.0]),
        low_C=np.array([204.0, low_C]),
        high_C=np.array([207.0, high_C]),
    )


@pytest.mark.parametrize(
    ("low_C", "high_C", "share"), [(203.0, 207.0, 1.0), (201.0, 207.0, 0.25), (203.0, 209.0, 0.25)]
)
def test_only_whole_intervals_are_surely_inside(low_C: float, high_C: float, share: float) -> None:
    (heat,) = role_heats(two_stretches(low_C, high_C), WISHES)
    assert (heat.role, heat.stretches, heat.time_s) == ("cool", 2, 4.0)
    assert heat.surely_inside == pytest.approx(share)
    assert (heat.least_C, heat.most_C) == (205.0, 206.0)
    assert (heat.low_C, heat.high_C) == (min(204.0, low_C), high_C)
    assert role_heats(two_stretches(low_C, high_C))[0].surely_inside is None


def test_handed_out_rows_carry_the_interval(told: Limits) -> None:
    schedule = plan_schedule(make_random_job(3), told, WISHES)
    expected, rows = expect(schedule, told), schedule_rows(schedule)
    assert expected is not None
    table = list(csv.DictReader(as_csv(rows, expected).splitlines()))
    assert len(table) == len(rows)
    for row in table:
        low_C, at_C, high_C = (float(row[key]) for key in ("low_C", "expected_C", "high_C"))
        assert low_C < at_C < high_C
    read = YAML(typ="safe").load(as_yaml(rows, schedule.lead_s, expected))
    assert len(read["surfaces"]) == len(expected.surfaces)
    assert {item["role"] for item in read["surfaces"]} <= {"cool", "strong", "free"}
    assert read["rows"][0]["low_C"] == float(table[0]["low_C"])


def test_without_a_heater_columns_stay_empty(limits: Limits) -> None:
    schedule = plan_schedule(make_random_job(3), limits, WISHES)
    assert expect(schedule, limits) is None
    rows = schedule_rows(schedule)
    (row, *_) = csv.DictReader(as_csv(rows).splitlines())
    assert (row["expected_C"], row["low_C"], row["high_C"]) == ("", "", "")
    last = as_yaml(rows, 1.0).splitlines()[-1]
    assert json.loads(last[2:])["expected_C"] is None
