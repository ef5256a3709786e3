"""What the fitted heater predicts beyond what was recorded: caps, safe slew, dips, saturation."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from hotbench.bench.dips import RecordedDip, recorded_dips, time_back, time_down
from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit
from hotbench.fitting.intervals import SHARES_per_K
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.slew import DirectionFit, RateCap, SlewFit
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
STRETCH_DOUBT = 0.15
"""Least relative doubt when one dip's controller is taken for another dip's; an assumption."""
HIGHEST_RESUMPTION_K = 40.0
DUTY_POWER = 0.75
RESUMPTION_DOUBT = 1.0
"""Relative doubt about the time that the controller adds on the way down; an assumption."""
INSIDE_K = 2.0
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


def slew_rows(
    slew: SlewFit | None, heater: HeaterFit | None, ladders: tuple[str, ...]
) -> tuple[p.SlewRate, ...]:
    """Measured claims over the ladder's range, then what the heater predicts elsewhere."""
    measured = tuple(_measured(slew, ladders)) if slew else ()
    predicted = tuple(_predicted(slew, heater, measured)) if heater else ()
    return (*measured, *predicted)


def _measured(fit: SlewFit, ladders: tuple[str, ...]) -> Iterator[p.SlewRate]:
    for direction in fit.directions:
        if direction.rate is None or direction.cause is None:
            continue
        for temperature_C in np.linspace(*direction.temperature_range_C, 3):
            yield _claim(direction, direction.rate, direction.cause, float(temperature_C), ladders)


