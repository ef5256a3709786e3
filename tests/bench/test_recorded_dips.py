"""Recorded dips: when commanded, when within reach, how surely."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench.dips import recorded_dips, stretches, time_back, time_down
from hotbench.core.records import Event, Run, RunInfo, Sample

INFO = RunInfo(run_id="one", procedure="dip", created="")
STEP_s = 0.1


def dip_run(
    down_K_per_s: float = 3.0,
    up_K_per_s: float = 9.0,
    *,
    turn_s: float = 15.0,
    length_s: float = 30.0,
    commands: bool = True,
    noise_K: float = 0.0,
) -> Run:
    """220 to 190 °C and back at steady rates, commanded at 1 s and turn_s."""
    random = np.random.default_rng(4)
    samples = []
    for k in range(round(length_s / STEP_s)):
        at_s = k * STEP_s
        setpoint_C = 190.0 if 1.0 <= at_s < turn_s else 220.0
        low_C = max(220.0 - down_K_per_s * max(at_s - 1.0, 0.0), 190.0)
        bottom_C = max(220.0 - down_K_per_s * (turn_s - 1.0), 190.0)
        here_C = low_C if at_s < turn_s else min(bottom_C + up_K_per_s * (at_s - turn_s), 220.0)
        here_C += noise_K * random.standard_normal()
        phase = "dip 220-190" if at_s >= 0.95 else "hold 220"
        samples.append(Sample(at_s, here_C, setpoint_C, 0.2, 0.5, 0.0, phase))
    sent = [Event(1.0, "command", "M104 S190"), Event(turn_s, "command", "M104 S220")]
    return Run.from_samples(INFO, samples, events=sent if commands else [])


def test_a_dip_knows_its_commands_and_its_fan() -> None:
    (dip,) = recorded_dips(dip_run())
    assert (dip.from_C, dip.to_C, dip.fan) == (220.0, 190.0, 0.5)
    assert (dip.down_at_s, dip.back_at_s) == (1.0, 15.0)


@settings(deadline=None)
@given(down=st.floats(2.5, 12.0), up=st.floats(2.5, 20.0))
def test_crossings_are_interpolated_between_samples(down: float, up: float) -> None:
    run = dip_run(down, up)
    (dip,) = recorded_dips(run)
    fell, rose = time_down(run, dip, run.temperature_C), time_back(run, dip, run.temperature_C)
    assert fell is not None
    assert rose is not None
    assert fell.value == pytest.approx(28.0 / down, abs=0.03)
    assert rose.value == pytest.approx(27.0 / up, abs=0.03)
    assert fell.low <= 28.0 / down <= fell.high


def test_intervals_cover_under_noise() -> None:
    run = dip_run(noise_K=0.2)
    (dip,) = recorded_dips(run)
    fell = time_down(run, dip, run.temperature_C)
    assert fell is not None
    assert fell.low <= 28.0 / 3.0 <= fell.high
    assert fell.high - fell.low < 0.5
    assert fell.basis == "measured"


def test_a_temperature_never_reached_has_no_time() -> None:
    run = dip_run(down_K_per_s=1.0)
    (dip,) = recorded_dips(run)
    assert time_down(run, dip, run.temperature_C) is None


def test_a_dip_without_its_way_back_has_no_time_back() -> None:
    run = dip_run(turn_s=40.0)
    (dip,) = recorded_dips(
        Run.from_samples(
            INFO,
            [
                Sample(t, T, 190.0, 0.0, 0.0, 0.0, "dip 220-190")
                for t, T in zip(run.time_s[10:], run.temperature_C[10:], strict=True)
            ],
            events=[Event(1.0, "command", "M104 S190")],
        )
    )
    assert dip.back_at_s is None
    assert time_back(run, dip, run.temperature_C) is None


def test_without_commands_there_is_no_dip() -> None:
    assert list(recorded_dips(dip_run(commands=False))) == []
    assert list(recorded_dips(Run.from_samples(INFO, []))) == []


def test_stretches_are_cut_where_the_phase_changes() -> None:
    run = dip_run()
    assert list(stretches(run, "dip ")) == [(10, 300)]
    assert list(stretches(run, "hold")) == [(0, 10)]
    assert list(stretches(run, "ramp")) == []
