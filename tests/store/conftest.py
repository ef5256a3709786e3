from collections.abc import Callable
from pathlib import Path

import pytest

from hotbench.core.records import Event, Extrusion, Outcome, RunInfo, Sample
from hotbench.store.writer import RunWriter


@pytest.fixture
def info() -> RunInfo:
    return RunInfo(
        run_id="bench-1",
        procedure="step",
        created="2026-01-02T03:04:05Z",
        settings={"to_C": [240.0], "dip": [220.0, 190.0], "validate": True},
        printer="plain-block",
        firmware="simboard 1.0",
        port="virtual:plain-block",
        host="bench",
        software_version="0.1.0",
        ambient_C=23.5,
        simulated=True,
    )


@pytest.fixture
def samples() -> list[Sample]:
    return [
        Sample(i * 0.1, 24.0 + 0.5 * i, 240.0, 64 / 127, 0.5, 0.0, "heat 240" if i else "idle")
        for i in range(20)
    ]


@pytest.fixture
def write_run(tmp_path: Path, info: RunInfo, samples: list[Sample]) -> Callable[..., Path]:
    """Writes a run with samples, events and extrusions; returns its folder."""

    def write(
        name: str = "run",
        *,
        outcome: Outcome = "complete",
        extrusions: tuple[Extrusion, ...] = (),
    ) -> Path:
        writer = RunWriter(tmp_path / name, info)
        writer.on_event(Event(0.0, "phase", "idle"))
        for sample in samples:
            writer.on_sample(sample)
        writer.on_event(Event(2.0, "heard", 'odd "line", with\r\nbreaks \\ and \0'))
        for extrusion in extrusions:
            writer.on_extrusion(extrusion)
        writer.close(outcome)
        return tmp_path / name

    return write
