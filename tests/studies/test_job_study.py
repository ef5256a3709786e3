"""Schedules made from measured profiles, played through the printer that was measured.

Every printer is a random relative of a simulated one: recorded over its wire in virtual time,
fitted, its profile turned into schedules of all demo jobs and of random jobs, and these played
through its own physics. Writes a table beside this file. The seeds from FIRST_SEED on were not used
while developing. HOTBENCH_STUDY_PRINTERS sets how many printers of each kind, 2 by default.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from job_samples import demo_jobs, demo_wishes, make_random_job
from played_jobs import half_widths_K, measured, outside_interval_K, outside_K, play

from hotbench.jobs.limits import Limits, limits_of
from hotbench.jobs.schedule import plan_schedule
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import Wish, Wishes
from hotbench.sim.loop import FaultCode
from hotbench.sim.printers import PRINTERS, PrinterSpec, randomised

pytestmark = [pytest.mark.study, pytest.mark.slow]

FIRST_SEED = 98500
PRINTERS_PER_KIND = int(os.environ.get("HOTBENCH_STUDY_PRINTERS", "2"))
RANDOM_JOBS = 6
RANDOM_WISHES = Wishes({"cool": Wish.near(208.0), "strong": Wish.near(230.0)})
LEAST_RATIO = 0.95


@dataclass(frozen=True)
class Row:
    """One schedule played.

    share and worst: of print moves of wished roles outside their bands. missed: share of all print
    moves outside the interval stated for their surface; half_width_K: the median one.
    """

    kind: str
    seed: int
    job: str
    faulted: bool
    ratio: float
    share: float
    worst_K: float
    over_smoothing: float
    missed: float
    half_width_K: float


def played(
    spec: PrinterSpec, limits: Limits, seed: int, name: str, job: Timeline, wishes: Wishes
) -> Row:
    schedule = plan_schedule(job, limits, wishes)
    came = play(spec, schedule, seed)
    off_K = outside_K(came, schedule, wishes)
    costs = schedule.costs
    return Row(
        kind=spec.name,
        seed=seed,
        job=name,
        faulted=came.fault is not FaultCode.NONE,
        ratio=came.ratio,
        share=float(np.mean(off_K > 0.0)),
        worst_K=float(off_K.max()),
        over_smoothing=costs.schedule_s / costs.smoothing_s - 1.0,
        missed=float(np.mean(outside_interval_K(came, schedule, limits) > 0.0)),
        half_width_K=float(np.median(half_widths_K(schedule, limits))),
    )


def printer_rows(kind: str, seed: int, folder: Path) -> list[Row]:
    spec = randomised(kind, seed)
    limits = limits_of(measured(spec, seed, folder))
    jobs = [(name, job, demo_wishes()) for name, job in demo_jobs().items()]
    jobs += [
        (f"random {k}", make_random_job(FIRST_SEED + 10 * seed + k), RANDOM_WISHES)
        for k in range(RANDOM_JOBS)
    ]
    return [played(spec, limits, seed, *entry) for entry in jobs]


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    folder = tmp_path_factory.mktemp("printers")
    found = [
        row
        for kind in PRINTERS
        for seed in range(FIRST_SEED, FIRST_SEED + PRINTERS_PER_KIND)
        for row in printer_rows(kind, seed, folder / f"{kind}-{seed}")
    ]
    Path(__file__).with_name("job_study.txt").write_text(table(found), encoding="utf-8")
    return found


def table(rows: list[Row]) -> str:
    head = (
        "kind         jobs            printers  faults  least ratio  outside  worst/K"
        "  over smoothing  outside stated  half width/K"
    )
    lines = [head]
    for kind in PRINTERS:
        for name, chosen in JOBS.items():
            own = [row for row in rows if row.kind == kind and chosen(row)]
            lines.append(
                f"{kind:12s} {name:14s} {len({r.seed for r in own}):9d} "
                f"{sum(r.faulted for r in own):7d} {min(r.ratio for r in own):12.3f} "
                f"{np.mean([r.share for r in own]):8.2%} {max(r.worst_K for r in own):8.2f} "
                f"{max(r.over_smoothing for r in own):+15.1%} "
                f"{np.mean([r.missed for r in own]):15.2%} "
                f"{np.median([r.half_width_K for r in own]):13.2f}"
            )
    return "\n".join([*lines, ""])


JOBS: dict[str, Callable[[Row], bool]] = {
    "vase": lambda row: row.job == "vase",
    "bracket": lambda row: row.job == "bracket",
    "bridge-piece": lambda row: row.job == "bridge-piece",
    "random": lambda row: row.job.startswith("random"),
}


def test_no_board_faults(rows: list[Row]) -> None:
    assert not [row for row in rows if row.faulted]


def test_the_delivered_ratio_stays_within_five_percent(rows: list[Row]) -> None:
    assert min(row.ratio for row in rows) >= LEAST_RATIO


def test_surfaces_meet_the_stated_interval(rows: list[Row]) -> None:
    """The intervals rest on figures of 95 % confidence."""
    assert np.mean([row.missed for row in rows]) <= 0.05


def outside(rows: list[Row], *, demo: bool) -> list[Row]:
    return [r for r in rows if r.worst_K > 0.0 and r.job.startswith("random") is not demo]


def test_roles_of_demo_jobs_are_printed_within_their_bands(rows: list[Row]) -> None:
    assert not outside(rows, demo=True)


def test_roles_of_random_jobs_are_printed_within_their_bands(rows: list[Row]) -> None:
    assert not outside(rows, demo=False)


def test_time_is_never_above_plain_smoothing(rows: list[Row]) -> None:
    assert max(row.over_smoothing for row in rows) <= 1e-9
