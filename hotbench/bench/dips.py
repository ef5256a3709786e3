"""Dips as they were recorded: when commanded, when within reach, and how surely."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.models.dips import WITHIN_BACK_K, WITHIN_DOWN_K

PHASE = "dip "
SMOOTHED = 3
READING_K = 0.2
"""Scatter of a reading, common practice, no source: it moves a crossing by this over the slope."""
NEAR_K, SIDE, LEAST_MOVE_K = 1.0, 3, 0.2
CONFIDENCE, REACH = 0.95, 1.96


@dataclass(frozen=True, slots=True)
class RecordedDip:
    """One dip of a run: samples first to past, commanded down and back at these times."""

    run_id: str
    from_C: float
    to_C: float
    fan: float
    first: int
    past: int
    down_at_s: float
    back_at_s: float | None


def recorded_dips(run: Run) -> Iterator[RecordedDip]:
    """The dips of a run in order; those without a command in their stretch are left out."""
    for first, past in stretches(run, PHASE):
        from_C, to_C = map(float, str(run.phase[first]).removeprefix(PHASE).split("-"))
        since_s = float(run.time_s[first - 1]) if first else -np.inf
        sent = _setpoints(run, since_s, float(run.time_s[past - 1]))
        down = [at for at, setpoint_C in sent if abs(setpoint_C - to_C) < 0.5]
        back = [at for at, setpoint_C in sent if abs(setpoint_C - from_C) < 0.5]
        if down:
            fan = float(run.fan[first])
            back_at_s = back[-1] if back and back[-1] > down[0] else None
            yield RecordedDip(run.info.run_id, from_C, to_C, fan, first, past, down[0], back_at_s)


def stretches(run: Run, prefix: str) -> Iterator[tuple[int, int]]:
    """First and last-plus-one sample of each stretch whose phase starts with `prefix`."""
    if not len(run):
        return
    edges = np.flatnonzero(run.phase[1:] != run.phase[:-1]) + 1
    for first, past in zip([0, *edges], [*edges, len(run)], strict=True):
        if str(run.phase[first]).startswith(prefix):
            yield int(first), int(past)


def time_down(run: Run, dip: RecordedDip, temperature_C: FloatArray) -> Quantity | None:
    """Seconds from the command down until within reach of the lower temperature."""
    ends_s = dip.back_at_s if dip.back_at_s is not None else float(run.time_s[dip.past - 1])
    return _crossing(run, temperature_C, dip.down_at_s, ends_s, dip.to_C + WITHIN_DOWN_K)


def time_back(run: Run, dip: RecordedDip, temperature_C: FloatArray) -> Quantity | None:
    """Seconds from the command back until within reach of the upper temperature."""
    if dip.back_at_s is None:
        return None
    ends_s = float(run.time_s[dip.past - 1])
    return _crossing(run, temperature_C, dip.back_at_s, ends_s, dip.from_C - WITHIN_BACK_K)


def _setpoints(run: Run, after_s: float, until_s: float) -> list[tuple[float, float]]:
    """Times and setpoints of the commands sent after one time and up to another."""
    return [
        (event.time_s, float(event.text.partition("S")[2]))
        for event in run.events
        if event.kind == "command"
        and event.text.startswith("M104 ")
        and after_s < event.time_s <= until_s
    ]


def _crossing(
    run: Run, temperature_C: FloatArray, from_s: float, until_s: float, level_C: float
) -> Quantity | None:
    """Seconds after `from_s` until the smoothed reading passes a level; None if it does not."""
    inside = np.flatnonzero((run.time_s >= from_s) & (run.time_s <= until_s))
    if inside.size <= SMOOTHED:
        return None
    time_s = run.time_s[inside]
    smooth_C = np.convolve(temperature_C[inside], np.ones(SMOOTHED) / SMOOTHED, mode="valid")
    side = np.sign(smooth_C - level_C)
    passed = np.flatnonzero(side != side[0])
    if not passed.size:
        return None
    k = int(passed[0])
    step_K = float(smooth_C[k] - smooth_C[k - 1])
    middle_s = time_s[1:-1]
    interval_s = float(middle_s[k] - middle_s[k - 1])
    at_s = middle_s[k - 1] + interval_s * (level_C - smooth_C[k - 1]) / step_K
    scatter_s = READING_K / np.sqrt(SMOOTHED) / _slope_K_per_s(middle_s, smooth_C, k, level_C)
    reach_s = float(REACH * np.hypot(scatter_s, interval_s / np.sqrt(12.0)))
    value = float(at_s - from_s)
    return Quantity(
        value=value,
        unit="s",
        low=max(value - reach_s, 0.0),
        high=value + reach_s,
        confidence=CONFIDENCE,
        basis="measured",
    )


def _slope_K_per_s(time_s: FloatArray, smooth_C: FloatArray, k: int, level_C: float) -> float:
    """Slope of a trace about its crossing at k, over as long as it stays near the level."""
    far = np.flatnonzero(np.abs(smooth_C - level_C) > NEAR_K)
    first = min(int(far[far < k].max(initial=0)), max(k - SIDE, 0))
    last = max(int(far[far >= k].min(initial=time_s.size - 1)), min(k + SIDE, time_s.size - 1))
    moved_K = abs(float(smooth_C[last] - smooth_C[first]))
    return max(moved_K, LEAST_MOVE_K) / float(time_s[last] - time_s[first])
