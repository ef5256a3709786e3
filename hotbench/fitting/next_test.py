"""Which test to record next: the one that would shrink the widest headline interval most.

I-optimal over a list of tests the rig can run: the fitted model predicts the derivatives that a
test would record, their information is added to what is there, and the headline quantities'
predicted variances decide. Parameters the data say nothing about enter with a wide prior.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray

NEAR = 1.1
"""Intervals within this factor are equally good, and the shorter test is worth more; a choice."""


@dataclass(frozen=True)
class NextTest:
    """A test worth recording.

    shrinks: the headline quantity it helps; from_percent, to_percent: predicted half-width of
    its 95 % interval, relative, without and with the test; length_s: of the test.
    """

    command: str
    shrinks: str
    from_percent: float
    to_percent: float
    length_s: float


@dataclass(frozen=True)
class Proposal:
    """A test on offer: its command, its length, and what it would add to the information."""

    command: str
    length_s: float
    gram: FloatArray


Relative = Callable[[FloatArray], FloatArray]


def rank(
    precision: FloatArray,
    slopes: FloatArray,
    labels: Sequence[str],
    proposals: Sequence[Proposal],
    *,
    keep: int = 3,
) -> list[NextTest]:
    """Proposals by how much they shrink the widest of the headline intervals, best first.

    precision: (d, d), inverse covariance of what is known; slopes: (q, d), derivatives of the
    logarithms of the headline quantities; labels: (q,).
    """
    before = _relative(precision, slopes)
    ranked = _ranked(precision, slopes, proposals)
    return [_described(precision, slopes, labels, before, p) for p in ranked[:keep]]


def _relative(precision: FloatArray, slopes: FloatArray) -> FloatArray:
    covariance = np.linalg.pinv(precision, hermitian=True)
    variance = np.einsum("qi,ij,qj->q", slopes, covariance, slopes)
    return np.asarray(1.96 * np.sqrt(np.maximum(variance, 0.0)))


def _ranked(
    precision: FloatArray, slopes: FloatArray, proposals: Sequence[Proposal]
) -> list[Proposal]:
    """By the widest interval with the test, then the typical; near ties go to the shorter test."""
    after = [_relative(precision + p.gram, slopes) for p in proposals]
    widest = _levels(np.array([np.max(a) for a in after]))
    tiny = np.finfo(float).tiny
    typical = np.array([np.exp(np.mean(np.log(np.maximum(a, tiny)))) for a in after])
    lengths = np.array([p.length_s for p in proposals])
    return [proposals[i] for i in np.lexsort((typical, lengths, _levels(typical), widest))]


def _levels(values: FloatArray) -> FloatArray:
    """Values counted from the least in steps of NEAR, so that near ones tie."""
    least = max(float(np.min(values)), np.finfo(float).tiny)
    levels: FloatArray = np.floor(np.log(np.maximum(values, least) / least) / np.log(NEAR))
    return levels


def _described(
    precision: FloatArray,
    slopes: FloatArray,
    labels: Sequence[str],
    before: FloatArray,
    proposal: Proposal,
) -> NextTest:
    after = _relative(precision + proposal.gram, slopes)
    most = int(np.argmax(before - after))
    return NextTest(
        command=proposal.command,
        shrinks=labels[most],
        from_percent=100.0 * float(before[most]),
        to_percent=100.0 * float(after[most]),
        length_s=proposal.length_s,
    )
