"""An independent watch over a test: ends it when the record no longer makes sense.

It is an addition to the firmware's own protections and never replaces them: it sees only what the
board reports, acts only through the line, and is gone when this computer is.
"""

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from hotbench.core.errors import BadInput, WatchTripped
from hotbench.core.records import Event, Extrusion, Sample

SPACING_s = 0.5
"""Long windows keep one sample per this time."""
FULL_DUTY = 0.9
NO_DUTY = 0.02
NEAR_K = 5.0
FAR_K = 20.0


@dataclass(frozen=True, kw_only=True)
class WatchLimits:
    """What still passes as sound; defaults are common practice, no source.

    Nothing trips on a single reading. max_temperature_C: above it a test ends. lowest_C,
    highest_C: a sensor outside is open or short. fastest_K_per_s, jump_K: a reading may differ
    from the last sound one by the rate times the time between them plus the jump. frozen_s,
    frozen_duty: how long a reading may repeat itself exactly while the duty moves by frozen_duty,
    stays full, or stays off above warm_C. rise_s, rise_K: at full duty the temperature must rise
    by rise_K in rise_s; with the fan on or filament flowing that is asked only below warm_C, above
    it the temperature must not fall by fall_K. rest_s, idle_rise_K: after rest_s without duty, or
    since the fan was last slowed, the temperature must not rise by idle_rise_K. prediction_K,
    prediction_s: how far and how long a prediction may be left.
    """

    max_temperature_C: float = 275.0
    lowest_C: float = -5.0
    highest_C: float = 500.0
    fastest_K_per_s: float = 60.0
    jump_K: float = 10.0
    frozen_s: float = 15.0
    frozen_duty: float = 0.3
    warm_C: float = 100.0
    rise_s: float = 20.0
    rise_K: float = 2.0
    fall_K: float = 30.0
    rest_s: float = 8.0
    idle_rise_K: float = 15.0
    prediction_K: float = 15.0
    prediction_s: float = 2.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if name != "lowest_C" and not value > 0.0:
                raise BadInput("must be positive", where=f"watch: {name}", value=value)


class Check(Protocol):
    """Looks at every sample in turn."""

    def __call__(self, sample: Sample) -> str | None:
        """The evidence when something is wrong."""


class Watch:
    """Implements `core.ports.Observer`: raises WatchTripped once, naming the evidence.

    predict: the temperature that a fitted model expects at a sample, from the samples it has been
    shown so far (it is called once for each, in order); NaN where it expects nothing. stalled_s:
    how much older the last sample may be than its time, on a board that runs faster than real
    time. Put the watch after the observer that stores, so that the sample that tripped it is on
    record.
    """

    def __init__(
        self,
        limits: WatchLimits | None = None,
        predict: Callable[[Sample], float] | None = None,
        stalled_s: Callable[[], float] = lambda: 0.0,
    ) -> None:
        limits = limits or WatchLimits()
        self.evidence: str | None = None
        self._sensor = Twice(Implausible(limits, stalled_s))
        checks: list[Check] = [TooHot(limits), Frozen(limits), NoRise(limits), IdleRise(limits)]
        if predict is not None:
            checks.append(OffPrediction(limits, predict))
        self._checks = [Twice(check) for check in checks]

    def on_sample(self, sample: Sample) -> None:
        """Look at a sample; raises WatchTripped at the first thing that is wrong."""
        if self.evidence is not None:
            return
        told = self._sensor(sample)
        if told is None and not self._sensor.doubts:
            told = judge(self._checks, sample)
        if told is not None:
            self.evidence = f"{told} (at {sample.time_s:.1f} s)"
            raise WatchTripped(f"watch: {self.evidence}")

    def on_event(self, event: Event) -> None:
        """Events tell the watch nothing."""

    def on_extrusion(self, extrusion: Extrusion) -> None:
        """Extrusions tell the watch nothing."""


class Twice:
    """Lets evidence count only when two samples in a row give it: one may be a damaged line."""

    def __init__(self, check: Check) -> None:
        self._check = check
        self.doubts = False

    def __call__(self, sample: Sample) -> str | None:
        """The second evidence in a row."""
        told = self._check(sample)
        confirmed, self.doubts = self.doubts and told is not None, told is not None
        return told if confirmed else None


