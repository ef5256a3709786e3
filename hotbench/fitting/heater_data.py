"""From recorded runs to the stretches that a heater fit walks over."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hotbench.core.ambient import check_ambient
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.records import COMMANDED_DUTY, VALIDATION_PHASE, Run
from hotbench.fitting.heater_sums import IntArray

BoolArray = NDArray[np.bool_]

LEAST_SAMPLES = 20
GAP_FACTOR, GAP_s = 20.0, 5.0
"""A pause in the log longer than both ends a stretch: what the heater did meanwhile is unknown."""
SETPOINT_JUMP_K = 5.0
COLD_C = 45.0
COLD_DRIFT_K = 1.0
COLD_SAMPLES = 50
IDLE_DUTY = 0.02
SPIKE_K = 4.0
SPIKE_NOISES = 8.0
ONSET_SAMPLES = 25
BEND_SHARE, BEND_LIMIT = 0.68, 3.0
"""Second differences count as noise up to 3 x what 68 % of them stay below."""
SECOND_DIFFERENCE = 6.0
"""Variance of the second difference of white noise over that of the noise, 1 + 4 + 1."""
SINGLE = 0.01
"""Share of readings that may be spoiled."""


@dataclass(frozen=True)
class Segment:
    """What one command covers: from a change of phase, fan or setpoint to the next."""

    run_id: str
    phase: str
    begin_s: float
    end_s: float
    held_out: bool


@dataclass(frozen=True)
class Stretch:
    """An unbroken part of a run, ready for the kernels; arrays have one entry per sample.

    switch_s: when the inputs of a row took effect. sampled: the log shows the duty at its time
    stamps only, so that it changed some time before; else the log's author commanded it then.
    fitted: index into the data's segments, -1 where a sample does not count (held out, spike,
    missing). held_out: likewise for the held-out segments. uniform: all parts began at start_C.
    """

    run_id: str
    time_s: FloatArray
    switch_s: FloatArray
    temperature_C: FloatArray
    duty: FloatArray
    fan: FloatArray
    flow_mm3_per_s: FloatArray
    sampled: bool
    fitted: IntArray
    held_out: IntArray
    weight: FloatArray
    uniform: bool
    start_C: float
    ambient_C: float | None

    def __len__(self) -> int:
        return int(self.time_s.size)


@dataclass(frozen=True)
class HeaterData:
    """All stretches of a fit and its segments; ambient_C None when nothing tells it."""

    stretches: tuple[Stretch, ...]
    segments: tuple[Segment, ...]
    ambient_C: float | None
    ambient_basis: str
    spikes: int
    notes: tuple[str, ...] = ()

    @property
    def fitted_samples(self) -> int:
        """Samples that count in the fit."""
        return sum(int(np.count_nonzero(s.fitted >= 0)) for s in self.stretches)

    @property
    def timing_doubt_s(self) -> float:
        """Half a sampling interval where the duty was sampled: its changes are not seen sooner."""
        return 0.5 * self.interval_s if any(s.sampled for s in self.stretches) else 0.0

    @property
    def noise_K(self) -> float:
        """Noise of the readings, from their second differences, the largest ones left out."""
        bends = [np.diff(s.temperature_C[np.isfinite(s.temperature_C)], 2) for s in self.stretches]
        size = np.abs(np.concatenate(bends)) if bends else np.zeros(0)
        if not size.size:
            return 0.0
        usual = size[size <= BEND_LIMIT * max(float(np.quantile(size, BEND_SHARE)), 1e-12)]
        return float(np.sqrt(np.mean(usual**2) / SECOND_DIFFERENCE))

    @property
    def interval_s(self) -> float:
        """Longest of the stretches' median sampling intervals."""
        return max((float(np.median(np.diff(s.time_s))) for s in self.stretches), default=0.0)

    @property
    def longest_s(self) -> float:
        """Duration of the longest stretch."""
        return max(float(s.time_s[-1] - s.time_s[0]) for s in self.stretches)


DutySource = Callable[[Run], FloatArray]
"""Reconstructs the duty of a run whose report carries none."""


@dataclass
class _Collector:
    segments: list[Segment] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    spikes: int = 0


def prepare(
    runs: Sequence[Run], *, ambient_C: float | None = None, duty_source: DutySource | None = None
) -> HeaterData:
    """Stretches and segments of all runs.

    Errors: BadInput when there is no run, no usable sample, time runs backwards, or the ambient
    temperature given is above what was read.
    """
    if not runs:
        raise BadInput("no run to fit", where="heater fit", remedy="record step")
    collector = _Collector()
    stretches = [
        stretch for run in runs for stretch in _stretches(run, collector, ambient_C, duty_source)
    ]
    known_C, basis = _ambient(stretches, ambient_C)
    if basis == "declared" and known_C is not None:
        check_ambient(known_C, min(_coldest_C(stretch) for stretch in stretches))
    return HeaterData(
        stretches=tuple(stretches),
        segments=tuple(collector.segments),
        ambient_C=known_C,
        ambient_basis=basis,
        spikes=collector.spikes,
        notes=tuple(dict.fromkeys(collector.notes)),
    )


