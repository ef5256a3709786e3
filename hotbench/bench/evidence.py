"""Safe rates of a profile held against the ramps of the runs that they name."""

from collections.abc import Iterator, Mapping, Sequence

from hotbench.bench.tables import number
from hotbench.core.records import Run
from hotbench.fitting.ramps import RampTrial, trials_of
from hotbench.fitting.slew import REACH
from hotbench.profile.types import MachineProfile, SlewRate
from hotbench.profile.walk import condition

ROUNDED = 1.001
"""A profile's numbers are rounded to five digits."""


def unlike_their_runs(profile: MachineProfile, runs: Mapping[str, Run]) -> list[str]:
    """A line for each safe rate whose runs hold other ramps than it states, or none so fast.

    runs: those at hand, by name. A rate is left alone where one of its runs is not there.
    """
    return [line for row in profile.slew for line in _unlike(row, runs)]


def _unlike(row: SlewRate, runs: Mapping[str, Run]) -> Iterator[str]:
    named = [runs[name] for name in row.evidence.runs if name in runs]
    if not named or len(named) < len(row.evidence.runs):
        return
    own = [trial for trial in trials_of(named) if trial.direction == row.direction]
    for said in _differing(row, own):
        yield f"refuse: slew[{condition(row.keys)}]: {said}; build the profile again"


def _differing(row: SlewRate, own: Sequence[RampTrial]) -> Iterator[str]:
    faults = sum(trial.fault is not None for trial in own)
    stated = row.evidence
    if (stated.trials, stated.faults) != (len(own), faults):
        yield (
            f"states {stated.trials} ramps and {stated.faults} faults, its runs hold {len(own)} "
            f"and {faults}"
        )
    fastest = max((trial.rate_K_per_s for trial in own if trial.clean), default=0.0)
    if row.rate_K_per_s > ROUNDED * REACH * fastest:
        rates = f"{number(row.rate_K_per_s)} K/s", f"{number(fastest)} K/s"
        yield f"claims {rates[0]}, the fastest clean ramp of its runs is {rates[1]}"
