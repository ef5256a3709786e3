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
FITS, ALLOWED_s = 10_000, 120.0


def session(seed: int) -> list[Extrusion]:
    truth = Truth(seed)
    return [truth.weigh(at, load * truth.limit(at)) for at in TEMPERATURES_C for load in LOADS]


def fit_many(first: int, count: int) -> float:
    """Fits with intervals; returns the mean relative half-width, so that nothing is skipped."""
    extrusions = [session(first + i) for i in range(20)]
    widths = []
    for i in range(count):
        limit = fit_melt(extrusions[i % 20]).limits[1].limit
        widths.append((limit.half_width or np.nan) / limit.value)
    return float(np.mean(widths))


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
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(fit_many, (0, 100), (20, 20)))
        begun_s = time.perf_counter()
        widths = list(pool.map(fit_many, range(0, 1000, 100), [FITS // 10] * 10))
        taken_s = time.perf_counter() - begun_s
    assert all(0.01 < width < 0.1 for width in widths)
    assert taken_s < ALLOWED_s
