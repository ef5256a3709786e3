"""Print jobs for tests: the demo jobs with their wishes, and random ones."""

from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import numpy as np

from hotbench.bench.scheduling import Roles, read_roles
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.timeline import Timeline, read_timeline
from hotbench.jobs.wishes import Wish, Wishes

DATA = Path(__file__).parents[2] / "data_demo"


def demo_maker() -> ModuleType:
    """The script that writes the demo jobs."""
    spec = spec_from_file_location("make_jobs", DATA / "make_jobs.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def _demo_roles() -> Roles:
    return read_roles(DATA / "bracket_roles.yaml")


@cache
def demo_jobs() -> dict[str, Timeline]:
    """Timeline of every demo job, read with the shipped roles file."""
    patterns = _demo_roles().patterns
    return {
        name: read_timeline(make().encode(), patterns) for name, make in demo_maker().JOBS.items()
    }


def demo_wishes() -> Wishes:
    """The wishes of the shipped roles file, with pillars hotter, so that dips are deeper."""
    return Wishes({**_demo_roles().wishes.roles, "pillar": Wish(low_C=225.0)})


def make_random_job(seed: int) -> Timeline:
    """A job of random strokes, roles, speeds and bead sizes."""
    random = np.random.default_rng(seed)
    lines, fed = ["M109 S215", "G92 E0", "G1 X0 Y0 Z0.2 F6000"], 0.0
    for _ in range(random.integers(4, 30)):
        lines.append(f"; role: {random.choice(['cool', 'strong', 'free'])}")
        feed = random.uniform(900.0, 7000.0)
        for _ in range(random.integers(1, 30)):
            x, y = random.uniform(0.0, 60.0, 2)
            fed += random.uniform(0.2, 3.0)
            lines.append(f"G1 X{x:.3f} Y{y:.3f} E{fed:.4f} F{feed:.0f}")
    roles = {name: f"role: {name}" for name in ("cool", "strong", "free")}
    return read_timeline("\n".join(lines).encode(), CommentPatterns(roles))
