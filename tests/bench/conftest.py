"""Runs on the simulated printer in virtual time, and one analysis of them, shared by the tests."""

from pathlib import Path

import pytest

from hotbench.bench.analysis import Analysis, FitOptions, analyse
from hotbench.bench.connecting import LinkOptions, connected
from hotbench.bench.recording import PanLater, record
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.ramps import RampTest
from hotbench.procedures.steps import StepTest

HOSTILE = "step<script>alert(1)&"
FAULT_K = 9.0


def kept(folder: Path, procedure: Procedure, seed: int) -> Path:
    """Record `procedure` on the fast sleeve."""
    link = LinkOptions(port="sim:swift-sleeve", seed=seed)
    with connected(link) as line:
        record(procedure, line, link, folder)
    return folder


@pytest.fixture(scope="session")
def folders(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A step test with a hostile name, a ladder of ramps, and weighings."""
    at = tmp_path_factory.mktemp("bench runs")
    step = StepTest(to_C=(220.0,), fans=(0.0, 1.0), hold_s=20.0)
    ramp = RampTest(
        low_C=200.0,
        high_C=220.0,
        rates_K_per_s=(2.0, 3.0, 4.0, 5.0),
        cooling_rates_K_per_s=(0.5, 0.7, 0.9, 1.1),
    )
    melt = ExtrudeTest(
        temperatures_C=(200.0, 220.0, 240.0),
        flows_mm3_per_s=(6.0, 10.0, 13.0, 16.0),
        length_mm=30.0,
        scale=PanLater(),
    )
    return [
        kept(at / HOSTILE, step, 9301),
        kept(at / "ramp", ramp, 9302),
        kept(at / "melt", melt, 9303),
    ]


@pytest.fixture(scope="session")
def analysis(folders: list[Path]) -> Analysis:
    """Everything fitted to them."""
    return analyse(folders, FitOptions(fault_deviation_K=FAULT_K))
