"""Which ramp rate to try next: climb while the deviation is small, refine, confirm once."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import ndtri

from hotbench.core.errors import BadInput
from hotbench.fitting.pass_fault import limit_belief
from hotbench.fitting.ramps import Direction, RampTrial
from hotbench.fitting.slew import (
    COVERAGE,
    FEWEST_TRIALS,
    DirectionFit,
    RateCap,
    Regression,
    SlewOptions,
    abandoned_limit_K_per_s,
    believed_level_K,
    fit_direction,
    is_saturated,
    regress,
)

GROWTH = 1.6
STEPS_BY_STOP = ((0.3, 1.12), (0.1, 1.25))
"""From these shares of a ramp at the heater's stop on, rates grow in smaller steps: there the
deviation rises steeply."""
FAULT_CLEAR = 0.85
"""After a fault, no ramp comes closer to its rate than this."""
BACK_OFF = 0.7
AIM = 0.5
"""Share of the fault level that the climb aims for at each step."""
CLIMBED = 0.4
LOADS = (0.8, 0.5, 0.7, 0.35, 0.8, 0.6)
"""Rates of the refinement over the expected limit, in turn."""
CLEARANCE = 3.0
"""Refining ramps keep this many spreads below the level, doubt of the line included."""
LEAST_AIM = 0.55
"""Yet they may go to this share of the level: scatter of slow ramps, which is rather a few tenths
of a kelvin than a share, would keep the ladder from learning."""
TIGHT = 0.96
"""Ends once the claim reaches this share of what endless ramps could claim."""
REACHED = 0.999
FEWEST = 9
PASS_FAULT_CHANCE = 0.02
PASS_FAULT_RAMPS = 15

Stage = Literal["climb", "refine", "confirm", "pass-fault"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderPlan:
    """What a ladder of one direction may do.

    first_K_per_s: the cautious first rate. highest_K_per_s: never exceeded (the physical cap).
    ramps: the most ramps. fault_deviation_K, fault_spread, level_fall as in `fit_slew`.
    """

    direction: Direction
    first_K_per_s: float
    highest_K_per_s: float = 100.0
    fault_deviation_K: float | None = None
    fault_spread: float | None = None
    level_fall: float = 0.0
    ramps: int = 15

    def __post_init__(self) -> None:
        if not 0.0 < self.first_K_per_s <= self.highest_K_per_s:
            raise BadInput(
                "first rate out of range",
                value=self.first_K_per_s,
                limit=f"above 0, at most {self.highest_K_per_s:g} K/s",
            )

    @property
    def options(self) -> SlewOptions:
        """How the claim will be made."""
        return SlewOptions(
            fault_deviation_K=self.fault_deviation_K,
            fault_spread=self.fault_spread,
            level_fall=self.level_fall,
        )


@dataclass(frozen=True, slots=True)
class RateChoice:
    """The next ramp's rate and why."""

    rate_K_per_s: float
    stage: Stage
    reason: str


def next_rate(trials: Sequence[RampTrial], plan: LadderPlan) -> RateChoice | None:
    """The next rate for the plan's direction, None when the ladder is done.

    Climbs from the first rate until the deviation is 0.4 of the fault level, then spreads ramps
    over 0.35 to 0.8 of the expected limit (less when the deviations scatter), and ends with a
    confirming ramp at the rate that will be claimed.
    """
    own = [trial for trial in trials if trial.direction == plan.direction]
    plan = _below_abandoned(own, plan)
    if not own:
        return RateChoice(plan.first_K_per_s, "climb", "first, cautious rate")
    if len(own) >= plan.ramps:
        return None
    level = believed_level_K(own, plan.options)
    shown = [trial for trial in own if trial.clean and trial.visible]
    if level is None or (not shown and len(own) >= FEWEST_TRIALS):
        return _by_faults(own, plan)
    climb = _climb(own, shown, level * (1.0 - plan.level_fall), plan)
    if climb is not None:
        return climb
    claim = fit_direction(own, plan.options, RateCap(plan.highest_K_per_s, "power"))
    fit = regress(own, level, plan.options)
    return _settle(own, claim, fit, plan)


def _below_abandoned(own: Sequence[RampTrial], plan: LadderPlan) -> LadderPlan:
    """The plan kept clear of rates at which a ramp had to be abandoned."""
    highest = min(plan.highest_K_per_s, abandoned_limit_K_per_s(own))
    first = min(plan.first_K_per_s, highest)
    return replace(plan, highest_K_per_s=highest, first_K_per_s=first)


def _capped(rate: float, plan: LadderPlan) -> float:
    return min(rate, plan.highest_K_per_s)


def _climb(
    own: Sequence[RampTrial], shown: Sequence[RampTrial], level_K: float, plan: LadderPlan
) -> RateChoice | None:
    """The next step up, None once the deviation is large enough to regress on."""
    if not own[-1].clean:
        return _after_fault(own, plan)
    fastest = max((t for t in own if t.clean), key=lambda t: t.rate_K_per_s)
    reached = fastest.deviation_K / level_K
    at_cap = fastest.rate_K_per_s >= 0.999 * plan.highest_K_per_s or is_saturated(fastest)
    faulted = [t.rate_K_per_s for t in own if not t.clean]
    if reached >= CLIMBED or at_cap or faulted:
        return _fill(own, shown, fastest, plan)
    step = min(_step(fastest), AIM / max(reached, 1e-3)) if fastest.visible else _step(fastest)
    rate = _capped(max(step, 1.1) * fastest.rate_K_per_s, plan)
    return RateChoice(rate, "climb", f"deviation is {100.0 * reached:.0f} % of the fault level")


