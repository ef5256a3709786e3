"""What the fitted heater predicts beyond what was recorded: caps, safe slew, dips, saturation."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hotbench.bench.dips import recorded_dips, time_back, time_down
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.board_loop import Regulated, fit_board_loop
from hotbench.fitting.heater_result import HeaterFit
from hotbench.fitting.intervals import SHARES, Share
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.slew import DirectionFit, RateCap, SlewFit
from hotbench.models.board_loop import BoardLoop
from hotbench.models.dips import (
    WITHIN_BACK_K,
    WITHIN_DOWN_K,
    DipSpec,
    dip_times,
    predict_dip,
)
from hotbench.models.slew import LoopLimits, limits_by_cause, physical_rate_K_per_s
from hotbench.profile import types as p

SLEW_TEMPERATURES_C = (180.0, 200.0, 220.0, 240.0)
DIPS_C = ((240.0, 220.0), (220.0, 200.0), (220.0, 190.0))
TIMING_s = 0.15
"""Doubt of a dip's times beyond the heater's: a command is acted on at the board's next tick, and
fast parts of a sleeve are in no model. Chosen on 22 simulated printers, tests/studies judges."""
INSIDE_K = 2.0
OF_THE_BOARD: tuple[p.LimitingCause, ...] = ("loop tracking", "controller fault")
FULL_DUTY = 0.95
"""Share of full duty that a steady flow may draw; the rest is the loop's. Common practice."""


def rate_caps(heater: HeaterFit, trials: list[RampTrial]) -> dict[Direction, RateCap]:
    """The physical rate over each direction's ramps, headroom left, as a cap of the claim."""
    caps: dict[Direction, RateCap] = {}
    vector = heater.propagation.base
    for direction in ("heating", "cooling"):
        own = [trial for trial in trials if trial.direction == direction]
        if not own:
            continue
        ends_C = np.linspace(
            min(min(t.from_C, t.to_C) for t in own), max(max(t.from_C, t.to_C) for t in own), 3
        )
        slowest = min(
            physical_rate_K_per_s(vector, direction, float(at), fan=own[0].fan) for at in ends_C
        )
        if slowest > 0.0:
            caps[direction] = RateCap(
                slowest, "power" if direction == "heating" else "passive cooling"
            )
    return caps


def slew_rows(slew: SlewFit | None, heater: HeaterFit | None) -> tuple[p.SlewRate, ...]:
    """Measured claims over the ladder's range, then what the heater predicts elsewhere."""
    measured = tuple(_measured(slew)) if slew else ()
    predicted = tuple(_predicted(slew, heater, measured)) if heater else ()
    return (*measured, *predicted)


def _measured(slew: SlewFit) -> Iterator[p.SlewRate]:
    for fit in slew.directions:
        if fit.rate is None or fit.cause is None:
            continue
        runs = {trial.run_id for trial in slew.trials if trial.direction == fit.direction}
        for temperature_C in np.linspace(*fit.temperature_range_C, 3):
            yield _claim(fit, fit.rate, fit.cause, float(temperature_C), tuple(sorted(runs)))


def _claim(
    fit: DirectionFit,
    rate: Quantity,
    cause: p.LimitingCause,
    temperature_C: float,
    runs: tuple[str, ...],
) -> p.SlewRate:
    return p.SlewRate(
        direction=fit.direction,
        temperature_C=round(temperature_C, 1),
        fan=fit.fan,
        rate_K_per_s=rate.value,
        limiting_cause=cause,
        coverage=fit.coverage,
        confidence=fit.confidence,
        basis=rate.basis,
        evidence=p.SlewEvidence(
            trials=fit.trials, faults=fit.faults, confirmed=fit.confirmed, runs=runs
        ),
    )


def _predicted(
    slew: SlewFit | None, heater: HeaterFit, measured: tuple[p.SlewRate, ...]
) -> Iterator[p.SlewRate]:
    fans = sorted({row.figure.fan for row in heater.cooling_rate})
    kinds: list[tuple[Direction, float]] = [("heating", 0.0), *(("cooling", f) for f in fans)]
    for direction, fan in kinds:
        known = [r.temperature_C for r in measured if r.direction == direction and r.fan == fan]
        for temperature_C in SLEW_TEMPERATURES_C:
            covered = known and min(known) - INSIDE_K <= temperature_C <= max(known) + INSIDE_K
            if temperature_C <= heater.seen_C[1] and not covered:
                rows = _prediction(slew, heater, direction, fan, temperature_C)
                yield from (_capped(row, measured) for row in rows)


