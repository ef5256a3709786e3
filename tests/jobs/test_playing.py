from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from job_samples import demo_jobs, demo_wishes
from played_jobs import measured, outside_interval_K, outside_K, play

from hotbench.core.arrays import FloatArray
from hotbench.jobs.limits import SLEW_MARGIN, FlowTable, Limits, SlewTable, limits_of
from hotbench.jobs.schedule import Schedule, plan_schedule
from hotbench.jobs.timeline import Timeline
from hotbench.jobs.wishes import Wish, Wishes
from hotbench.sim import truth
from hotbench.sim.loop import FaultCode
from hotbench.sim.printers import PRINTERS, PrinterSpec, randomised

MEASURED_SEED = 61900
RANDOM_WISHES = Wishes({"cool": Wish.near(205.0), "strong": Wish.near(231.0)})


def true_limits(spec: PrinterSpec) -> Limits:
    """Limits from the simulated printer's true figures, as a perfect profile would state them."""
    at_C = np.arange(195.0, 246.0, 10.0)
    flow = np.array([truth.flow_limit_mm3_per_s(spec, float(T)) for T in at_C])
    up = truth.ramp_limit_K_per_s(spec, 200.0, 240.0, draws=2)
    down = truth.ramp_limit_K_per_s(spec, 235.0, 195.0, draws=2)
    down = min(down, *(truth.cooling_rate_K_per_s(spec, T) for T in (200.0, 220.0)))
    up_table, down_table = (
        SlewTable(at_C[:1], np.array([(1.0 - SLEW_MARGIN) * rate])) for rate in (up, down)
    )
    return Limits(
        flow=FlowTable(at_C, flow, 0.97 * flow, 1.03 * flow),
        slew_up=up_table,
        slew_down=down_table,
        lag_s=spec.sensor_lag_s + spec.sensor_delay_s,
        low_C=195.0,
        high_C=245.0,
    )


def checked_outside_K(
    spec: PrinterSpec, schedule: Schedule, wishes: Wishes, seed: int
) -> FloatArray:
    """Kelvin outside the bands; the board never faulted, the delivered ratio is within 5 %."""
    played = play(spec, schedule, seed)
    assert played.fault is FaultCode.NONE
    assert 0.95 <= played.ratio <= 1.02
    return outside_K(played, schedule, wishes)


@pytest.mark.slow
@pytest.mark.parametrize("printer", list(PRINTERS))
def test_demo_and_random_jobs_on_the_simulated_printers(
    printer: str,
    jobs: dict[str, Timeline],
    wishes: dict[str, Wishes],
    random_job: Callable[[int], Timeline],
) -> None:
    """Demo jobs keep to their bands; jobs that swing 26 K all the time overshoot them by little.

    The overshoot is that of the board's own controller, which no profile states.
    """
    spec = PRINTERS[printer]
    limits = true_limits(spec)
    for name, job in jobs.items():
        schedule = plan_schedule(job, limits, wishes[name])
        off_K = checked_outside_K(spec, schedule, wishes[name], seed=11)
        assert (off_K > 0.0).mean() < 0.03
        assert off_K.max() < 1.5
    for seed in range(900, 912):
        schedule = plan_schedule(random_job(seed), limits, RANDOM_WISHES)
        assert checked_outside_K(spec, schedule, RANDOM_WISHES, seed).max() < 2.0


@pytest.mark.slow
def test_a_schedule_from_a_measured_profile_plays_on_the_printer_that_was_measured(
    tmp_path: Path,
) -> None:
    """Recorded over the wire in virtual time, fitted, rehearsed, played; see also the job study."""
    spec = randomised("swift-sleeve", MEASURED_SEED)
    limits = limits_of(measured(spec, MEASURED_SEED, tmp_path))
    assert limits.trail_s > limits.lag_s
    for job in demo_jobs().values():
        schedule = plan_schedule(job, limits, demo_wishes())
        played = play(spec, schedule, MEASURED_SEED)
        assert played.fault is FaultCode.NONE
        assert 0.95 <= played.ratio <= 1.02
        assert outside_K(played, schedule, demo_wishes()).max() == 0.0
        assert outside_interval_K(played, schedule, limits).max() <= 0.0
        assert schedule.costs.schedule_s <= schedule.costs.smoothing_s * (1.0 + 1e-9)
