"""Which test to record next: the one that would shrink the widest headline interval most.

I-optimal over a list of tests the rig can run: the fitted model predicts the derivatives that a
test would record, their information is added to what is there, and the headline quantities'
predicted variances decide. Parameters the data say nothing about enter with a wide prior.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray


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
    ranked = sorted(proposals, key=lambda p: _score(precision, slopes, p))
    return [_described(precision, slopes, labels, before, p) for p in ranked[:keep]]


def _relative(precision: FloatArray, slopes: FloatArray) -> FloatArray:
    covariance = np.linalg.pinv(precision, hermitian=True)
    variance = np.einsum("qi,ij,qj->q", slopes, covariance, slopes)
    return np.asarray(1.96 * np.sqrt(np.maximum(variance, 0.0)))


def _score(precision: FloatArray, slopes: FloatArray, proposal: Proposal) -> tuple[float, float]:
    """Widest interval with the test, then the mean; smaller is better."""
    after = _relative(precision + proposal.gram, slopes)
    return round(float(np.max(after)), 4), float(np.mean(after)) * (1.0 + proposal.length_s / 1e5)


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
