"""Safe slew from a ramp ladder: tolerance bound of the deviation under the fault level."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.special import ndtr

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Basis, Quantity
from hotbench.fitting.pass_fault import safe_rate_from_faults
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.tolerance import Line, fit_line, upper_bound

Cause = Literal["power", "passive cooling", "loop tracking", "controller fault"]
Method = Literal["tolerance bound", "pass-fault ladder", "none"]

COVERAGE, CONFIDENCE = 0.99, 0.95
LEAST_SPREAD = 0.02
FAULT_SPREAD = 0.1
"""Log spread assumed for the controller's own fault level, which no deviation shows. A larger one
has to be declared: to tell 0.15 from 0.05 a ladder would have to provoke faults
(tests/studies/test_slew_study.py)."""
SEQUENTIAL = 0.5
"""The bound is computed at this share of the stated doubt: choosing rates from earlier ramps costs
a few per cent of the confidence that a fixed plan has (tests/studies/test_slew_study.py)."""
EARLY_FAULT_SPREADS = 2.0
"""A fault this many spreads below the stated level is no surprise in one ladder; after an earlier
one the stated level is not believed."""
REACH = 1.1
"""The largest rate claimed, over the fastest clean ramp."""
FEWEST_TRIALS = 5
CURVED_T = 1.5
SATURATED = 0.8
"""Share of a ramp spent at full (or no) duty from which on the hot end, not the loop, sets the
deviation."""
NEAR_STOP = 0.5
"""From this share on the deviation is about to rise steeply: nothing faster is claimed."""
BELOW_ABANDONED = 0.9
"""Of the slowest abandoned ramp's rate: nothing faster is tried or claimed. Such a ramp reached
the deviation at which one board in a hundred faults."""
CONFIRM_WITHIN = 0.97
_GRID = 64


@dataclass(frozen=True, slots=True)
class RateCap:
    """A physical limit of the rate, such as heating at full duty less the headroom."""

    rate_K_per_s: float
    cause: Cause


@dataclass(frozen=True, kw_only=True)
class SlewCurve:
    """For plots: rates, fitted deviation and its upper tolerance bound; equal lengths."""

    rate_K_per_s: FloatArray
    deviation_K: FloatArray
    bound_K: FloatArray


@dataclass(frozen=True, kw_only=True)
class DirectionFit:
    """The safe rate of one direction and what it rests on.

    rate: value without interval, since `coverage` and `confidence` make it a one-sided claim.
    limit_K_per_s: where the typical deviation meets the fault level (half the ramps fault).
    level_K: the fault level used, less what noise adds. spread: residual log spread. widen: what
    would raise the stated rate. abandoned: ramps among the trials that were stopped on the way.
    """

    direction: Direction
    rate: Quantity | None
    limit_K_per_s: float | None
    cause: Cause | None
    method: Method
    coverage: float
    confidence: float
    trials: int
    faults: int
    confirmed: bool
    level_K: float | None
    spread: float | None
    slope: float | None
    curved: bool
    temperature_range_C: tuple[float, float]
    fan: float
    movement_K: float
    assumptions: tuple[str, ...]
    widen: str
    abandoned: int = 0
    curve: SlewCurve | None = field(default=None, repr=False)


@dataclass(frozen=True, kw_only=True)
class SlewFit:
    """Safe rates by direction, with the trials and the fault level they were judged by."""

    fault_deviation_K: float | None
    directions: tuple[DirectionFit, ...]
    trials: tuple[RampTrial, ...] = field(repr=False)
    unidentified: tuple[tuple[str, str], ...] = ()

    def of(self, direction: Direction) -> DirectionFit | None:
        """The fit of one direction, None when no ramp went that way."""
        return next((fit for fit in self.directions if fit.direction == direction), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlewOptions:
    """How claims are made; see `fit_slew`."""

    fault_deviation_K: float | None = None
    fault_spread: float | None = None
    level_fall: float = 0.0
    coverage: float = COVERAGE
    confidence: float = CONFIDENCE

    def __post_init__(self) -> None:
        level = self.fault_deviation_K
        if level is not None and not (np.isfinite(level) and level > 0.0):
            raise BadInput("fault deviation must be positive", value=level, limit="above 0 K")
        if not 0.0 <= self.spread < 1.0:
            raise BadInput("fault spread out of range", value=self.fault_spread, limit="0 to 1")
        if not 0.0 <= self.level_fall < 1.0:
            raise BadInput("fall of the level out of range", value=self.level_fall, limit="0 to 1")

    @property
    def spread(self) -> float:
        """Log spread of the board's fault level: as declared, or as assumed."""
        return FAULT_SPREAD if self.fault_spread is None else self.fault_spread


