"""Per-ramp evidence from a recorded run: largest deviation, saturation, fault, movement before."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import savgol_filter

from hotbench.core.arrays import FloatArray
from hotbench.core.records import VALIDATION_PHASE, Run

Direction = Literal["heating", "cooling"]

PHASE = re.compile(r"\bramp (up|down) (\d+(?:\.\d*)?|\.\d+)(.*)")
MOVEMENT_WINDOW_s = 60.0
ABANDONED = "ramp abandoned"
"""A note in a ramp's phase that begins so says that the ramp was stopped before its end."""
FAULT_WAIT_s = 3.0
"""A fault reported this long after a ramp's last sample still belongs to it."""
FULL_DUTY, NO_DUTY = 0.98, 0.02
_WINDOW, _ORDER = 7, 2
_FEWEST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RampTrial:
    """One ramp of the setpoint and how far the temperature fell behind.

    deviation_K: largest |setpoint − temperature|, measuring noise smoothed out. peak_K: the same
    of the raw readings, as the controller's own watch meets them. noise_K: standard deviation of
    the readings. saturation: share of samples at full duty (heating) or none (cooling), NaN where
    duty is unknown. movement_K: setpoint travelled within 60 s, this ramp included. fault: the
    board's line, verbatim; the deviation is then what had been reached before it. abandoned: the
    setpoint was stopped on the way, so that the whole ramp would have deviated by more.
    """

    direction: Direction
    rate_K_per_s: float
    deviation_K: float
    peak_K: float = float("nan")
    noise_K: float = 0.0
    from_C: float = float("nan")
    to_C: float = float("nan")
    fan: float = 0.0
    saturation: float = float("nan")
    movement_K: float = float("nan")
    fault: str | None = None
    abandoned: bool = False
    samples: int = 0
    run_id: str = ""

    @property
    def clean(self) -> bool:
        """A whole ramp without a fault."""
        return self.fault is None and not self.abandoned

    @property
    def visible(self) -> bool:
        """Whether the deviation stands out of the noise."""
        return self.deviation_K > 3.0 * self.noise_K and self.deviation_K > 0.0

    @property
    def noise_peak_K(self) -> float:
        """By how much noise lifts the raw peak over the smooth one."""
        return max(self.peak_K - self.deviation_K, 0.0) if np.isfinite(self.peak_K) else 0.0


def ramp_trials(run: Run) -> list[RampTrial]:
    """The ramps of a run, in order: every stretch whose phase reads `ramp up R` or `ramp down R`.

    R is the rate in K/s. Stretches held out for validation, and those with fewer than three
    usable samples, are left out.
    """
    trials = (_trial(run, first, last) for first, last in stretches(run))
    return [trial for trial in trials if trial is not None]


def trials_of(runs: Sequence[Run]) -> list[RampTrial]:
    """The ramps of several runs, in order."""
    return [trial for run in runs for trial in ramp_trials(run)]


def stretches(run: Run, pattern: re.Pattern[str] = PHASE) -> Iterator[tuple[int, int]]:
    """First and last-plus-one sample of each stretch of one phase, held-out ones left out."""
    if not len(run):
        return
    edges = np.flatnonzero(run.phase[1:] != run.phase[:-1]) + 1
    for first, last in zip([0, *edges], [*edges, len(run)], strict=True):
        phase = str(run.phase[first])
        if pattern.search(phase) and not phase.startswith(VALIDATION_PHASE):
            yield int(first), int(last)


def is_abandoned(run: Run, first: int, last: int) -> bool:
    """Whether the ramp was stopped before its end: its deviation is not that of a whole ramp."""
    ends_s = float(run.time_s[last]) if last < len(run) else np.inf
    return any(
        event.kind == "note"
        and event.text.startswith(ABANDONED)
        and run.time_s[first] <= event.time_s < ends_s
        for event in run.events
    )


def _trial(run: Run, first: int, last: int) -> RampTrial | None:
    found = PHASE.search(str(run.phase[first]))
    if found is None:
        return None
    fault_s, fault = fault_within(run, first, last)
    index = usable_samples(run, first, last, fault_s)
    if index.size < _FEWEST:
        return None
    direction: Direction = "heating" if found[1] == "up" else "cooling"
    smooth, noise_K = smoothed(run.temperature_C[index])
    setpoint = run.setpoint_C[index]
    return RampTrial(
        direction=direction,
        rate_K_per_s=float(found[2]),
        deviation_K=float(np.max(np.abs(setpoint - smooth))),
        peak_K=float(np.max(np.abs(setpoint - run.temperature_C[index]))),
        noise_K=noise_K,
        from_C=float(run.setpoint_C[max(first - 1, 0)]),
        to_C=float(setpoint[-1]),
        fan=_known_mean(run.fan[index]),
        saturation=_saturation(run.duty[index], direction),
        movement_K=movement_K(run, int(index[-1])),
        fault=fault,
        abandoned=is_abandoned(run, first, last),
        samples=int(index.size),
        run_id=run.info.run_id,
    )


def usable_samples(run: Run, first: int, last: int, until_s: float) -> NDArray[np.intp]:
    """Indices of a stretch's samples up to a time, heater on and reading known."""
    window = slice(first, last)
    use = (
        np.isfinite(run.temperature_C[window])
        & (run.setpoint_C[window] > 0.0)
        & (run.time_s[window] <= until_s)
    )
    return first + np.flatnonzero(use)


def fault_within(run: Run, first: int, last: int) -> tuple[float, str | None]:
    """When the first fault within the stretch came, and its text; infinity and None without."""
    end_s = run.time_s[last] if last < len(run) else run.time_s[last - 1] + FAULT_WAIT_s
    end_s = max(float(end_s), float(run.time_s[last - 1]))
    for event in run.events:
        if event.kind == "fault" and run.time_s[first] <= event.time_s <= end_s:
            return event.time_s, event.text
    return float("inf"), None


def smoothed(temperature_C: FloatArray) -> tuple[FloatArray, float]:
    """Local parabola through seven readings, and the readings' noise about it."""
    window = min(_WINDOW, temperature_C.size - 1 + temperature_C.size % 2)
    if window <= _ORDER:
        return temperature_C, 0.0
    smooth: FloatArray = savgol_filter(temperature_C, window, _ORDER)
    # A window of m readings leaves 1 - w0 of the variance, w0 the filter's centre weight.
    centre = (3.0 * (3.0 * window**2 - 7.0) / 4.0) / (window * (window**2 - 4.0))
    left = max(1.0 - centre, 0.1)
    return smooth, float(np.sqrt(np.mean((temperature_C - smooth) ** 2) / left))


def _saturation(duty: FloatArray, direction: Direction) -> float:
    known = duty[np.isfinite(duty)]
    if not known.size:
        return float("nan")
    at_stop = known >= FULL_DUTY if direction == "heating" else known <= NO_DUTY
    return float(np.mean(at_stop))


def movement_K(run: Run, last: int) -> float:
    """Setpoint travelled within MOVEMENT_WINDOW_s up to sample `last`."""
    inside = (run.time_s > run.time_s[last] - MOVEMENT_WINDOW_s) & (np.arange(len(run)) <= last)
    setpoints = run.setpoint_C[inside]
    held = setpoints[setpoints > 0.0]
    return float(np.sum(np.abs(np.diff(held)))) if held.size > 1 else 0.0


def _known_mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if known.size else 0.0