def _step(fastest: RampTrial) -> float:
    """How much faster the next ramp may be than the fastest clean one."""
    if is_saturated(fastest):
        return 1.0
    steps = (step for share, step in STEPS_BY_STOP if fastest.saturation >= share)
    return next(steps, GROWTH)


def _after_fault(own: Sequence[RampTrial], plan: LadderPlan) -> RateChoice:
    slower = BACK_OFF * own[-1].rate_K_per_s
    clean = [t.rate_K_per_s for t in own if t.clean]
    rate = min(slower, max(clean)) if clean else slower
    return RateChoice(_capped(rate, plan), "climb", "back off after a fault")


def _fill(
    own: Sequence[RampTrial],
    shown: Sequence[RampTrial],
    fastest: RampTrial,
    plan: LadderPlan,
) -> RateChoice | None:
    """Slower ramps until there are enough for a regression."""
    if len(shown) >= FEWEST_TRIALS:
        return None
    share = (0.75, 1.0, 0.6, 0.9)[len(own) % 4]
    rate = _capped(share * fastest.rate_K_per_s, plan)
    return RateChoice(rate, "refine", "too few ramps for a regression")


def _settle(
    own: Sequence[RampTrial], claim: DirectionFit, fit: Regression, plan: LadderPlan
) -> RateChoice | None:
    """Done, the confirming ramp, or one more ramp to refine with."""
    if claim.rate is None:
        return _refine(own, fit, plan)
    rate = claim.rate.value
    tight = len(own) >= FEWEST and _is_tight(rate, fit, plan)
    if tight and claim.confirmed:
        return None
    if tight or len(own) == plan.ramps - 1:
        return RateChoice(rate, "confirm", "confirm the rate that will be claimed")
    if _is_held_back(rate, fit):
        return RateChoice(rate, "refine", "nothing faster is claimed without a ramp near it")
    return _refine(own, fit, plan)


def _is_held_back(rate: float, fit: Regression) -> bool:
    """Whether the fastest ramp, not the deviations, keeps the claim low: a faster one is safe."""
    return not fit.saturated and rate >= REACHED * fit.reach


def _is_tight(rate: float, fit: Regression, plan: LadderPlan) -> bool:
    """Whether the claim is close to what endless ramps could claim."""
    share = float(np.exp(-ndtri(COVERAGE) * fit.total_spread))
    ceiling = min(plan.highest_K_per_s, fit.reach if fit.saturated else np.inf)
    return rate >= TIGHT * min(fit.rate_at(share), ceiling)


def _refine(own: Sequence[RampTrial], fit: Regression, plan: LadderPlan) -> RateChoice:
    load = LOADS[len(own) % len(LOADS)]
    limit = fit.rate_at(1.0)
    if limit <= 0.0:
        return RateChoice(BACK_OFF * fit.slowest, "refine", "every ramp came near the fault level")
    share = max(float(np.exp(-CLEARANCE * _doubt(fit, load * limit))), LEAST_AIM)
    clear = fit.rate_at(share)
    fastest = max((t for t in own if t.clean), key=lambda t: t.rate_K_per_s)
    step = _step(fastest) * fit.fastest_clean
    faulted = min((trial.rate_K_per_s for trial in own if not trial.clean), default=np.inf)
    clear = min(clear, FAULT_CLEAR * faulted)
    rate = _capped(max(min(load * limit, clear, step), BACK_OFF * fit.slowest), plan)
    return RateChoice(rate, "refine", f"{100.0 * rate / limit:.0f} % of the expected limit")


def _doubt(fit: Regression, rate: float) -> float:
    """Log spread of a coming deviation over the level, the line's own doubt included."""
    leverage = float(fit.line.leverage(np.log(np.array([rate])))[0])
    return fit.total_spread * float(np.sqrt(1.0 + leverage))


def _by_faults(own: Sequence[RampTrial], plan: LadderPlan) -> RateChoice | None:
    """Largest step up whose chance of a fault stays small."""
    rates = np.array([trial.rate_K_per_s for trial in own])
    faulted = np.array([not trial.clean for trial in own])
    if len(own) >= min(plan.ramps, PASS_FAULT_RAMPS):
        return None
    belief = limit_belief(rates, faulted, 0.5 * float(rates.min()), plan.highest_K_per_s * 1.5)
    steps = np.geomspace(0.5 * rates.min(), min(GROWTH * rates.max(), plan.highest_K_per_s), 60)
    safe = [rate for rate in steps if belief.fault_chance(float(rate)) <= PASS_FAULT_CHANCE]
    rate = float(max(safe)) if safe else float(steps[0])
    return RateChoice(rate, "pass-fault", "no visible deviation: largest step of little risk")