def _capped(row: p.SlewRate, measured: tuple[p.SlewRate, ...]) -> p.SlewRate:
    """Never faster than the nearest ramps of that direction that the loop or the board held back.

    What the hot end itself could follow says nothing about the board.
    """
    held = [
        claim
        for claim in measured
        if claim.direction == row.direction and claim.limiting_cause in OF_THE_BOARD
    ]
    if not held:
        return row
    nearest = min(held, key=lambda claim: abs(claim.temperature_C - row.temperature_C))
    if row.rate_K_per_s <= nearest.rate_K_per_s:
        return row
    return row.model_copy(
        update={
            "rate_K_per_s": nearest.rate_K_per_s,
            "low_K_per_s": None,
            "high_K_per_s": None,
            "confidence": None,
            "limiting_cause": nearest.limiting_cause,
            "basis": "assumed",
        }
    )


def _prediction(
    slew: SlewFit | None, heater: HeaterFit, direction: Direction, fan: float, temperature_C: float
) -> Iterator[p.SlewRate]:
    loop = loop_limits(slew, direction)

    def rates(vector: FloatArray) -> Mapping[p.LimitingCause, float]:
        return limits_by_cause(vector, direction, temperature_C, fan, loop)

    nominal = rates(heater.propagation.base)
    cause = min(nominal, key=nominal.__getitem__)
    if nominal[cause] <= 0.0:
        return
    assumed = cause in OF_THE_BOARD
    (rate,) = heater.propagation.quantities(
        lambda vector: np.array([min(rates(vector).values())]),
        ["K/s"],
        [_share(f"{direction} rate", fan)],
        "assumed" if assumed else "extrapolated",
    )
    yield p.SlewRate(
        direction=direction,
        temperature_C=temperature_C,
        fan=fan,
        rate_K_per_s=rate.value,
        low_K_per_s=rate.low,
        high_K_per_s=rate.high,
        limiting_cause=cause,
        confidence=rate.confidence,
        basis=rate.basis,
    )


def _share(kind: str, fan: float) -> Share:
    """Model error by the residual: with the fan on, that of fan cooling."""
    return SHARES[kind if fan == 0.0 else "fan cooling rate"]


def loop_limits(slew: SlewFit | None, direction: Direction) -> LoopLimits:
    """The loop's trail as its ramps showed it; assumed where there were none."""
    seen = slew.of(direction) if slew else None
    trail_s = None
    if seen and seen.level_K and seen.limit_K_per_s:
        trail_s = seen.level_K / seen.limit_K_per_s
    return LoopLimits(fault_deviation_K=slew.fault_deviation_K if slew else None, trail_s=trail_s)


def dip_rows(heater: HeaterFit, runs: Sequence[Run] = ()) -> tuple[p.Dip, ...]:
    """Usual and recorded dips, from a steady hold, at the fan settings that were recorded.

    Predicted under the board's controller, which the recorded dips tell; the intervals are widened
    by what they differ from the prediction beyond a reading's doubt. Where they tell no controller
    the recorded ones stand as they were; others come down with the heater off, and back at full
    duty as an assumption.
    """
    recorded = list(timed_dips(runs))
    board = board_of(heater, runs)
    fans = sorted({row.figure.fan for row in heater.cooling_rate if row.quantity.basis == "fitted"})
    usual = {(a, b, fan) for a, b in DIPS_C for fan in fans if a <= heater.seen_C[1]}
    keys = sorted(usual | {one.key for one in recorded}, key=lambda k: (-k[0], -k[1], k[2]))
    predicted = {key: _dip(heater, DipSpec(*key), board) for key in keys}
    if board is None:
        stated = {one.key: one.as_measured(predicted[one.key]) for one in recorded}
        return tuple(row for key in keys if (row := stated.get(key) or predicted[key]))
    pairs = [(one, row) for one in recorded if (row := predicted[one.key])]
    down = max((_missed(one.time_down, row.time_down) for one, row in pairs), default=0.0)
    back = max((_missed(one.time_back, row.time_back) for one, row in pairs), default=0.0)
    return tuple(_widened(row, down, back) for row in predicted.values() if row)


@dataclass(frozen=True, slots=True)
class TimedDip:
    """A recorded dip with its times."""

    key: tuple[float, float, float]
    time_down: Quantity | None
    time_back: Quantity | None

    def as_measured(self, predicted: p.Dip | None) -> p.Dip | None:
        """The predicted row with the recorded times in their place."""
        if predicted is None:
            return None
        down, back = self.time_down or predicted.time_down, self.time_back or predicted.time_back
        return predicted.model_copy(
            update={"time_down": down, "time_back": back, "earliest_command": _surely(down)}
        )