def fit_slew(
    trials: Sequence[RampTrial],
    fault_deviation_K: float | None = None,
    *,
    fault_spread: float | None = None,
    level_fall: float = 0.0,
    caps: Mapping[Direction, RateCap] | None = None,
    coverage: float = COVERAGE,
    confidence: float = CONFIDENCE,
) -> SlewFit:
    """The largest rate, per direction, whose ramps stay below the controller's fault level.

    fault_deviation_K: deviation at which the board faults; None takes it from the faults among
    the trials, and without any falls back to counting passes. fault_spread: log spread of that
    level from ramp to ramp, which the deviations do not show; FAULT_SPREAD is assumed unless the
    board's maker states it. level_fall: share by which the level may fall with accumulated
    movement. caps: physical limits. Claim: at most 1 − coverage of ramps at the rate fault, with
    the stated confidence.
    """
    options = SlewOptions(
        fault_deviation_K=fault_deviation_K,
        fault_spread=fault_spread,
        level_fall=level_fall,
        coverage=coverage,
        confidence=confidence,
    )
    fits = [
        fit_direction(group, options, (caps or {}).get(direction))
        for direction in _DIRECTIONS
        if (group := [trial for trial in trials if trial.direction == direction])
    ]
    missing = tuple((f"safe {fit.direction} rate", fit.widen) for fit in fits if fit.rate is None)
    return SlewFit(
        fault_deviation_K=fault_deviation_K,
        directions=tuple(fits),
        trials=tuple(trials),
        unidentified=missing,
    )


PHYSICAL: dict[Direction, Cause] = {"heating": "power", "cooling": "passive cooling"}
_STRONGER: dict[Cause, str] = {
    "power": "more heater power",
    "passive cooling": "more cooling air",
}
_DIRECTIONS: tuple[Direction, ...] = ("heating", "cooling")


def is_saturated(trial: RampTrial) -> bool:
    """Whether the ramp ran at the heater's stop for most of its time; unknown duty counts as no."""
    return trial.saturation >= SATURATED


def fault_level_K(trials: Sequence[RampTrial]) -> float | None:
    """Deviation at which the board has faulted, from the trials; the lowest seen, None without."""
    reached = [
        trial.peak_K if np.isfinite(trial.peak_K) else trial.deviation_K
        for trial in trials
        if trial.fault is not None
    ]
    return min(reached) if reached else None


def believed_level_K(trials: Sequence[RampTrial], options: SlewOptions) -> float | None:
    """The stated fault level, or the lowest seen where none is stated or a fault came too early."""
    stated, seen = options.fault_deviation_K, fault_level_K(trials)
    if stated is None or seen is None:
        return seen if stated is None else stated
    no_surprise = np.exp(-EARLY_FAULT_SPREADS * options.spread) * (1.0 - options.level_fall)
    return seen if seen < no_surprise * stated else stated


def fit_direction(
    trials: Sequence[RampTrial], options: SlewOptions, cap: RateCap | None = None
) -> DirectionFit:
    """The safe rate of trials of one direction."""
    level = believed_level_K(trials, options)
    cap = _below_abandoned(trials, cap)
    if level is None or not _is_enough(trials):
        return _by_faults(trials, options, cap)
    fit = _by_deviation(trials, trials, level, options, cap)
    at_stop = min((t.rate_K_per_s for t in trials if t.clean and is_saturated(t)), default=np.inf)
    led = [trial for trial in trials if trial.rate_K_per_s < at_stop]
    if len(led) == len(trials) or not _is_enough(led):
        return fit
    below = _by_deviation(trials, led, level, options, cap)
    return max(fit, below, key=lambda found: found.rate.value if found.rate else 0.0)


def _is_enough(trials: Sequence[RampTrial]) -> bool:
    """Whether there are enough whole ramps with a visible deviation for a regression."""
    return sum(trial.visible and trial.clean for trial in trials) >= FEWEST_TRIALS


