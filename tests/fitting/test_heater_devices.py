"""Plants that others published: an emulated lab device, and a measured lamp-heated plate."""

import contextlib
import io
import random
from pathlib import Path

import numpy as np
import pytest
import tclab

from hotbench.core.records import COMMANDED_DUTY, Run, RunInfo
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_result import HeaterFit

LEVELS = ((20, 0), (420, 60), (900, 0), (1300, 90), (1700, 30), (2400, 0))
"""Until when, s, and heater level, percent."""
QUANTUM_K = 0.3223


def lab_run() -> Run:
    """Heater 1 of tclab's emulated device, stepped on its own clock; readings are floored."""
    random.seed(3)
    with contextlib.redirect_stdout(io.StringIO()):
        lab = tclab.TCLabModel(synced=False)
    lab.tlast = 0.0
    rows, phases = [], []
    for second in range(LEVELS[-1][0]):
        lab.update(float(second))
        index = next(i for i, (until, _) in enumerate(LEVELS) if second < until)
        lab._Q1 = LEVELS[index][1]
        rows.append((second, lab.measurement(lab._T1) + QUANTUM_K / 2, lab._Q1 / 100.0))
        phases.append(f"level {index}")
    return run_of(np.array(rows, dtype=np.float64), phases)


def run_of(columns: np.ndarray, phases: list[str]) -> Run:
    """A run from time, temperature and duty."""
    zero = np.zeros(len(columns))
    return Run(
        info=RunInfo(
            run_id="device",
            procedure="import",
            created="2026-01-01T00:00:00Z",
            settings={COMMANDED_DUTY: True},  # its row holds what the script then applies
        ),
        time_s=columns[:, 0],
        temperature_C=columns[:, 1],
        setpoint_C=zero + np.nan,
        duty=columns[:, 2],
        fan=zero,
        flow_mm3_per_s=zero,
        phase=np.array(phases),
    )


@pytest.fixture(scope="module")
def lab() -> HeaterFit:
    return fit_heater([lab_run()])


def test_emulated_lab_device_is_recovered_to_its_published_parameters(lab: HeaterFit) -> None:
    """Source: tclab 1.0, TCLabModel.update: H1' = P1 Q1 / 5720 + (Ta - H1) / 20 - (H1 - H2) / 100,
    H2 alike, T1' = (H1 - T1) / 140, with P1 = 200. Unheated, H2 settles at a sixth of H1, so that
    H1 loses 0.05 + 0.01 x 5 / 6 per second; input and output poles of a second order can trade
    places, and the fit puts the slower one into the node.
    """
    assert lab.model == "second-order"
    loss = 0.05 + 0.01 * 5.0 / 6.0
    gain = (200.0 * 100.0 / 5720.0) / loss
    expected = {
        "loss_per_s": 1.0 / 140.0,
        "sensor_lag_s": 1.0 / loss,
        "heating_K_per_s": gain / 140.0,
    }
    for name, value in expected.items():
        stated = lab.parameters[name]
        assert stated.low <= value <= stated.high, name
        assert stated.half_width < 0.06 * value, name
    assert lab.ambient.value == pytest.approx(21.0, abs=0.2)


def test_measured_plate_second_half_is_predicted_from_the_first() -> None:
    """Source: DaISy 99-001, a lamp-heated plate (Dullerud & Smith 1996), drive in volts.

    It starts hot and never idles at ambient, so ambient and losses cannot be told apart.
    """
    table = np.loadtxt(
        Path(__file__).parent / "data" / "heating_system.csv", delimiter=",", skiprows=1
    )
    half = len(table) // 2
    phases = ["train"] * half + ["validate second half"] * (len(table) - half)
    columns = np.column_stack([table[:, 0], table[:, 2], table[:, 1] / table[:, 1].max()])
    fit = fit_heater([run_of(columns, phases)])
    (held,) = fit.validation
    assert held.error_percent < 5.0
    assert "ambient_C" in {item.name for item in fit.unidentified}