def timed_dips(runs: Sequence[Run]) -> Iterator[TimedDip]:
    """The recorded dips that go down by more than their scoring bands."""
    for run in runs:
        for dip in recorded_dips(run):
            if dip.from_C - dip.to_C > WITHIN_DOWN_K + WITHIN_BACK_K:
                yield TimedDip(
                    (dip.from_C, dip.to_C, dip.fan),
                    time_down(run, dip, run.temperature_C),
                    time_back(run, dip, run.temperature_C),
                )


def _missed(recorded: Quantity | None, predicted: Quantity) -> float:
    """By what share a predicted time misses the recorded one, its own doubt allowed for."""
    if recorded is None or recorded.half_width is None:
        return 0.0
    off_s = abs(predicted.value - recorded.value) - recorded.half_width
    return max(off_s, 0.0) / recorded.value


def board_of(heater: HeaterFit, runs: Sequence[Run]) -> BoardLoop | None:
    """The board's controller as the runs with dips show it; None where they do not."""
    seen = (_regulated(heater, run) for run in runs)
    return fit_board_loop([one for one in seen if one is not None])


def _regulated(heater: HeaterFit, run: Run) -> Regulated | None:
    moved = [(dip.first, dip.past) for dip in recorded_dips(run)]
    if not moved or np.isnan(run.duty).all():
        return None
    return Regulated.of(run, heater.predict(run).temperature_C, moved)


def _dip(heater: HeaterFit, spec: DipSpec, board: BoardLoop | None) -> p.Dip | None:
    shares = [_share(kind, spec.fan) for kind in ("time down", "time back")]
    times = heater.propagation.quantities(
        lambda vector: dip_times(vector, spec, board), ["s", "s"], shares
    )
    try:
        times = [_doubted(time, TIMING_s) for time in times]
        found = predict_dip(heater.propagation.base, spec, board=board, times=times)
    except (BadInput, ValueError):
        return None
    back = found.time_back
    return p.Dip(
        from_C=spec.from_C,
        to_C=spec.to_C,
        fan=spec.fan,
        time_down=found.time_down,
        time_back=back if board else Quantity(value=back.value, unit="s", basis="assumed"),
        earliest_command=found.earliest_command,
    )


def _widened(row: p.Dip, down: float, back: float) -> p.Dip:
    fall = _doubted(row.time_down, down * row.time_down.value)
    rise = _doubted(row.time_back, back * row.time_back.value)
    return row.model_copy(
        update={"time_down": fall, "time_back": rise, "earliest_command": _surely(fall)}
    )


def _doubted(time: Quantity, doubt_s: float) -> Quantity:
    """A time with a further doubt."""
    if time.half_width is None or doubt_s == 0.0:
        return time
    reach_s = float(np.hypot(time.half_width, doubt_s))
    return replace(time, low=max(time.value - reach_s, 0.0), high=time.value + reach_s)


def _surely(down: Quantity) -> Quantity:
    """The command that is surely early enough."""
    value = down.value if down.high is None else down.high
    return Quantity(value=value, unit="s", basis=down.basis)


def heater_flow(heater: HeaterFit) -> Callable[[float], float] | None:
    """Flow at which the heater saturates, by temperature.

    None where the load or the holding duty is not known.
    """
    values = heater.values
    if heater.load_per_flow is None or not values.get("load_per_mm3") or not heater.hold_duty:
        return None
    load = values["load_per_mm3"]

    def saturates_at(temperature_C: float) -> float:
        rise_K = temperature_C - heater.ambient.value
        holding = hold_duty(heater, temperature_C) or 0.0
        power = values["heating_K_per_s"] * (1.0 - values.get("falloff_per_K", 0.0) * rise_K)
        return max(FULL_DUTY - holding, 0.0) * power / (load * rise_K)

    return saturates_at


def hold_duty(heater: HeaterFit, temperature_C: float, fan: float = 0.0) -> float | None:
    """Duty that holds a temperature; at a fan setting that is not stated, that of the nearest.

    None where the fit tells no holding duty at all.
    """
    if not heater.hold_duty:
        return None
    nearest = min({r.figure.fan for r in heater.hold_duty}, key=lambda at: abs(at - fan))
    rows = [
        (r.figure.temperature_C, r.quantity.value)
        for r in heater.hold_duty
        if r.figure.fan == nearest
    ]
    known_C, duty = np.array(sorted(rows)).T
    return float(np.interp(temperature_C, known_C, duty))