def abandoned_limit_K_per_s(trials: Sequence[RampTrial]) -> float:
    """The rate that abandoned ramps leave open; infinity without any."""
    return BELOW_ABANDONED * min((t.rate_K_per_s for t in trials if t.abandoned), default=np.inf)


def _below_abandoned(trials: Sequence[RampTrial], cap: RateCap | None) -> RateCap | None:
    """The physical cap, or the lower one that abandoned ramps set."""
    limit = abandoned_limit_K_per_s(trials)
    if limit < (cap.rate_K_per_s if cap else np.inf):
        return RateCap(limit, "controller fault")
    return cap


@dataclass(frozen=True, kw_only=True)
class Regression:
    """The regression of one direction: line, effective level, the spreads, rates of interest."""

    line: Line
    level_K: float
    hidden_spread: float
    curved: bool
    fastest_clean: float
    slowest: float
    saturated: bool
    options: SlewOptions

    @property
    def reach(self) -> float:
        """The largest rate that may be claimed: little beyond the fastest clean ramp.

        Nothing beyond it once that ramp ran at the heater's stop or a faster one faulted there.
        """
        return (1.0 if self.saturated else REACH) * self.fastest_clean

    def bound(self, rate_K_per_s: FloatArray) -> FloatArray:
        """ln of the upper tolerance bound of the deviation."""
        return upper_bound(
            self.line,
            np.log(rate_K_per_s),
            coverage=self.options.coverage,
            confidence=1.0 - SEQUENTIAL * (1.0 - self.options.confidence),
            least_spread=LEAST_SPREAD,
            known_spread=self.hidden_spread,
        )

    def grid(self) -> FloatArray:
        """Rates up to three times the fastest clean ramp; from half the slowest on, unless bent.

        A bent line's left arm means nothing, so it is not followed below the slowest ramp.
        """
        start = self.slowest if self.curved else 0.5 * self.slowest
        return np.geomspace(start, 3.0 * self.fastest_clean, _GRID)

    def safe_rate(self, bound: FloatArray) -> float:
        """The largest rate whose bound (on `grid`) stays under the level; 0 when none does."""
        return _first_crossing(self.grid(), bound, np.log(self.level_K))

    def rate_at(self, share: float) -> float:
        """Rate at which the typical deviation is `share` of the level."""
        grid = self.grid()
        typical = self.line.value(np.log(grid))
        return _first_crossing(grid, typical, np.log(share * self.level_K))

    @property
    def total_spread(self) -> float:
        """Log spread of deviation over level."""
        return float(np.hypot(max(self.line.spread, LEAST_SPREAD), self.hidden_spread))


def regress(trials: Sequence[RampTrial], level_K: float, options: SlewOptions) -> Regression:
    """Log deviation on log rate; a curve when the deviations bend upwards.

    The level is lowered by what noise adds to the peaks the controller sees and by the stated
    fall. A faulted ramp's deviation counts where it lies above the line.
    """
    clean = [trial for trial in trials if trial.clean and trial.visible]
    rates, deviations = _columns(clean)
    line, curved = _line(rates, deviations)
    high = [
        trial
        for trial in trials
        if trial.fault is not None
        and trial.visible
        and not is_saturated(trial)
        and np.log(trial.deviation_K) > line.value(np.log(np.array([trial.rate_K_per_s])))[0]
    ]
    if high:
        line, curved = _line(*_columns([*clean, *high]))
    level_K = (level_K - _noise_allowance_K(clean)) * (1.0 - options.level_fall)
    level_K = max(level_K, 1e-6)
    return Regression(
        line=line,
        level_K=level_K,
        hidden_spread=options.spread,
        curved=curved,
        fastest_clean=float(rates.max()),
        slowest=float(rates.min()),
        saturated=any(t.saturation >= NEAR_STOP for t in trials if t.rate_K_per_s >= rates.max()),
        options=options,
    )


def _columns(trials: Sequence[RampTrial]) -> tuple[FloatArray, FloatArray]:
    rates = np.array([trial.rate_K_per_s for trial in trials], dtype=np.float64)
    return rates, np.array([trial.deviation_K for trial in trials], dtype=np.float64)