def _claim(
    fit: DirectionFit,
    rate: Quantity,
    cause: p.LimitingCause,
    temperature_C: float,
    ladders: tuple[str, ...],
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
            trials=fit.trials, faults=fit.faults, confirmed=fit.confirmed, runs=ladders
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
                yield from _prediction(slew, heater, direction, fan, temperature_C)


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
    assumed = cause in ("loop tracking", "controller fault")
    (rate,) = heater.propagation.quantities(
        lambda vector: np.array([min(rates(vector).values())]),
        ["K/s"],
        _share_per_K(f"{direction} rate", fan),
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


def _share_per_K(kind: str, fan: float) -> float:
    """Model error per kelvin of residual: with the fan on, that of fan cooling where it is more."""
    own = SHARES_per_K[kind]
    return own if fan == 0.0 else max(own, SHARES_per_K["fan cooling rate"])


def loop_limits(slew: SlewFit | None, direction: Direction) -> LoopLimits:
    """The loop's trail as its ramps showed it; assumed where there were none."""
    seen = slew.of(direction) if slew else None
    trail_s = None
    if seen and seen.level_K and seen.limit_K_per_s:
        trail_s = seen.level_K / seen.limit_K_per_s
    return LoopLimits(fault_deviation_K=slew.fault_deviation_K if slew else None, trail_s=trail_s)


def dip_rows(heater: HeaterFit, runs: Sequence[Run] = ()) -> tuple[p.Dip, ...]:
    """Usual and recorded dips, from a steady hold, at the fan settings that were recorded.

    The way down is predicted with the heater off, and longer by what the board's controller adds
    when it resumes above the target, as the recorded dips show; see `Resumption`. The way back is
    what that controller makes of it: as recorded, else the model's full-duty time stretched as the
    recorded dips were, else that time as an assumption.
    """
    fans = sorted({row.figure.fan for row in heater.cooling_rate if row.quantity.basis == "fitted"})
    backs = {(d.from_C, d.to_C, d.fan): back for run in runs for d, back in _backs(run)}
    usual = [(a, b, fan) for a, b in DIPS_C for fan in fans if a <= heater.seen_C[1]]
    specs = [DipSpec(*key) for key in sorted({*usual, *backs}, key=lambda k: (-k[0], -k[1], k[2]))]
    stretch, resumption = _stretch(heater, backs), resumption_of(heater, runs)
    rows = (_dip(heater, spec, backs, stretch, resumption) for spec in specs)
    return tuple(row for row in rows if row is not None)


Backs = Mapping[tuple[float, float, float], Quantity]


def _backs(run: Run) -> Iterator[tuple[RecordedDip, Quantity]]:
    """Recorded dips with their time back."""
    for dip in recorded_dips(run):
        back = time_back(run, dip, run.temperature_C)
        if back is not None and dip.from_C - dip.to_C > WITHIN_DOWN_K + WITHIN_BACK_K:
            yield dip, back


def _stretch(heater: HeaterFit, backs: Backs) -> tuple[float, float] | None:
    """Recorded over full-duty time back: mean and relative doubt; None without a recorded dip."""
    fastest = [dip_times(heater.propagation.base, DipSpec(*key))[1] for key in backs]
    ratios = [q.value / f for q, f in zip(backs.values(), fastest, strict=True) if f > 0.0]
    if not ratios:
        return None
    doubt = max(float(np.ptp(ratios)), STRETCH_DOUBT * float(np.mean(ratios)))
    return float(np.mean(ratios)), doubt / float(np.mean(ratios))


@dataclass(frozen=True, slots=True)
class Resumption:
    """Where the board's controller lets the heater come on again on the way down.

    It resumes some kelvin above the target, more where more duty held the upper temperature: a
    proportional controller with a frozen integral would do so in proportion, one whose integral
    unwinds not at all; the power between them is a choice that suits the simulated printers. From
    there the fall slows linearly to a stop at the target.
    """

    kelvin_at_full_duty: float

    def extra_K(self, duty: float) -> float:
        """By how much further the heater-off fall would have come until within reach.

        Integral of d/x - 1 from WITHIN_DOWN_K to d, the fall's speed being x/d of its own.
        """
        return _extra_K(self.kelvin_at_full_duty * max(duty, 0.0) ** DUTY_POWER)


def _extra_K(resumes_K: float) -> float:
    if resumes_K <= WITHIN_DOWN_K:
        return 0.0
    return resumes_K * float(np.log(resumes_K / WITHIN_DOWN_K)) - (resumes_K - WITHIN_DOWN_K)


def resumption_of(heater: HeaterFit, runs: Sequence[Run]) -> Resumption | None:
    """From the recorded dips' way down against the heater-off prediction; None without any."""
    found = [
        _resumes_K(heater, dip, down.value) / holding**DUTY_POWER
        for run in runs
        for dip in recorded_dips(run)
        if dip.from_C - dip.to_C > WITHIN_DOWN_K + WITHIN_BACK_K
        and (down := time_down(run, dip, run.temperature_C)) is not None
        and (holding := hold_duty(heater, dip.from_C, dip.fan))
    ]
    known = [value for value in found if np.isfinite(value)]
    return Resumption(float(np.median(known))) if known else None


def _resumes_K(heater: HeaterFit, dip: RecordedDip, down_s: float) -> float:
    """The height above the target that explains a recorded way down; NaN where it is longer."""
    spec = DipSpec(dip.from_C, dip.to_C, dip.fan)
    vector = heater.propagation.base
    near_s, past_s = (
        dip_times(vector, replace(spec, within_down_K=at))[0]
        for at in (WITHIN_DOWN_K, WITHIN_DOWN_K - 1.0)
    )
    extra_K = max((down_s - near_s) / (past_s - near_s), 0.0)
    if not extra_K < _extra_K(HIGHEST_RESUMPTION_K):
        return float("nan")
    return float(
        brentq(lambda at: _extra_K(at) - extra_K, 0.5 * WITHIN_DOWN_K, HIGHEST_RESUMPTION_K)
    )


def _led(heater: HeaterFit, spec: DipSpec, resumption: Resumption | None) -> DipSpec:
    """The dip whose heater-off fall takes as long as the controlled one."""
    holding = hold_duty(heater, spec.from_C, spec.fan)
    if resumption is None or holding is None:
        return spec
    extra_K = resumption.extra_K(holding)
    return replace(spec, within_down_K=spec.within_down_K - extra_K)


def _dip(
    heater: HeaterFit,
    spec: DipSpec,
    backs: Backs,
    stretch: tuple[float, float] | None,
    resumption: Resumption | None,
) -> p.Dip | None:
    led = _led(heater, spec, resumption)
    times = heater.propagation.quantities(
        lambda vector: dip_times(vector, led), ["s", "s"], _share_per_K("time", spec.fan)
    )
    try:
        times[0] = _doubted(times[0], heater, spec, led)
        found = predict_dip(heater.propagation.base, led, times=times)
    except (BadInput, ValueError):
        return None
    recorded = backs.get((spec.from_C, spec.to_C, spec.fan))
    return p.Dip(
        from_C=spec.from_C,
        to_C=spec.to_C,
        fan=spec.fan,
        time_down=found.time_down,
        time_back=recorded or _stretched(found.time_back, stretch),
        earliest_command=found.earliest_command,
    )


def _doubted(down: Quantity, heater: HeaterFit, spec: DipSpec, led: DipSpec) -> Quantity:
    """Time down with the doubt about where the controller resumes; a dip never reached passes."""
    if down.half_width is None or led is spec:
        return down
    free_s = dip_times(heater.propagation.base, spec)[0]
    reach_s = float(np.hypot(down.half_width, RESUMPTION_DOUBT * (down.value - free_s)))
    return replace(down, low=max(down.value - reach_s, 0.0), high=down.value + reach_s)


def _stretched(fastest: Quantity, stretch: tuple[float, float] | None) -> Quantity:
    if stretch is None or fastest.half_width is None:
        return Quantity(value=fastest.value, unit="s", basis="assumed")
    factor, doubt = stretch
    value = fastest.value * factor
    reach = value * float(np.hypot(fastest.half_width / fastest.value, doubt))
    return Quantity(
        value=value,
        unit="s",
        low=max(value - reach, 0.0),
        high=value + reach,
        confidence=fastest.confidence,
        basis="extrapolated",
    )


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