def _coldest_C(stretch: Stretch) -> float:
    """The lowest reading but for single ones."""
    return float(np.nanquantile(stretch.temperature_C, SINGLE))


def _ambient(stretches: list[Stretch], given_C: float | None) -> tuple[float | None, str]:
    if given_C is not None:
        return given_C, "declared"
    declared = [s.ambient_C for s in stretches if s.ambient_C is not None]
    if declared:
        return float(np.mean(declared)), "declared"
    cold = [s.start_C for s in stretches if s.uniform]
    return (min(cold), "measured") if cold else (None, "assumed")


def _stretches(
    run: Run, collector: _Collector, ambient_C: float | None, duty_source: DutySource | None
) -> list[Stretch]:
    _check(run)
    duty = _duty(run, collector, duty_source)
    fan = _held(run.fan, 0.0)
    if np.isnan(run.fan).all():
        collector.notes.append(f"{run.info.run_id}: no fan column, fan taken as off")
    flow = _held(run.flow_mm3_per_s, 0.0)
    usable = np.isfinite(run.temperature_C) & np.isfinite(duty)
    spikes = _spikes(run.temperature_C)
    collector.spikes += int(np.count_nonzero(spikes & usable))
    given_C = ambient_C if ambient_C is not None else run.info.ambient_C
    sampled = is_sampled(run) and duty_source is None
    made = []
    for part in _parts(run.time_s, np.isfinite(duty)):
        begin = part.start + int(np.argmax(usable[part]))
        part = slice(begin, part.stop)
        if np.count_nonzero(usable[part]) < LEAST_SAMPLES:
            continue
        counted = (usable & ~spikes)[part]
        fitted, held_out = _number(run, part, counted, fan, collector)
        temperature_C = run.temperature_C[part]
        start_C, uniform = _start(temperature_C[usable[part]], duty[part][usable[part]], given_C)
        made.append(
            Stretch(
                run_id=run.info.run_id,
                time_s=np.ascontiguousarray(run.time_s[part]),
                switch_s=switch_times(run.time_s[part], sampled=sampled),
                temperature_C=np.ascontiguousarray(temperature_C),
                duty=np.ascontiguousarray(duty[part]),
                fan=np.ascontiguousarray(fan[part]),
                flow_mm3_per_s=np.ascontiguousarray(flow[part]),
                sampled=sampled,
                fitted=fitted,
                held_out=held_out,
                weight=_weights(run.time_s[part], fitted, held_out),
                uniform=uniform,
                start_C=start_C,
                ambient_C=given_C,
            )
        )
    return made


def is_sampled(run: Run) -> bool:
    """Whether the duty was read off a board's report, rather than commanded by the log's author."""
    return not run.info.settings.get(COMMANDED_DUTY, False)


def sampling_lead_s(run: Run) -> float:
    """How long before its time stamp a row's duty took effect, on average."""
    return 0.5 * float(np.median(np.diff(run.time_s))) if is_sampled(run) else 0.0


def switch_times(time_s: FloatArray, *, sampled: bool) -> FloatArray:
    """When each row's inputs took effect: on average half an interval before they were sampled."""
    if not sampled:
        return np.ascontiguousarray(time_s)
    before = np.concatenate([time_s[:1], time_s[:-1]])
    middle: FloatArray = 0.5 * (before + time_s)
    return middle


@dataclass(frozen=True)
class Inputs:
    """A run's inputs without gaps."""

    duty: FloatArray
    fan: FloatArray
    flow_mm3_per_s: FloatArray


def filled(run: Run) -> Inputs:
    """Inputs with missing entries held; BadInput when the run has no duty at all."""
    duty = _held(run.duty, 0.0)
    if np.isnan(run.duty).all():
        if not np.all(run.setpoint_C <= 0.0):
            raise BadInput("no duty in the log", where=f"run {run.info.run_id}")
        duty = np.zeros(len(run))
    return Inputs(duty, _held(run.fan, 0.0), _held(run.flow_mm3_per_s, 0.0))


def _check(run: Run) -> None:
    where = f"run {run.info.run_id}"
    if len(run) < LEAST_SAMPLES:
        raise BadInput(
            "too few samples for a fit", where=where, value=len(run), limit=LEAST_SAMPLES
        )
    if not np.isfinite(run.time_s).all() or np.any(np.diff(run.time_s) < 0.0):
        raise BadInput("time must be finite and never run backwards", where=where)


