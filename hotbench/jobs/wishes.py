"""Temperatures that a user wishes for the roles of a job."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from hotbench.core.errors import BadInput, unknown_key
from hotbench.jobs.limits import Limits
from hotbench.jobs.timeline import Timeline

NEAR_K = 3.0


@dataclass(frozen=True, kw_only=True)
class Wish:
    """Between which temperatures a role is printed; aim_C is taken where time allows.

    An open end is infinite; aim_C None takes the job's own temperature. Errors: BadInput when low
    is above high or aim lies outside.
    """

    low_C: float = -math.inf
    high_C: float = math.inf
    aim_C: float | None = None

    def __post_init__(self) -> None:
        if not self.low_C <= self.high_C:
            raise BadInput("low above high", where="wish", value=f"{self.low_C}..{self.high_C}")
        if self.aim_C is not None and not self.low_C <= self.aim_C <= self.high_C:
            raise BadInput("aim outside its band", where="wish", value=self.aim_C)

    @classmethod
    def near(cls, temperature_C: float, tolerance_K: float = NEAR_K) -> "Wish":
        """A band of `tolerance_K` either side."""
        low_C, high_C = temperature_C - tolerance_K, temperature_C + tolerance_K
        return cls(low_C=low_C, high_C=high_C, aim_C=temperature_C)

    def shrunk(self, guard_K: float) -> "Wish":
        """The band drawn in by guard_K at its finite ends, at most to a quarter of its width."""
        guard_K = min(guard_K, 0.375 * (self.high_C - self.low_C))
        low_C, high_C = self.low_C + guard_K, self.high_C - guard_K
        aim_C = None if self.aim_C is None else min(max(self.aim_C, low_C), high_C)
        return Wish(low_C=low_C, high_C=high_C, aim_C=aim_C)


@dataclass(frozen=True)
class Wishes:
    """Wishes by role name; roles without one print anywhere within the limits."""

    roles: Mapping[str, Wish] = field(default_factory=dict)

    def shrunk(self, guard_K: float) -> "Wishes":
        """Every wish drawn in by guard_K."""
        return Wishes({name: wish.shrunk(guard_K) for name, wish in self.roles.items()})

    def bands(self, job: Timeline, limits: Limits) -> tuple[list[float], list[float], list[float]]:
        """Lowest, highest and aimed temperature per role number; aim NaN where none is stated.

        Errors: BadInput for a role the job's patterns do not name, or a band beyond the limits.
        """
        for name in self.roles:
            if name not in job.role_names:
                raise unknown_key(name, job.role_names, where="wishes")
        chosen = [self.roles.get(name, Wish()) for name in job.role_names]
        for name, wish in zip(job.role_names, chosen, strict=True):
            if wish.low_C > limits.high_C or wish.high_C < limits.low_C:
                raise BadInput(
                    "wished temperature beyond what was measured",
                    where=f"role '{name}'",
                    value=f"{wish.low_C:g}..{wish.high_C:g} °C",
                    limit=f"{limits.low_C:g}..{limits.high_C:g} °C",
                    remedy="wish within it, or extend the profile",
                )
        low = [max(wish.low_C, limits.low_C) for wish in chosen]
        high = [min(wish.high_C, limits.high_C) for wish in chosen]
        return low, high, [math.nan if w.aim_C is None else w.aim_C for w in chosen]


NO_WISHES = Wishes()
