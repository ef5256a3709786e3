"""Ramp ladders over the virtual line on randomised printers, judged by their true limits.

A claim is safe where at most 1 % of ramps at it fault. It should come near the rate at which they
do, or near what the hot end follows at the heater's stop where that is less: slow cooling falls
behind long before the board minds.
"""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import Line, LinkOptions
from hotbench.bench.recording import RecordingEnded, record
from hotbench.fitting.ramps import trials_of
from hotbench.fitting.slew import fit_slew
from hotbench.procedures import registry
from hotbench.sim import truth
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PrinterSpec, randomised
from hotbench.store.reader import read_run

TABLE = Path(__file__).with_name("slew_sessions.txt")
FIRST_SEED = 95_000
SESSIONS = {"swift-sleeve": 20, "plain-block": 20, "long-melt": 8}
ENDS_C = {"heating": (190.0, 230.0), "cooling": (230.0, 190.0)}
SAFE_SHARE = 0.01


@dataclass(frozen=True)
class Claim:
    """One direction of one session.

    share: claimed rate over that at which 1 % fault; near: over the lower of that and the rate
    which the hot end follows.
    """

    direction: str
    share: float
    near: float
    chance: float
    faults: int
    ramps: int
    confirmed: bool


def session(kind: str, seed: int, folder: Path) -> Iterator[Claim]:
    """A ladder of at most 14 ramps each way with the board's fault level stated."""
    spec = randomised(kind, seed)
    board = SimulatedPrinter(spec, seed=seed)
    stated = {"low_C": 190.0, "high_C": 230.0, "fault_deviation_K": spec.fault_deviation_K}
    settings, injected = choosers("ramp", stated, 1.24)
    test = registry.build("ramp", settings, **injected)
    line = Line(board.transport(), board.scale, ())
    with suppress(RecordingEnded):  # A provoked fault ends the ladder; the run is kept and counts.
        record(test, line, LinkOptions(port=f"sim:{kind}"), folder)
    yield from claims(spec, folder)


def claims(spec: PrinterSpec, folder: Path) -> Iterator[Claim]:
    """What the run claims against the printer's true limit."""
    fit = fit_slew(trials_of([read_run(folder)]), spec.fault_deviation_K)
    for found in fit.directions:
        rate, ends_C = found.rate.value if found.rate else 0.0, ENDS_C[found.direction]
        limit = truth.ramp_limit_K_per_s(spec, *ends_C)
        yield Claim(
            found.direction,
            rate / limit,
            rate / min(limit, followed_K_per_s(spec, found.direction)),
            truth.fault_probability(spec, *ends_C, rate) if rate else 0.0,
            found.faults,
            found.trials,
            found.confirmed,
        )


def followed_K_per_s(spec: PrinterSpec, direction: str) -> float:
    """Rate at the heater's stop where the hot end is slowest: at the end of a ramp."""
    begun_C, ended_C = ENDS_C[direction]
    if direction == "heating":
        at_C = ended_C - truth.RATE_WINDOW_K
        return truth.heating_rate_K_per_s(spec, at_C, start_C=begun_C)
    at_C = ended_C + truth.RATE_WINDOW_K
    return truth.cooling_rate_K_per_s(spec, at_C, start_C=begun_C)


def row_text(kind: str, direction: str, found: list[Claim]) -> str:
    share, chance = np.array([c.share for c in found]), np.array([c.chance for c in found])
    return (
        f"{kind:14s} {direction:8s} {len(found):4d} {np.mean(chance <= SAFE_SHARE):6.3f}"
        f" {np.median(share):7.3f} {share.min():6.3f} {share.max():6.3f}"
        f" {np.median([c.near for c in found]):6.3f}"
        f" {sum(c.faults for c in found) / len(found):7.3f} {max(c.ramps for c in found):5d}"
        f" {np.mean([c.confirmed for c in found]):6.2f} {chance.max():9.4f}"
    )


def judged(folder: Path) -> dict[str, list[Claim]]:
    """Every session once; the table is kept beside this file."""
    found = {
        kind: [
            c for i in range(count) for c in session(kind, FIRST_SEED + i, folder / f"{kind}{i}")
        ]
        for kind, count in SESSIONS.items()
    }
    about = (
        "Claimed rate over that at which 1 % of ramps fault (near: or that the hot end follows,\n"
        "where less); safe: fault chance at most 1 %"
    )
    head = (
        f"{'printer':14s} {'ramps':8s} {'n':>4s} {'safe':>6s} {'median':>7s} {'least':>6s}"
        f" {'most':>6s} {'near':>6s} {'faults':>7s} {'ramps':>5s} {'conf.':>6s} {'top fault':>9s}"
    )
    rows = [
        row_text(kind, direction, [c for c in own if c.direction == direction])
        for kind, own in found.items()
        for direction in ENDS_C
    ]
    TABLE.write_text("\n".join([about, head, *rows]) + "\n", "utf-8")
    return found


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Claim]]:
    """Claims by kind; the seeds were not used while developing."""
    return judged(tmp_path_factory.mktemp("ladders"))


def test_claims_are_safe_and_provoke_nothing(found: dict[str, list[Claim]]) -> None:
    everything = [claim for own in found.values() for claim in own]
    assert np.mean([claim.chance <= SAFE_SHARE for claim in everything]) >= 0.95
    assert sum(claim.faults for claim in everything) < 0.1 * len(everything) / 2
    assert max(claim.ramps for claim in everything) <= 15


@pytest.mark.parametrize("direction", ENDS_C)
@pytest.mark.parametrize("kind", SESSIONS)
def test_claims_come_near_what_is_possible(
    found: dict[str, list[Claim]], kind: str, direction: str
) -> None:
    near = [claim.near for claim in found[kind] if claim.direction == direction]
    assert np.median(near) >= 0.85
