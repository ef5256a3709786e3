"""What a survey of 500 runs costs on two workers: linear in the runs."""

import time
from pathlib import Path

import pytest
from many_runs import write_runs
from pytest_benchmark.fixture import BenchmarkFixture

from hotbench.bench.surveying import Surveyed, survey
from hotbench.store.checking import list_runs

pytestmark = [pytest.mark.bench, pytest.mark.slow]

PRINTERS, EACH, FEW = 10, 50, 100


def test_the_fifth_hundred_runs_cost_as_much_as_the_first(
    benchmark: BenchmarkFixture, tmp_path: Path
) -> None:
    """Linear: all 500 take no more than a quarter above five times what the first 100 took.

    On a machine that does nothing else meanwhile: other work counts as cost.
    """
    write_runs(tmp_path, printers=PRINTERS, each=EACH)
    entries = list_runs(tmp_path)
    survey(entries[:4], tmp_path, workers=2)  # compiles, and starts the workers
    passed_s: list[float] = []

    def run() -> list[Surveyed]:
        begun_s = time.perf_counter()

        def note(share: float, text: str) -> None:
            passed_s.append(time.perf_counter() - begun_s)

        return survey(entries, tmp_path, workers=2, progress=note)

    rows = benchmark.pedantic(run, rounds=1)
    hundreds = [round(passed_s[k - 1], 1) for k in range(FEW, PRINTERS * EACH + 1, FEW)]
    benchmark.extra_info["seconds after each hundred runs"] = hundreds
    assert len(rows) == PRINTERS * EACH
    assert not [row.remark for row in rows if row.remark]
    assert passed_s[-1] < 1.25 * len(rows) / FEW * passed_s[FEW - 1]