def _duty(run: Run, collector: _Collector, duty_source: DutySource | None) -> FloatArray:
    """Duty held over missing entries; a heater that is switched off has duty 0."""
    duty = run.duty
    if np.isnan(duty).all():
        off = np.where(run.setpoint_C <= 0.0, 0.0, np.nan)
        duty = duty_source(run) if duty_source is not None else off
        source = "from the stated controller" if duty_source is not None else "free cooling only"
        collector.notes.append(f"{run.info.run_id}: no duty in the log, {source}")
        return duty
    return _held(duty, 0.0)


def _held(values: FloatArray, before: float) -> FloatArray:
    """Missing entries take the last known value; `before` until there is one."""
    missing = np.isnan(values)
    if not missing.any():
        return values
    last = np.maximum.accumulate(np.where(missing, -1, np.arange(values.size)))
    return np.where(last >= 0, values[last], before)


def _parts(time_s: FloatArray, known: BoolArray) -> list[slice]:
    """Index ranges without a pause in the log and with known duty."""
    steps = np.diff(time_s)
    limit = max(GAP_FACTOR * float(np.median(steps)), GAP_s)
    breaks = np.flatnonzero((steps > limit) | (known[1:] != known[:-1])) + 1
    edges = [0, *breaks.tolist(), time_s.size]
    return [slice(a, b) for a, b in pairwise(edges) if known[a]]


def _spikes(temperature_C: FloatArray) -> BoolArray:
    """Single readings far off both neighbours while these agree."""
    spikes = np.zeros(temperature_C.size, dtype=np.bool_)
    if temperature_C.size < 5:
        return spikes
    middle = temperature_C[1:-1]
    between = 0.5 * (temperature_C[:-2] + temperature_C[2:])
    off = np.abs(middle - between)
    apart = np.abs(temperature_C[2:] - temperature_C[:-2])
    limit = max(SPIKE_K, SPIKE_NOISES * 1.4826 * float(np.nanmedian(off)))
    with np.errstate(invalid="ignore"):
        spikes[1:-1] = (off > limit) & (off > apart)
    return spikes


def _number(
    run: Run, part: slice, counted: BoolArray, fan: FloatArray, collector: _Collector
) -> tuple[IntArray, IntArray]:
    """Global segment numbers of the fitted and of the held-out samples of a part."""
    phase, time_s = run.phase[part], run.time_s[part]
    jump = np.abs(np.diff(np.nan_to_num(run.setpoint_C[part]))) > SETPOINT_JUMP_K
    change = (phase[1:] != phase[:-1]) | (np.diff(fan[part]) != 0.0) | jump
    edges = [0, *(np.flatnonzero(change) + 1).tolist(), phase.size]
    fitted = np.full(phase.size, -1, dtype=np.int32)
    held_out = np.full(phase.size, -1, dtype=np.int32)
    for a, b in pairwise(edges):
        name = str(phase[a])
        out = name.startswith(VALIDATION_PHASE)
        target = held_out if out else fitted
        target[a:b] = np.where(counted[a:b], len(collector.segments), -1)
        collector.segments.append(
            Segment(run.info.run_id, name, float(time_s[a]), float(time_s[b - 1]), out)
        )
    return fitted, held_out


def _start(
    temperature_C: FloatArray, duty: FloatArray, ambient_C: float | None
) -> tuple[float, bool]:
    """Temperature before the first heating, and whether all parts had it."""
    heated = np.flatnonzero(duty > IDLE_DUTY)
    idle = int(heated[0]) + 1 if heated.size else duty.size
    first = temperature_C[: min(idle, COLD_SAMPLES)]
    start_C = float(np.mean(first))
    limit_C = COLD_C if ambient_C is None else ambient_C + 8.0
    flat = abs(float(np.mean(first[-3:]) - np.mean(first[:3]))) < COLD_DRIFT_K
    if start_C < limit_C and flat:
        return start_C, True
    return float(np.median(temperature_C[:3])), False


def _weights(time_s: FloatArray, fitted: IntArray, held_out: IntArray) -> FloatArray:
    """Weights that fall with the time since the command, mean 1.

    What is left of a heater model's error changes ever more slowly after a command, so that a
    reading late in a hold repeats its neighbours; with 1 / (elapsed + onset) each stretch of
    equal logarithmic time counts the same.
    """
    number = np.maximum.accumulate(np.maximum(fitted, held_out))
    begin = np.flatnonzero(np.diff(number, prepend=-2))
    since_s = time_s - np.repeat(time_s[begin], np.diff(np.append(begin, time_s.size)))
    weight = 1.0 / (since_s + ONSET_SAMPLES * max(float(np.median(np.diff(time_s))), 1e-6))
    scaled: FloatArray = weight * (weight.size / weight.sum())
    return scaled