def judge(checks: Sequence[Check], sample: Sample) -> str | None:
    """The first evidence of any check; all of them see the sample."""
    told = [check(sample) for check in checks]
    return next((evidence for evidence in told if evidence is not None), None)


def duty_or_guess(sample: Sample) -> float:
    """The reported duty; where there is none, what any controller would do far from the setpoint.

    NaN near the setpoint.
    """
    if not math.isnan(sample.duty):
        return sample.duty
    error_K = sample.setpoint_C - sample.temperature_C
    if sample.setpoint_C == 0.0 or error_K < -NEAR_K:
        return 0.0
    return 1.0 if error_K > FAR_K else math.nan


class TooHot:
    """Above the greatest temperature."""

    def __init__(self, limits: WatchLimits) -> None:
        self._limit_C = limits.max_temperature_C

    def __call__(self, sample: Sample) -> str | None:
        """Evidence above the limit."""
        if sample.temperature_C <= self._limit_C:
            return None
        return f"{sample.temperature_C:.1f} C is above the limit of {self._limit_C:g} C"


class Implausible:
    """A reading no sound sensor gives: not a number, open, short, or a jump.

    A sound reading may be older than its time by `stalled_s`; half of that is granted to the next
    one, as the fastest rate is more than twice what heaters reach.
    """

    def __init__(self, limits: WatchLimits, stalled_s: Callable[[], float] = lambda: 0.0) -> None:
        self._limits, self._stalled_s = limits, stalled_s
        self._sound: Sample | None = None
        self._granted_s = 0.0

    def __call__(self, sample: Sample) -> str | None:
        """Evidence at an unsound reading; the last sound one remains the reference."""
        told = self._value(sample) or self._jump(sample)
        if told is None:
            self._sound, self._granted_s = sample, self._stalled_s() / 2.0
            return None
        return f"sensor implausible: {told}"

    def _value(self, sample: Sample) -> str | None:
        if self._limits.lowest_C <= sample.temperature_C <= self._limits.highest_C:
            return None
        return f"reads {sample.temperature_C:g} C, as when open or short"

    def _jump(self, sample: Sample) -> str | None:
        if self._sound is None:
            return None
        elapsed_s = sample.time_s - self._sound.time_s
        granted_s = elapsed_s + self._granted_s
        allowed_K = self._limits.jump_K + self._limits.fastest_K_per_s * granted_s
        change_K = sample.temperature_C - self._sound.temperature_C
        if abs(change_K) <= allowed_K:
            return None
        return (
            f"jumped from {self._sound.temperature_C:.1f} to {sample.temperature_C:.1f} C "
            f"in {elapsed_s:.2f} s"
        )


class Frozen:
    """A reading that repeats itself exactly while the heater's work changes."""

    def __init__(self, limits: WatchLimits) -> None:
        self._limits = limits
        self._since: Sample | None = None
        self._lowest = self._highest = math.nan

    def __call__(self, sample: Sample) -> str | None:
        """Evidence once the reading has stood still for too long."""
        duty = duty_or_guess(sample)
        if self._since is None or sample.temperature_C != self._since.temperature_C:
            self._since = sample
            self._lowest = self._highest = duty
            return None
        self._lowest, self._highest = min(duty, self._lowest), max(duty, self._highest)
        elapsed_s = sample.time_s - self._since.time_s
        if elapsed_s < self._limits.frozen_s or not self._should_move(sample):
            return None
        return (
            f"sensor implausible: exactly {sample.temperature_C:.1f} C for {elapsed_s:.0f} s "
            f"with duty {self._lowest:.2f} to {self._highest:.2f}"
        )

    def _should_move(self, sample: Sample) -> bool:
        moved = self._highest - self._lowest > self._limits.frozen_duty
        below = sample.setpoint_C - sample.temperature_C > NEAR_K
        heated = self._lowest >= FULL_DUTY and below
        cooling = self._highest <= NO_DUTY and sample.temperature_C > self._limits.warm_C
        return moved or heated or cooling


