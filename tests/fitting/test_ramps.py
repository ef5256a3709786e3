"""From a recorded run to ramp trials."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.records import Event, Run, RunInfo, Sample
from hotbench.fitting.ramps import RampTrial, ramp_trials, trials_of

INFO = RunInfo(run_id="r1", procedure="ramp", created="2026-01-01T00:00:00Z")
LAG_s, STEP_s = 0.8, 0.1


def samples(
    rate: float,
    way: str = "up",
    *,
    start_s: float = 0.0,
    noise_K: float = 0.0,
    duty: float = 0.6,
    prefix: str = "",
) -> list[Sample]:
    """Hold, a ramp of 30 K whose temperature trails by rate × lag, and a tail."""
    random = np.random.default_rng(5)
    sign, begin_C = (1.0, 200.0) if way == "up" else (-1.0, 230.0)
    ramp_s = 30.0 / rate
    found = []
    for i in range(round((2.0 + ramp_s + 6.0) / STEP_s)):
        time_s = i * STEP_s - 2.0
        moved = min(max(time_s, 0.0), ramp_s) * rate
        into_s = min(max(time_s, 0.0), ramp_s)
        trail = rate * LAG_s * (1.0 - np.exp(-into_s / LAG_s))
        trail *= np.exp(-max(time_s - ramp_s, 0.0) / LAG_s)
        setpoint = begin_C + sign * moved
        phase = f"hold {begin_C:g}" if time_s < 0.0 else f"{prefix}ramp {way} {rate!r}"
        reading = setpoint - sign * trail + noise_K * random.standard_normal()
        found.append(Sample(start_s + time_s + 2.0, reading, setpoint, duty, 0.5, 0.0, phase))
    return found


def run(parts: list[list[Sample]], events: list[Event] | None = None) -> Run:
    return Run.from_samples(INFO, [s for part in parts for s in part], events=events or [])


def test_deviation_direction_and_ends() -> None:
    up, down = ramp_trials(run([samples(5.0), samples(2.0, "down", start_s=20.0)]))
    assert (up.direction, down.direction) == ("heating", "cooling")
    assert (up.rate_K_per_s, down.rate_K_per_s) == (5.0, 2.0)
    assert up.deviation_K == pytest.approx(5.0 * LAG_s, rel=0.03)
    assert down.deviation_K == pytest.approx(2.0 * LAG_s, rel=0.03)
    assert (up.from_C, up.to_C) == (200.0, 230.0)
    assert (up.fan, up.run_id, up.clean, up.visible) == (0.5, "r1", True, True)
    assert down.movement_K == pytest.approx(60.0, abs=1.0)


def test_noise_is_smoothed_out_and_reported() -> None:
    quiet, noisy = (ramp_trials(run([samples(1.5, noise_K=n)]))[0] for n in (0.0, 0.2))
    assert noisy.noise_K == pytest.approx(0.2, rel=0.25)
    assert noisy.peak_K > noisy.deviation_K > quiet.deviation_K - 0.1
    # The raw peak of 260 readings lies three deviations up, 0.6 K; smoothing halves that.
    assert noisy.peak_K - quiet.deviation_K > 0.3
    assert noisy.deviation_K - quiet.deviation_K < 0.4
    assert noisy.noise_peak_K > 0.0


def test_fault_cuts_the_ramp_and_is_kept_verbatim() -> None:
    parts = samples(10.0)
    fault_s = 4.0
    cut = [s for s in parts if s.time_s <= fault_s]
    dead = [Sample(fault_s + 0.1 * i, 150.0, 230.0, 0.0, 0.5, 0.0, cut[-1].phase) for i in (1, 2)]
    events = [Event(1.0, "note", "x"), Event(fault_s, "fault", "!! tracking lost at 9.1 K")]
    (trial,) = ramp_trials(run([cut, dead], events))
    assert trial.fault == "!! tracking lost at 9.1 K"
    assert not trial.clean
    assert trial.deviation_K < 10.0


def test_fault_just_after_the_last_sample_belongs_to_the_ramp() -> None:
    part = samples(5.0)
    late = [Event(part[-1].time_s + 1.0, "fault", "late")]
    much_later = [Event(part[-1].time_s + 30.0, "fault", "later")]
    assert ramp_trials(run([part], late))[0].fault == "late"
    assert ramp_trials(run([part], much_later))[0].clean


@pytest.mark.parametrize(("way", "duty", "share"), [("up", 1.0, 1.0), ("up", 0.5, 0.0)])
def test_saturation(way: str, duty: float, share: float) -> None:
    assert ramp_trials(run([samples(5.0, way, duty=duty)]))[0].saturation == share
    assert ramp_trials(run([samples(5.0, "down", duty=0.0)]))[0].saturation == 1.0
    assert np.isnan(ramp_trials(run([samples(5.0, duty=np.nan)]))[0].saturation)


def test_other_phases_held_out_and_short_ones_are_left_out() -> None:
    held_out = samples(5.0, prefix="validate ")
    short = [s for s in samples(5.0) if s.phase.startswith("ramp")][:2]
    assert ramp_trials(run([held_out])) == []
    assert ramp_trials(run([short])) == []
    assert ramp_trials(run([[]])) == []
    assert len(trials_of([run([samples(5.0)]), run([samples(4.0)])])) == 2


def test_heater_off_samples_do_not_count() -> None:
    part = samples(5.0)
    off = [Sample(s.time_s + 20.0, 100.0, 0.0, 0.0, 0.0, 0.0, part[-1].phase) for s in part[:10]]
    assert ramp_trials(run([part, off]))[0].deviation_K < 5.0


@given(rate=st.floats(0.2, 40.0), noise_K=st.floats(0.0, 0.5))
def test_every_ramp_gives_a_finite_trial(rate: float, noise_K: float) -> None:
    (trial,) = ramp_trials(run([samples(round(rate, 4), noise_K=noise_K)]))
    assert isinstance(trial, RampTrial)
    # At its end a ramp of 30 K trails by rate × lag × (1 − exp(−30/(rate × lag))).
    trail_K = rate * LAG_s * (1.0 - np.exp(-30.0 / (rate * LAG_s)))
    assert trial.deviation_K == pytest.approx(trail_K, abs=2.0 * noise_K + 0.1 * rate)
    assert trial.deviation_K <= 1.05 * trial.peak_K + 3.0 * noise_K
