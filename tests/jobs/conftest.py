from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from job_samples import demo_maker, make_random_job

from hotbench.jobs.limits import FlowTable, Limits, MeltFacts, SlewTable
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.wishes import Wish, Wishes

ROLES = ("outer wall", "inner wall", "fill", "bridge", "pillar", "support surface")
PATTERNS = CommentPatterns({name: f"role: {name}$" for name in ROLES}, layer="^layer")
WISHES = {
    "vase": Wishes(),
    "bracket": Wishes({"support surface": Wish.near(205.0), "pillar": Wish.near(232.0)}),
    "bridge-piece": Wishes({"bridge": Wish.near(205.0)}),
}


@pytest.fixture(scope="session")
def limits() -> Limits:
    """A middling hot end, invented."""
    at_C = np.array([190.0, 220.0, 250.0])
    flow = 8.0 * np.exp(0.0044 * (at_C - 190.0))
    return Limits(
        flow=FlowTable(at_C, flow, 0.95 * flow, 1.05 * flow),
        slew_up=SlewTable(np.array([180.0, 240.0]), np.array([2.0, 1.5])),
        slew_down=SlewTable(np.array([180.0, 240.0]), np.array([0.5, 1.0])),
        lag_s=2.0,
        low_C=190.0,
        high_C=250.0,
        melt=MeltFacts(0.75, 150.0),
    )


@pytest.fixture(scope="session")
def maker() -> ModuleType:
    """The script that writes the demo jobs."""
    return demo_maker()


@pytest.fixture(scope="session")
def texts(maker: ModuleType) -> dict[str, bytes]:
    """Text of every demo job."""
    return {name: make().encode() for name, make in maker.JOBS.items()}


@pytest.fixture(scope="session")
def jobs(texts: dict[str, bytes]) -> dict[str, Timeline]:
    """Timeline of every demo job."""
    return {name: read_timeline(text, PATTERNS) for name, text in texts.items()}


@pytest.fixture(scope="session")
def patterns() -> CommentPatterns:
    """Patterns for the demo jobs' comments."""
    return PATTERNS


@pytest.fixture(scope="session")
def wishes() -> dict[str, Wishes]:
    """Wishes by demo job."""
    return WISHES


@pytest.fixture(scope="session")
def random_job() -> Callable[[int], Timeline]:
    """Makes the random job of a seed."""
    return make_random_job