def _line(rates: FloatArray, deviations: FloatArray) -> tuple[Line, bool]:
    """Straight in logarithms, or bent upwards where the trials say so."""
    x, y = np.log(rates), np.log(deviations)
    distinct = np.unique(np.round(x, 3)).size
    if distinct < 2:
        return _proportional(x, y), False
    straight = fit_line(x, y, 1)
    if distinct < 4 or x.size < FEWEST_TRIALS + 1:
        return straight, False
    bent = fit_line(x, y, 2)
    rising = bent.slope(float(x.min())) > 0.0
    if rising and bent.t_of_last() > CURVED_T:
        return bent, True
    return straight, False


def _proportional(x: FloatArray, y: FloatArray) -> Line:
    """Deviation proportional to rate, when all ramps had one rate."""
    return Line(
        centre=float(x[0]),
        coefficients=np.array([float(np.mean(y)), 1.0]),
        inverse=np.diag([1.0 / x.size, 0.0]),
        spread=float(np.std(y, ddof=1)) if x.size > 1 else 0.0,
        dof=max(x.size - 1, 1),
    )


def _noise_allowance_K(trials: Sequence[RampTrial]) -> float:
    return float(np.median([trial.noise_peak_K for trial in trials]))


def _first_crossing(grid: FloatArray, curve: FloatArray, level: float) -> float:
    """The rate at which a curve first exceeds `level`; the grid's end when it never does."""
    over = np.flatnonzero(~(curve <= level))
    if not over.size:
        return float(grid[-1])
    if over[0] == 0:
        return 0.0
    pair = slice(over[0] - 1, over[0] + 1)
    return float(np.exp(np.interp(level, curve[pair], np.log(grid[pair]))))


def _by_deviation(
    trials: Sequence[RampTrial],
    used: Sequence[RampTrial],
    level_K: float,
    options: SlewOptions,
    cap: RateCap | None,
) -> DirectionFit:
    """The claim from a regression on `used`: all trials, or those that the loop led.

    No curve follows the corner where the hot end stops following: ramps beyond it may spoil what
    the slower ones tell, and those claim no rate above their own.
    """
    fit = regress(used, level_K, options)
    grid = fit.grid()
    log_bound = fit.bound(grid)
    bound = fit.safe_rate(log_bound)
    rate, cause = _under_cap(min(bound, fit.reach), cap)
    if fit.saturated and rate == fit.reach:
        cause = PHYSICAL[trials[0].direction]
    claimed = rate > 0.0
    curve = SlewCurve(
        rate_K_per_s=grid,
        deviation_K=np.exp(fit.line.value(np.log(grid))),
        bound_K=np.exp(log_bound),
    )
    return _direction_fit(
        trials,
        options,
        rate=_rate(rate, _basis(trials, cause, rate)) if claimed else None,
        limit_K_per_s=fit.rate_at(1.0),
        cause=cause if claimed else None,
        method="tolerance bound",
        level_K=fit.level_K,
        spread=fit.line.spread,
        slope=float(fit.line.coefficients[1]),
        curved=fit.curved,
        assumptions=_assumptions(options, level_K),
        widen=_widen(bound, fit, cause, claimed),
        curve=curve,
    )


def _under_cap(rate: float, cap: RateCap | None) -> tuple[float, Cause]:
    """The lower of a claim and the physical limit, and what sets it."""
    if cap is not None and 0.0 < cap.rate_K_per_s <= rate:
        return cap.rate_K_per_s, cap.cause
    return rate, "controller fault"


def _basis(trials: Sequence[RampTrial], cause: Cause, rate: float) -> Basis:
    fastest = max(trial.rate_K_per_s for trial in trials)
    return "fitted" if cause == "controller fault" or rate <= fastest else "extrapolated"


def _rate(value: float, basis: Basis) -> Quantity:
    return Quantity(value=value, unit="K/s", basis=basis)


def _assumptions(options: SlewOptions, level_K: float) -> tuple[str, ...]:
    said = [spread_said(options.fault_spread, "ramp")]
    if (stated_K := options.fault_deviation_K) is not None and level_K < stated_K:
        said.append(
            f"a ramp faulted at {level_K:.3g} K already: the stated level of {stated_K:g} K is not "
            "believed, rates are judged by that fault"
        )
    if options.level_fall:
        said.append(f"accumulated movement lowers it by up to {100.0 * options.level_fall:g} %")
    else:
        said.append("the setpoint moves no more within a minute than it did in these ramps")
    return tuple(said)


