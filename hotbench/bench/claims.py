"""What jumps, repeated dips and smoothing come to: tables for people, rows for the profile."""

from collections.abc import Iterator, Sequence

from hotbench.bench.tables import Table, number
from hotbench.core.records import Run
from hotbench.fitting.claims import Claim
from hotbench.fitting.jumps import JumpFit, fit_jumps, jump_trials
from hotbench.fitting.repetition import RepetitionFit, fit_repetition, repeated_dips
from hotbench.models.smoothing import least_look_ahead_s, transition_cost_s
from hotbench.profile import types as p

HEADS = ("what", "safe", "claim", "by", "trials", "faults", "rests on")
STEPS_C = ((220.0, 200.0), (200.0, 220.0), (220.0, 190.0), (190.0, 220.0))
"""Changes of the required temperature whose look-ahead a profile states."""


def jumps_of(
    runs: Sequence[Run], fault_deviation_K: float | None, fault_spread: float | None = None
) -> tuple[JumpFit, ...]:
    """The largest safe single change by direction; empty without such runs."""
    trials = [t for run in runs if run.info.procedure == "jump" for t in jump_trials(run)]
    return fit_jumps(trials, fault_deviation_K, fault_spread=fault_spread)


def repetition_of(
    runs: Sequence[Run], fault_deviation_K: float | None, fault_spread: float | None = None
) -> RepetitionFit | None:
    """The shortest safe rest between dips; None without such runs."""
    own = [run for run in runs if run.info.procedure == "repeat"]
    dips = [dip for run in own for dip in repeated_dips(run)]
    return fit_repetition(dips, fault_deviation_K, fault_spread=fault_spread)


def claim_tables(jumps: Sequence[JumpFit], repetition: RepetitionFit | None) -> list[Table]:
    """Both as one table; nothing where neither was recorded."""
    rows = [_cells(f"single change, {fit.direction}", fit.claim) for fit in jumps]
    if repetition is not None:
        what = f"rest between dips {repetition.from_C:g}-{repetition.to_C:g} °C"
        rows.append(_cells(what, repetition.claim))
    if not rows:
        return []
    return [Table("safe jumps and repetition", HEADS, tuple(rows), frozenset({1, 4, 5}))]


def _cells(what: str, claim: Claim) -> tuple[str, ...]:
    quantity = claim.quantity
    return (
        what,
        "unidentified" if quantity is None else f"{number(quantity.value)} {quantity.unit}",
        f"{claim.coverage:.0%} clear, confidence {claim.confidence:.0%}",
        claim.method,
        str(claim.trials),
        str(claim.faults),
        "; ".join(claim.assumptions) or claim.widen,
    )


def _evidence(claim: Claim) -> p.SlewEvidence:
    return p.SlewEvidence(
        trials=claim.trials, faults=claim.faults, confirmed=claim.confirmed, runs=claim.runs
    )


def jump_rows(fits: Sequence[JumpFit]) -> tuple[p.SafeJump, ...]:
    """The profile's rows of single changes."""
    return tuple(_jump_row(fit) for fit in fits if fit.claim.quantity is not None)


def _jump_row(fit: JumpFit) -> p.SafeJump:
    quantity = fit.claim.quantity
    assert quantity is not None  # noqa: S101 - the caller leaves those out
    return p.SafeJump(
        direction=fit.direction,
        temperature_C=fit.temperature_C,
        fan=fit.fan,
        size_K=quantity.value,
        coverage=fit.claim.coverage,
        confidence=fit.claim.confidence,
        basis=quantity.basis,
        evidence=_evidence(fit.claim),
    )


def repetition_rows(fit: RepetitionFit | None) -> tuple[p.SafeRepetition, ...]:
    """The profile's row of repeated dips."""
    if fit is None or fit.claim.quantity is None:
        return ()
    quantity = fit.claim.quantity
    row = p.SafeRepetition(
        from_C=fit.from_C,
        to_C=fit.to_C,
        fan=fit.fan,
        rest_s=quantity.value,
        travel_K_per_min=fit.movement_K_per_min,
        coverage=fit.claim.coverage,
        confidence=fit.claim.confidence,
        basis=quantity.basis,
        evidence=_evidence(fit.claim),
    )
    return (row,)


def smoothing_rows(slew: Sequence[p.SlewRate]) -> tuple[p.Smoothing, ...]:
    """Least look-ahead of usual steps at the slowest safe rate on their way, fan off.

    A step that the rates do not cover at both ends is left out.
    """
    return tuple(row for step in STEPS_C for row in smoothing_of(slew, *step))


def smoothing_tables(rows: Sequence[p.Smoothing]) -> list[Table]:
    """Least look-ahead for people; nothing where no rate is known."""
    heads = (
        "change",
        "least look-ahead / s",
        "setpoint moves at / K/s",
        "cost without / s",
        "basis",
    )
    cells = tuple(
        (
            f"{row.from_C:g} to {row.to_C:g} °C",
            number(row.look_ahead_s),
            number(row.slope_K_per_s),
            number(row.cost_without_s),
            row.basis,
        )
        for row in rows
    )
    return [Table("least smoothing", heads, cells, frozenset({1, 2, 3}))] if cells else []


def smoothing_of(slew: Sequence[p.SlewRate], from_C: float, to_C: float) -> Iterator[p.Smoothing]:
    """The least look-ahead of one step; nothing where the rates do not cover it."""
    rate = slowest_rate(slew, from_C, to_C)
    if rate is None or not rate.rate_K_per_s > 0.0:
        return
    up, slowest, fastest = to_C > from_C, rate.rate_K_per_s, rate.high_K_per_s
    look_ahead_s = least_look_ahead_s(to_C - from_C, slowest, slowest)
    bounded = rate.low_K_per_s is not None and fastest is not None and rate.low_K_per_s > 0.0
    span_K = abs(to_C - from_C)
    yield p.Smoothing(
        direction="heating" if up else "cooling",
        from_C=from_C,
        to_C=to_C,
        look_ahead_s=look_ahead_s,
        low_s=span_K / fastest if bounded and fastest else None,
        high_s=span_K / rate.low_K_per_s if bounded and rate.low_K_per_s else None,
        slope_K_per_s=slowest,
        cost_without_s=transition_cost_s(from_C, to_C, 0.0, slowest),
        confidence=rate.confidence if bounded else None,
        basis=rate.basis,
    )


def slowest_rate(slew: Sequence[p.SlewRate], from_C: float, to_C: float) -> p.SlewRate | None:
    """The slowest safe rate on the way, fan off; None where the rates end before the step does."""
    direction = "heating" if to_C > from_C else "cooling"
    low_C, high_C = sorted((from_C, to_C))
    own = [row for row in slew if row.direction == direction and row.fan == 0.0]
    at_C = [row.temperature_C for row in own]
    if not at_C or min(at_C) > low_C or max(at_C) < high_C:
        return None
    first_C = max(at for at in at_C if at <= low_C)
    last_C = min(at for at in at_C if at >= high_C)
    on_way = [row for row in own if first_C <= row.temperature_C <= last_C]
    return min(on_way, key=lambda row: row.rate_K_per_s)
