"""How soon one dip may follow another, from the same dip repeated at shrinking rests."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.quantity import Basis, Quantity
from hotbench.core.records import Run
from hotbench.fitting.claims import Claim, log_bound
from hotbench.fitting.pass_fault import safe_rate_from_faults
from hotbench.fitting.ramps import (
    fault_within,
    is_abandoned,
    movement_K,
    smoothed,
    stretches,
    usable_samples,
)
from hotbench.fitting.slew import CONFIDENCE, COVERAGE, Method, SlewOptions, spread_said

PHASE = re.compile(r"\brepeat (\d+) rest (\d+(?:\.\d*)?|\.\d+)$")
FEWEST_SAMPLES, FEWEST_DIPS = 5, 3
_WIDEN = "shorter rests, or more dips at each"


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedDip:
    """One dip of many: the setpoint led down and back, then rest_s of waiting.

    deviation_K: largest |setpoint - temperature| on either way, measuring noise smoothed out;
    peak_K the same of the raw readings. movement_K: setpoint travelled within the last 60 s.
    """

    rest_s: float
    from_C: float
    to_C: float
    deviation_K: float
    noise_K: float
    peak_K: float
    movement_K: float
    fan: float = 0.0
    fault: str | None = None
    abandoned: bool = False
    run_id: str = ""

    @property
    def clean(self) -> bool:
        """A whole dip without a fault."""
        return self.fault is None and not self.abandoned


@dataclass(frozen=True, kw_only=True)
class RepetitionFit:
    """The shortest safe rest between two dips; the claim's quantity is in s.

    movement_K_per_min: most setpoint travel within a minute at that rest.
    """

    claim: Claim
    from_C: float
    to_C: float
    fan: float
    movement_K_per_min: float | None


def repeated_dips(run: Run) -> list[RepeatedDip]:
    """The dips of a run: stretches whose phase reads `repeat N rest S`."""
    found = (_dip(run, first, past) for first, past in stretches(run, PHASE))
    return [dip for dip in found if dip is not None]


def _dip(run: Run, first: int, past: int) -> RepeatedDip | None:
    found = PHASE.search(str(run.phase[first]))
    fault_s, fault = fault_within(run, first, past)
    index = usable_samples(run, first, past, fault_s)
    if found is None or index.size < FEWEST_SAMPLES:
        return None
    smooth_C, noise_K = smoothed(run.temperature_C[index])
    setpoint_C = run.setpoint_C[index]
    return RepeatedDip(
        rest_s=float(found[2]),
        from_C=float(np.max(setpoint_C)),
        to_C=float(np.min(setpoint_C)),
        deviation_K=float(np.max(np.abs(setpoint_C - smooth_C))),
        noise_K=noise_K,
        peak_K=float(np.max(np.abs(setpoint_C - run.temperature_C[index]))),
        movement_K=movement_K(run, int(index[-1])),
        fan=float(np.nan_to_num(run.fan[first])),
        fault=fault,
        abandoned=is_abandoned(run, first, past),
        run_id=run.info.run_id,
    )


def fit_repetition(
    dips: Sequence[RepeatedDip],
    fault_deviation_K: float | None = None,
    *,
    fault_spread: float | None = None,
    confidence: float = CONFIDENCE,
) -> RepetitionFit | None:
    """The shortest rest at which, and at every longer one, dips stay clear of a fault.

    Where the fault level is stated and the deviation stands out of the noise: the upper tolerance
    bound of the deviations at a rest lies under the level. Otherwise passes and faults against
    the setpoint's travel within a minute, its limit's steepness assumed. None without dips.
    """
    if not dips:
        return None
    visible = all(dip.deviation_K > 3.0 * dip.noise_K for dip in dips)
    method: Method
    said: tuple[str, ...]
    if fault_deviation_K is not None and visible:
        method, said = "tolerance bound", (spread_said(fault_spread, "dip"),)
        spread = SlewOptions(fault_spread=fault_spread).spread
        rest_s = _last(_under_level(dips, fault_deviation_K, spread, confidence))
    else:
        method, said, rest_s = _by_travel(dips, confidence)
    return _fit(dips, rest_s, method if rest_s is not None else "none", said, confidence)


def _groups(dips: Sequence[RepeatedDip]) -> Iterator[tuple[float, list[RepeatedDip]]]:
    """Rests from the longest on, as long as every dip was clean."""
    for rest_s in sorted({dip.rest_s for dip in dips}, reverse=True):
        own = [dip for dip in dips if dip.rest_s == rest_s]
        if not all(dip.clean for dip in own):
            return
        yield rest_s, own


def _under_level(
    dips: Sequence[RepeatedDip], level_K: float, spread: float, confidence: float
) -> Iterator[float]:
    for rest_s, own in _groups(dips):
        noise_K = float(np.median([max(dip.peak_K - dip.deviation_K, 0.0) for dip in own]))
        if len(own) < FEWEST_DIPS or level_K <= noise_K:
            return
        bound = log_bound([dip.deviation_K for dip in own], spread, confidence)
        if bound > np.log(level_K - noise_K):
            return
        yield rest_s


def _by_travel(
    dips: Sequence[RepeatedDip], confidence: float
) -> tuple[Method, tuple[str, ...], float | None]:
    moved = np.array([dip.movement_K for dip in dips])
    faulted = np.array([not dip.clean for dip in dips])
    found = safe_rate_from_faults(moved, faulted, COVERAGE, confidence, "K of travel in a minute")
    if found is None:
        return "none", (), None
    safe = (
        rest_s
        for rest_s, own in _groups(dips)
        if np.median([dip.movement_K for dip in own]) <= found.rate_K_per_s
    )
    return "pass-fault ladder", (found.assumption,), _last(safe)


def _last(rests_s: Iterator[float]) -> float | None:
    """The shortest of rests that come in falling order; None without any."""
    return min(rests_s, default=None)


def _fit(
    dips: Sequence[RepeatedDip],
    rest_s: float | None,
    method: Method,
    assumptions: tuple[str, ...],
    confidence: float,
) -> RepetitionFit:
    basis: Basis = "fitted" if method == "tolerance bound" else "assumed"
    at_rest = [dip.movement_K for dip in dips if dip.rest_s == rest_s]
    claim = Claim(
        quantity=None if rest_s is None else Quantity(value=rest_s, unit="s", basis=basis),
        method=method,
        coverage=COVERAGE,
        confidence=confidence,
        trials=len(dips),
        faults=sum(dip.fault is not None for dip in dips),
        confirmed=rest_s is not None,
        assumptions=assumptions,
        widen=_WIDEN,
        runs=tuple(sorted({dip.run_id for dip in dips})),
    )
    return RepetitionFit(
        claim=claim,
        from_C=max(dip.from_C for dip in dips),
        to_C=min(dip.to_C for dip in dips),
        fan=dips[0].fan,
        movement_K_per_min=float(np.max(at_rest)) if at_rest else None,
    )
