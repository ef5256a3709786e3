"""How large a single change of the setpoint the board tolerates, from a step-size ladder."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.quantity import Basis, Quantity
from hotbench.core.records import Run
from hotbench.fitting.claims import Claim, log_bound
from hotbench.fitting.pass_fault import safe_rate_from_faults
from hotbench.fitting.ramps import Direction, fault_within, smoothed, stretches, usable_samples
from hotbench.fitting.slew import CONFIDENCE, COVERAGE, REACH, SlewOptions, spread_said

PHASE = re.compile(r"\bjump (up|down) (\d+(?:\.\d*)?|\.\d+)$")
FEWEST = 3
NEAR = 0.97
_WIDEN_DEVIATION = "larger changes: record jump without a stated fault level tries them"
_WIDEN_PASSES = "larger changes, or more of the largest"


@dataclass(frozen=True, slots=True, kw_only=True)
class JumpTrial:
    """One change of the setpoint at once.

    deviation_K: largest |setpoint - temperature| after it, measuring noise smoothed out. fault:
    the board's line, verbatim.
    """

    direction: Direction
    size_K: float
    from_C: float
    deviation_K: float
    fan: float = 0.0
    fault: str | None = None
    run_id: str = ""


@dataclass(frozen=True, kw_only=True)
class JumpFit:
    """The largest safe change in one direction, from or to temperature_C; the claim is in K."""

    direction: Direction
    claim: Claim
    largest_clean_K: float
    temperature_C: float
    fan: float


def jump_trials(run: Run) -> list[JumpTrial]:
    """The single changes of a run: stretches whose phase reads `jump up S` or `jump down S`."""
    found = (_trial(run, first, past) for first, past in stretches(run, PHASE))
    return [trial for trial in found if trial is not None]


def _trial(run: Run, first: int, past: int) -> JumpTrial | None:
    found = PHASE.search(str(run.phase[first]))
    fault_s, fault = fault_within(run, first, past)
    index = usable_samples(run, first, past, fault_s)
    if found is None or (index.size < FEWEST and fault is None):
        return None
    size_K = float(found[2])
    deviation_K = size_K
    if index.size >= FEWEST:
        smooth_C, _ = smoothed(run.temperature_C[index])
        deviation_K = float(np.max(np.abs(run.setpoint_C[index] - smooth_C)))
    return JumpTrial(
        direction="heating" if found[1] == "up" else "cooling",
        size_K=size_K,
        from_C=_before_C(run, first, size_K if found[1] == "up" else -size_K),
        deviation_K=deviation_K,
        fan=float(np.nan_to_num(run.fan[first])),
        fault=fault,
        run_id=run.info.run_id,
    )


def _before_C(run: Run, first: int, step_K: float) -> float:
    """The setpoint before the change; a record that begins with it tells by what follows."""
    return float(run.setpoint_C[first - 1] if first else run.setpoint_C[0] - step_K)


def fit_jumps(
    trials: Sequence[JumpTrial],
    fault_deviation_K: float | None = None,
    *,
    fault_spread: float | None = None,
    confidence: float = CONFIDENCE,
) -> tuple[JumpFit, ...]:
    """The largest change per direction that 99 % of boards' limits leave alone.

    The setpoint is off by the whole change at once. Where the level at which the board faults is
    stated and no larger change has passed, the tolerance bound of the deviation stays under that
    level. Otherwise the board judges single changes by another rule, and passes and faults are
    counted with the limit's steepness assumed.
    """
    groups: tuple[Direction, ...] = ("heating", "cooling")
    return tuple(
        _fit(own, fault_deviation_K, fault_spread, confidence)
        for direction in groups
        if (own := [trial for trial in trials if trial.direction == direction])
    )


def _fit(
    trials: Sequence[JumpTrial], level_K: float | None, spread: float | None, confidence: float
) -> JumpFit:
    clean = [trial for trial in trials if trial.fault is None]
    largest_K = max((trial.size_K for trial in clean), default=0.0)
    if level_K is not None and len(clean) >= FEWEST and largest_K < level_K:
        claim = _by_deviation(trials, clean, level_K, spread, confidence)
    else:
        claim = _by_faults(trials, confidence)
    return JumpFit(
        direction=trials[0].direction,
        claim=claim,
        largest_clean_K=largest_K,
        temperature_C=min(_lower_C(trial) for trial in trials),
        fan=trials[0].fan,
    )


def _lower_C(trial: JumpTrial) -> float:
    """The lower end of a change: where the ladder stands."""
    return trial.from_C - (trial.size_K if trial.direction == "cooling" else 0.0)


def _by_deviation(
    trials: Sequence[JumpTrial],
    clean: Sequence[JumpTrial],
    level_K: float,
    spread: float | None,
    confidence: float,
) -> Claim:
    known = SlewOptions(fault_spread=spread).spread
    excess = log_bound([t.deviation_K / t.size_K for t in clean], known, confidence)
    faulted = min((t.size_K for t in trials if t.fault is not None), default=np.inf)
    reach_K = min(REACH * max(t.size_K for t in clean), NEAR * faulted)
    size_K = min(level_K * float(np.exp(-excess)), reach_K)
    said = spread_said(spread, "change")
    largest_K = max(t.size_K for t in clean)
    basis: Basis = "fitted" if size_K <= largest_K else "extrapolated"
    return _claim(trials, size_K, basis, confidence, (said,), _WIDEN_DEVIATION)


def _by_faults(trials: Sequence[JumpTrial], confidence: float) -> Claim:
    sizes = np.array([trial.size_K for trial in trials])
    faulted = np.array([trial.fault is not None for trial in trials])
    found = safe_rate_from_faults(sizes, faulted, COVERAGE, confidence, "K")
    size_K = found.rate_K_per_s if found else None
    said = (found.assumption,) if found else ()
    return _claim(trials, size_K, "assumed", confidence, said, _WIDEN_PASSES)


def _claim(
    trials: Sequence[JumpTrial],
    size_K: float | None,
    basis: Basis,
    confidence: float,
    assumptions: tuple[str, ...],
    widen: str,
) -> Claim:
    near = [t for t in trials if size_K is not None and t.size_K >= NEAR * size_K]
    by_faults = basis == "assumed"
    return Claim(
        quantity=None if size_K is None else Quantity(value=size_K, unit="K", basis=basis),
        method="none"
        if size_K is None
        else "pass-fault ladder"
        if by_faults
        else "tolerance bound",
        coverage=COVERAGE,
        confidence=confidence,
        trials=len(trials),
        faults=sum(trial.fault is not None for trial in trials),
        confirmed=any(trial.fault is None for trial in near),
        assumptions=assumptions,
        widen=widen,
        runs=tuple(sorted({trial.run_id for trial in trials})),
    )