class NoRise:
    """Full duty that does not show."""

    def __init__(self, limits: WatchLimits) -> None:
        self._limits = limits
        self._stretch: deque[Sample] = deque()
        self._peak_C = -math.inf
        self._loaded_s = -math.inf

    def __call__(self, sample: Sample) -> str | None:
        """Evidence when a stretch at full duty brought no rise, or a deep fall."""
        if sample.fan > 0.0 or sample.flow_mm3_per_s > 0.0:
            self._loaded_s = sample.time_s
        far = sample.setpoint_C - sample.temperature_C > 2.0 * NEAR_K
        if not (duty_or_guess(sample) >= FULL_DUTY and far):
            self._stretch.clear()
            self._peak_C = -math.inf
            return None
        self._peak_C = max(self._peak_C, sample.temperature_C)
        self._keep(sample)
        return self._fall(sample) or self._rise(sample)

    def _keep(self, sample: Sample) -> None:
        if not self._stretch or sample.time_s - self._stretch[-1].time_s >= SPACING_s:
            self._stretch.append(sample)
        start_s = sample.time_s - self._limits.rise_s
        while len(self._stretch) > 1 and self._stretch[1].time_s <= start_s:
            self._stretch.popleft()

    def _fall(self, sample: Sample) -> str | None:
        if self._peak_C - sample.temperature_C <= self._limits.fall_K:
            return None
        return f"fell from {self._peak_C:.1f} to {sample.temperature_C:.1f} C at full duty"

    def _rise(self, sample: Sample) -> str | None:
        first = self._stretch[0]
        elapsed_s = sample.time_s - first.time_s
        loaded = sample.time_s - self._loaded_s <= self._limits.rise_s
        if elapsed_s < self._limits.rise_s or (
            loaded and sample.temperature_C > self._limits.warm_C
        ):
            return None
        if sample.temperature_C - first.temperature_C >= self._limits.rise_K:
            return None
        return (
            f"no rise at full duty: {first.temperature_C:.1f} to {sample.temperature_C:.1f} C "
            f"in {elapsed_s:.0f} s"
        )


class IdleRise:
    """Heat that nobody asked for."""

    def __init__(self, limits: WatchLimits) -> None:
        self._limits = limits
        self._active_s = -math.inf
        self._fan = math.nan
        self._lowest: Sample | None = None

    def __call__(self, sample: Sample) -> str | None:
        """Evidence when the temperature rises without duty."""
        slowed = sample.fan < self._fan
        self._fan = sample.fan
        # Near the setpoint an unknown duty counts as work.
        if slowed or not duty_or_guess(sample) <= NO_DUTY:
            self._active_s, self._lowest = sample.time_s, None
            return None
        if sample.time_s - self._active_s < self._limits.rest_s:
            return None
        if self._lowest is None or sample.temperature_C < self._lowest.temperature_C:
            self._lowest = sample
        rise_K = sample.temperature_C - self._lowest.temperature_C
        if not rise_K > self._limits.idle_rise_K:
            return None
        return (
            f"rise with no duty: {self._lowest.temperature_C:.1f} to "
            f"{sample.temperature_C:.1f} C in {sample.time_s - self._lowest.time_s:.0f} s"
        )


class OffPrediction:
    """A reading that leaves what the model expects."""

    def __init__(self, limits: WatchLimits, predict: Callable[[Sample], float]) -> None:
        self._predict = predict
        self._patience_s, self._margin_K = limits.prediction_s, limits.prediction_K
        self._off_since_s = math.nan

    def __call__(self, sample: Sample) -> str | None:
        """Evidence once the reading has been off by more than the margin for too long."""
        expected_C = self._predict(sample)
        if not abs(sample.temperature_C - expected_C) > self._margin_K:
            self._off_since_s = math.nan
            return None
        if math.isnan(self._off_since_s):
            self._off_since_s = sample.time_s
        if sample.time_s - self._off_since_s < self._patience_s:
            return None
        return (
            f"{sample.temperature_C:.1f} C where the model expects {expected_C:.1f} C, "
            f"more than {self._margin_K:g} K off for {sample.time_s - self._off_since_s:.1f} s"
        )