def spread_said(declared: float | None, move: str) -> str:
    """What a claim assumes of the board's fault level, from one `move` to the next."""
    if declared is not None:
        percent = f"{100.0 * declared:.3g} %"
        return f"the board's fault level varies by {percent} from {move} to {move}, as declared"
    return (
        f"the board's fault level is assumed to vary by {100.0 * FAULT_SPREAD:.3g} % from {move} to"
        f" {move}, which no record shows: declare it where it varies by more"
    )


def _widen(bound: float, fit: Regression, cause: Cause, claimed: bool) -> str:
    if not claimed:
        return "slower ramps: even the slowest came too close to the fault level"
    if cause in _STRONGER:
        return _STRONGER[cause]
    if bound > fit.reach:
        return f"faster ramps: none faster than {fit.fastest_clean:.3g} K/s was clean"
    return "more ramps near this rate, or a loop that follows with less deviation"


def _by_faults(
    trials: Sequence[RampTrial], options: SlewOptions, cap: RateCap | None
) -> DirectionFit:
    """No visible deviation or no known level: passes and faults with a stated steepness."""
    rates = np.array([trial.rate_K_per_s for trial in trials])
    faulted = np.array([not trial.clean for trial in trials])
    ladder = safe_rate_from_faults(rates, faulted, options.coverage, options.confidence)
    rate, cause = _under_cap(ladder.rate_K_per_s if ladder else 0.0, cap)
    claimed = rate > 0.0
    return _direction_fit(
        trials,
        options,
        rate=_rate(rate, "assumed") if claimed else None,
        limit_K_per_s=ladder.median_K_per_s if ladder else None,
        cause=cause if claimed else None,
        method="pass-fault ladder" if claimed else "none",
        level_K=None,
        spread=None,
        slope=None,
        curved=False,
        assumptions=(ladder.assumption,) if ladder else (),
        widen="ramps with a visible deviation and a stated fault level",
        curve=None,
    )


def _direction_fit(
    trials: Sequence[RampTrial],
    options: SlewOptions,
    *,
    rate: Quantity | None,
    limit_K_per_s: float | None,
    cause: Cause | None,
    method: Method,
    level_K: float | None,
    spread: float | None,
    slope: float | None,
    curved: bool,
    assumptions: tuple[str, ...],
    widen: str,
    curve: SlewCurve | None,
) -> DirectionFit:
    ends = np.array([(trial.from_C, trial.to_C) for trial in trials], dtype=np.float64)
    known = ends[np.isfinite(ends)]
    movement = np.array([trial.movement_K for trial in trials], dtype=np.float64)
    return DirectionFit(
        direction=trials[0].direction,
        rate=rate,
        limit_K_per_s=limit_K_per_s,
        cause=cause,
        method=method,
        coverage=options.coverage,
        confidence=options.confidence,
        trials=len(trials),
        faults=sum(trial.fault is not None for trial in trials),
        abandoned=sum(trial.abandoned for trial in trials),
        confirmed=rate is not None and is_confirmed(trials, rate.value),
        level_K=level_K,
        spread=spread,
        slope=slope,
        curved=curved,
        temperature_range_C=(float(known.min()), float(known.max()))
        if known.size
        else (float("nan"), float("nan")),
        fan=float(np.mean([trial.fan for trial in trials])),
        movement_K=float(np.nanmax(movement)) if np.isfinite(movement).any() else float("nan"),
        assumptions=assumptions,
        widen=widen,
        curve=curve,
    )


def is_confirmed(trials: Sequence[RampTrial], rate_K_per_s: float) -> bool:
    """Whether the last ramp at or just below the rate was clean."""
    near = [t for t in trials if t.rate_K_per_s >= CONFIRM_WITHIN * rate_K_per_s]
    return bool(near) and near[-1].clean


def fault_share(
    fit: DirectionFit, rate_K_per_s: float, fault_spread: float = FAULT_SPREAD
) -> float:
    """Typical share of ramps at a rate that fault, by the fitted curve; NaN without one."""
    if fit.curve is None or fit.level_K is None or fit.spread is None:
        return float("nan")
    typical = np.interp(
        np.log(rate_K_per_s), np.log(fit.curve.rate_K_per_s), np.log(fit.curve.deviation_K)
    )
    spread = float(np.hypot(max(fit.spread, LEAST_SPREAD), fault_spread))
    return float(ndtr((typical - np.log(fit.level_K)) / spread))
