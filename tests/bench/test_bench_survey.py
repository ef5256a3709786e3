"""What a survey of 500 runs costs on two workers: linear in the runs, shared between both."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest
from many_runs import write_runs

from hotbench.bench.surveying import Surveyed, survey
from hotbench.store.checking import RunEntry, list_runs

pytestmark = [pytest.mark.bench, pytest.mark.slow]

PRINTERS, EACH, FEW = 10, 50, 100


@pytest.fixture(scope="module")
def entries(tmp_path_factory: pytest.TempPathFactory) -> list[RunEntry]:
    root = tmp_path_factory.mktemp("many")
    write_runs(root, printers=PRINTERS, each=EACH)
    found = list_runs(root)
    survey(found[:4], root, workers=2)  # compiles, and starts the workers
    return found


def timed(entries: list[RunEntry], workers: int) -> tuple[float, list[Surveyed]]:
    root = entries[0].folder.parents[1]
    begun_s = time.perf_counter()
    rows = survey(entries, Path(root), workers=workers)
    return time.perf_counter() - begun_s, rows


def test_five_hundred_runs_cost_five_times_a_hundred(
    entries: list[RunEntry], record_property: Callable[[str, object], None]
) -> None:
    """Linear: the same cost per run for 500 as for 100, within a quarter."""
    few_s, _ = timed(entries[::5], 2)
    all_s, rows = timed(entries, 2)
    record_property("seconds for 100 and 500 runs", (round(few_s, 1), round(all_s, 1)))
    assert len(rows) == PRINTERS * EACH
    assert not [row.remark for row in rows if row.remark]
    assert all_s / few_s < 1.25 * PRINTERS * EACH / FEW
