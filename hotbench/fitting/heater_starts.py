"""Starting values of a heater fit, read off the data."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.fitting.heater_data import IDLE_DUTY, HeaterData, Stretch
from hotbench.models.heater import PARAMETERS, HeaterModel
from hotbench.models.heater_steps import P

WINDOW_SAMPLES = 11
FULL_RISE_K = 200.0
LEAST_RISE_K = 10.0
ASSUMED_AMBIENT_C = 25.0
NODE_SHAPES = ((2.0, 1.0), (0.3, 0.5), (6.0, 2.0))
"""Starts of the node models: exchange in units of the heating time's inverse, capacity ratio."""


SHELL_SHAPES = ((0.1, 2.0), (0.5, 5.0), (0.5, 1.5))
"""Starts of the shell: exchange as a share of the far node's, capacity ratio."""


@dataclass(frozen=True)
class Rough:
    """First guesses: heating K/s at full duty, loss and full-fan loss 1/s, lag s."""

    heating: float
    loss: float
    fan_loss: float
    lag_s: float


def rough(data: HeaterData) -> Rough:
    """Guesses from smoothed slopes while heating, idling and fanned."""
    ambient_C = data.ambient_C if data.ambient_C is not None else ASSUMED_AMBIENT_C
    columns = [_slopes(stretch, ambient_C) for stretch in data.stretches]
    slope, rise, duty, fan = (np.concatenate([c[i] for c in columns]) for i in range(4))
    strongest = float(np.max(duty, initial=0.0))
    hot = rise > LEAST_RISE_K
    quiet = hot & (duty <= IDLE_DUTY)
    loss = _median(-slope / np.maximum(rise, 1.0), quiet & (fan <= 0.0))
    forced = _median(-slope / np.maximum(rise, 1.0), quiet & (fan > 0.0))
    strong = (duty > 0.7 * strongest) & (duty > IDLE_DUTY)
    heating = _upper(slope / np.maximum(duty, IDLE_DUTY), strong)
    if loss is None:
        spent, kept = float(np.mean(duty)), float(np.mean(np.maximum(rise, 1.0)))
        loss = (heating or 1.0) * max(spent, 1e-3) / kept if heating else 5e-3
    return Rough(
        heating=max(heating if heating else loss * FULL_RISE_K, 1e-3),
        loss=max(loss, 1e-5),
        fan_loss=max((forced or 2.0 * loss) - loss, 0.2 * loss, 1e-5),
        lag_s=max(_delay_s(data.stretches), 0.05),
    )


def starts(
    model: HeaterModel, data: HeaterData, smaller: Mapping[P, float] | None = None
) -> list[dict[P, float]]:
    """At least three starting points, within bounds, that differ in lag and in node shape.

    smaller: what a model without the shell has found; the shell is then all that differs.
    """
    if smaller is not None and P.SHELL_EXCHANGE in model.places:
        return [_wrapped(model, smaller, share, ratio) for share, ratio in SHELL_SHAPES]
    guess = rough(data)
    pace = guess.heating / FULL_RISE_K + guess.loss
    return [
        _start(model, guess, share, exchange * pace, ratio)
        for share, (exchange, ratio) in zip((0.7, 0.35, 0.9), NODE_SHAPES, strict=True)
    ]


def _wrapped(
    model: HeaterModel, smaller: Mapping[P, float], share: float, ratio: float
) -> dict[P, float]:
    values = {
        **smaller,
        P.SHELL_EXCHANGE: share * smaller[P.EXCHANGE],
        P.SHELL_RATIO: ratio,
        P.SHELL_LOSS: smaller[P.LOSS],
    }
    return {place: PARAMETERS[place].clipped(values[place]) for place in model.places}


