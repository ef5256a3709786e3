"""Schedule rows: which setpoints are given, and how they are written down."""

import csv
import io
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from hotbench.core.arrays import FloatArray
from hotbench.jobs.emit import (
    EXPECTED_COLUMNS,
    LEAD_K,
    QUANTUM_K,
    Row,
    as_csv,
    as_yaml,
    command,
    schedule_rows,
)
from hotbench.jobs.limits import Limits
from hotbench.jobs.schedule import Schedule, plan_schedule
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import Wishes

KNOTS = np.linspace(180.0, 260.0, 81)
UP_S, DOWN_S = (KNOTS - 180.0) / 2.0, (KNOTS - 180.0) / 0.5
ROWS = (
    Row(0.0, 8, 0, 3, "M109 S215"),
    Row(12.5, 40, 0, 30, "M104 S216.5"),
    Row(12.5, 40, 0, 30, "G4 P750"),
)


def given_C(wanted_C: FloatArray, tick_s: float = 1.0) -> FloatArray:
    time_s = np.arange(wanted_C.size, dtype=np.float64) * tick_s
    return command(wanted_C, time_s, float(wanted_C[0]), QUANTUM_K, KNOTS, UP_S, DOWN_S)


def held_C(given: FloatArray, start_C: float) -> FloatArray:
    """The setpoint in force at every tick."""
    values: FloatArray = np.array([start_C, *given[~np.isnan(given)]])
    return values[np.cumsum(~np.isnan(given))]


def test_a_level_wish_gives_nothing_after_the_first() -> None:
    assert np.isnan(given_C(np.full(50, 215.0))).all()


def test_a_ramp_is_given_in_quanta_and_ends_where_it_settles() -> None:
    wanted_C = np.concatenate([np.linspace(210.0, 214.2, 43), np.full(10, 214.2)])
    given = given_C(wanted_C)
    words = given[~np.isnan(given)]
    assert words[-1] == pytest.approx(214.2)
    assert (np.diff(words[:-1]) >= QUANTUM_K - 0.05).all()
    assert (np.diff(words) <= 2.0 * QUANTUM_K + 0.05).all()


ramps = st.lists(
    st.tuples(st.floats(185.0, 255.0), st.integers(1, 60)), min_size=1, max_size=8
)  # fmt: skip


@settings(deadline=None)
@given(ramps, st.floats(0.2, 5.0))
def test_setpoints_never_outrun_the_safe_slew_by_more_than_the_lead(
    levels: list[tuple[float, int]], tick_s: float
) -> None:
    """However wildly the wish jumps: against a follower walked at the safe slew by hand."""
    wanted_C = np.concatenate([np.full(count, T) for T, count in levels])
    held = held_C(given_C(wanted_C, tick_s), float(wanted_C[0]))
    at_C = float(wanted_C[0])
    for before, now in pairwise(held):
        at_C += float(np.clip(before - at_C, -0.5 * tick_s, 2.0 * tick_s))
        assert abs(now - at_C) <= LEAD_K + 0.05 + 1e-6


@settings(deadline=None)
@given(ramps)
def test_a_wish_within_the_slew_is_kept_within_two_quanta(levels: list[tuple[float, int]]) -> None:
    parts, at_C = [np.array([220.0])], 220.0
    for T, count in levels:
        aim_C = float(np.clip(T, at_C - 0.4 * count, at_C + 0.4 * count))
        parts.append(np.linspace(at_C, aim_C, count + 1)[1:])
        at_C = aim_C
    wanted_C = np.concatenate(parts)
    held = held_C(given_C(wanted_C), 220.0)
    assert np.abs(held - wanted_C).max() < 2.0 * QUANTUM_K


def test_csv_reads_back() -> None:
    read = list(csv.DictReader(io.StringIO(as_csv(ROWS))))
    assert [row["command"] for row in read] == [row.command for row in ROWS]
    assert [float(row["time_s"]) for row in read] == [row.time_s for row in ROWS]
    assert all(row[name] == "" for row in read for name in EXPECTED_COLUMNS)


def test_yaml_is_as_it_was() -> None:
    null = ", ".join(f'"{name}": null' for name in EXPECTED_COLUMNS)
    assert as_yaml(ROWS[:1], 1.75) == (
        "hotbench_schedule: 1\n"
        "lead_s: 1.75\n"
        "rows:\n"
        f'- {{"time_s": 0.0, "line": 8, "layer": 0, "command": "M109 S215", {null}}}\n'
    )


def test_yaml_and_csv_say_the_same() -> None:
    document = YAML(typ="safe").load(as_yaml(ROWS, 2.0))
    for row, line in zip(document["rows"], csv.DictReader(io.StringIO(as_csv(ROWS))), strict=True):
        assert {key: "" if value is None else str(value) for key, value in row.items()} == line


@pytest.fixture(scope="module")
def schedules(
    jobs: dict[str, Timeline], wishes: dict[str, Wishes], limits: Limits
) -> dict[str, Schedule]:
    return {name: plan_schedule(job, limits, wishes[name]) for name, job in jobs.items()}


def test_rows_begin_with_a_wait_and_go_forward(schedules: dict[str, Schedule]) -> None:
    for schedule in schedules.values():
        first, *rest = schedule_rows(schedule)
        assert first.command.startswith("M109 S")
        assert first.step == schedule.span[0]
        assert all(row.command.split()[0] in ("M104", "G4") for row in rest)
        times = [row.time_s for row in rest]
        assert times == sorted(times)
        lines = [row.line for row in (first, *rest)]
        assert lines == sorted(lines)


def test_pauses_are_handed_out_in_full(schedules: dict[str, Schedule]) -> None:
    for schedule in schedules.values():
        pauses = [r for r in schedule_rows(schedule) if r.command.startswith("G4")]
        told_s = sum(float(row.command.split("P")[1]) for row in pauses) / 1000.0
        assert schedule.pause_s.sum() <= told_s <= schedule.pause_s.sum() + 1e-3 * len(pauses)
        most = math.ceil(1000.0 * schedule.slice_s)
        assert all(int(row.command.split("P")[1]) <= most for row in pauses)
    assert any(schedule.pause_s.any() for schedule in schedules.values())


def test_a_finer_quantum_gives_more_words_and_follows_closer(
    schedules: dict[str, Schedule],
) -> None:
    schedule = schedules["bracket"]
    coarse, fine = (schedule_rows(schedule, quantum) for quantum in (1.0, 0.25))
    assert len(fine) > len(coarse)
