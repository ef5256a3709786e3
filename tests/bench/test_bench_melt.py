"""How long a melt fit takes, alone and by the thousand."""

import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest
from melt_truths import TEMPERATURES_C, Truth
from pytest_benchmark.fixture import BenchmarkFixture

from hotbench.core.records import Extrusion
from hotbench.fitting.melt import fit_melt

LOADS = (0.45, 0.5, 0.5, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15, 1.2, 1.3)
FITS, ALLOWED_s, CORES = 10_000, 120.0, 2


def session(seed: int) -> list[Extrusion]:
    truth = Truth(seed)
    return [truth.weigh(at, load * truth.limit(at)) for at in TEMPERATURES_C for load in LOADS]


def fit_many(first: int, count: int) -> tuple[float, float]:
    """Fits with intervals; returns their mean relative half-width and the processor time, s."""
    extrusions = [session(first + i) for i in range(20)]
    widths = []
    begun_s = time.process_time()
    for i in range(count):
        limit = fit_melt(extrusions[i % 20]).limits[1].limit
        widths.append((limit.half_width or np.nan) / limit.value)
    return float(np.mean(widths)), time.process_time() - begun_s


@pytest.mark.bench
def test_one_fit_with_intervals(benchmark: BenchmarkFixture) -> None:
    extrusions = session(1)
    fit_melt(extrusions)
    benchmark.pedantic(fit_melt, args=(extrusions,), rounds=20, iterations=1)
    if benchmark.stats is not None:
        assert benchmark.stats.stats.median < 0.1


@pytest.mark.bench
@pytest.mark.slow
def test_ten_thousand_fits_on_two_cores() -> None:
    """Judged by processor time, so that a busy machine does not decide."""
    with ProcessPoolExecutor(CORES, mp_context=get_context("spawn")) as pool:
        list(pool.map(fit_many, (0, 100), (20, 20)))
        found = list(pool.map(fit_many, range(0, 1000, 100), [FITS // 10] * 10))
    assert all(0.01 < width < 0.1 for width, _ in found)
    assert sum(taken_s for _, taken_s in found) / CORES < ALLOWED_s