def _start(
    model: HeaterModel, guess: Rough, lag_share: float, exchange: float, ratio: float
) -> dict[P, float]:
    far_grows = P.EXCHANGE in model.places
    values = {
        P.HEATING: guess.heating * (1.1 if far_grows else 1.0),
        P.FALLOFF: 2e-4,
        P.LOSS: guess.loss * (0.6 if P.GROWTH in model.places else 1.0),
        P.GROWTH: 3e-3,
        P.FAN: guess.fan_loss,
        P.EXPONENT: PARAMETERS[P.EXPONENT].default,
        P.EXCHANGE: exchange,
        P.RATIO: ratio,
        P.FAR_FAN: 0.5 * guess.fan_loss,
        P.LAG: lag_share * guess.lag_s,
        P.DEAD: (1.0 - lag_share) * guess.lag_s if P.LAG in model.places else guess.lag_s,
        P.LOAD: PARAMETERS[P.LOAD].default,
        P.FAR_LOSS: PARAMETERS[P.FAR_LOSS].default,
        P.SHELL_EXCHANGE: 0.3 * exchange,
        P.SHELL_RATIO: PARAMETERS[P.SHELL_RATIO].default,
        P.SHELL_LOSS: guess.loss,
    }
    return {place: PARAMETERS[place].clipped(values[place]) for place in model.places}


def _slopes(
    stretch: Stretch, ambient_C: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Slope K/s, rise K, mean duty and fan over windows of a few samples."""
    width = min(WINDOW_SAMPLES, len(stretch) // 2)
    span_s = stretch.time_s[width:] - stretch.time_s[:-width]
    change_K = stretch.temperature_C[width:] - stretch.temperature_C[:-width]
    sums = np.concatenate([[0.0], np.cumsum(stretch.duty)])
    duty = (sums[width:-1] - sums[: -width - 1]) / width
    middle = slice(width // 2, width // 2 + span_s.size)
    good = (span_s > 0.0) & np.isfinite(change_K)
    rise = stretch.temperature_C[middle] - ambient_C
    slope = change_K[good] / span_s[good]
    return slope, rise[good], duty[good], stretch.fan[middle][good]


def _median(values: FloatArray, where: np.ndarray) -> float | None:
    return float(np.median(values[where])) if np.count_nonzero(where) >= 5 else None


def _upper(values: FloatArray, where: np.ndarray) -> float | None:
    return float(np.quantile(values[where], 0.9)) if np.count_nonzero(where) >= 5 else None


def _delay_s(stretches: tuple[Stretch, ...]) -> float:
    """Median time from a large rise of duty until the slope has half of what follows it."""
    delays = [delay for stretch in stretches for delay in _stretch_delays(stretch)]
    if delays:
        return float(np.median(delays))
    return float(2.0 * np.median(np.diff(stretches[0].time_s)))


def _stretch_delays(stretch: Stretch) -> list[float]:
    step = np.diff(stretch.duty)
    swing = float(np.ptp(stretch.duty))
    jumps = np.flatnonzero(step > 0.5 * swing) if swing > IDLE_DUTY else np.empty(0, dtype=int)
    return [d for jump in jumps[:20] if (d := _delay_after(stretch, int(jump) + 1)) is not None]


def _delay_after(stretch: Stretch, begin: int) -> float | None:
    """Where the straight line of the steepest later rise meets the level before the step."""
    held = stretch.duty[begin:] >= 0.8 * stretch.duty[begin]
    end = begin + (int(np.argmin(held)) if not held.all() else held.size)
    time_s = stretch.time_s[begin:end] - stretch.time_s[begin]
    temperature_C = stretch.temperature_C[begin:end]
    width = max(time_s.size // 8, 3)
    if time_s.size < 3 * width or not np.isfinite(temperature_C).all():
        return None
    slope = (temperature_C[width:] - temperature_C[:-width]) / np.maximum(
        time_s[width:] - time_s[:-width], 1e-9
    )
    steepest = int(np.argmax(slope))
    if slope[steepest] <= 0.0:
        return None
    level_C = float(temperature_C[0])
    meets_s = time_s[steepest] - (temperature_C[steepest] - level_C) / slope[steepest]
    return float(meets_s) if meets_s > 0.0 else None
