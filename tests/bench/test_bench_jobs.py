"""Rehearsal of large jobs: time, memory, linear cost, and the ratio to line-by-line parsers."""

import resource
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from hotbench.jobs.limits import FlowTable, HeaterFacts, Limits, SlewTable
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.rehearsal import rehearse
from hotbench.jobs.schedule import expect, plan_schedule
from hotbench.jobs.timeline import read_timeline
from hotbench.jobs.wishes import Wish, Wishes

pytestmark = [pytest.mark.bench, pytest.mark.slow]

PATTERNS = CommentPatterns({"outer": "role: outer", "bridge": "role: bridge"}, layer="^layer")
WISHES = Wishes({"bridge": Wish(high_C=205.0), "outer": Wish(low_C=212.0)})
BIG_MOVES = 3_000_000


def limits() -> Limits:
    at_C = np.array([190.0, 250.0])
    flow = np.array([8.0, 10.5])
    one = SlewTable(np.array([200.0]), np.array([1.5]))
    return Limits(
        flow=FlowTable(at_C, flow, 0.95 * flow, 1.05 * flow),
        slew_up=one,
        slew_down=one,
        lag_s=2.0,
        low_C=190.0,
        high_C=250.0,
        heater=HeaterFacts("two-node", {}, 25.0),
        trail_s=5.0,
    )


def job_text(moves: int) -> bytes:
    """A wavy ring in `moves` short moves of about 33 bytes, with roles and layers."""
    angle = 0.02 * np.arange(moves)
    radius = 50.0 + 3.0 * np.sin(7.0 * angle)
    x, y = 100.0 + radius * np.cos(angle), 100.0 + radius * np.sin(angle)
    lines = ["G21", "G90", "M82", "M109 S215", "G92 E0", "G1 X100 Y100 Z0.2 F2400"]
    for k in range(moves):
        if k % 3000 == 0:
            lines += [f"; layer {k // 3000}", f"G1 Z{0.2 + 0.2 * (k // 3000):.3f} F2400"]
        if k % 1500 == 0:
            lines.append("; role: " + ("bridge" if k % 30_000 == 0 else "outer"))
        lines.append(f"G1 X{x[k]:.3f} Y{y[k]:.3f} E{0.0412 * (k + 1):.5f}")
    return "\n".join(lines).encode()


def cpu_seconds(work: Callable[[], Any]) -> float:
    """Processor time of this one thread, which other processes on the machine disturb least."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def judged(text: bytes) -> None:
    rehearse(read_timeline(text, PATTERNS), limits())


def chunks(text: bytes, size: int = 1 << 22) -> Iterator[bytes]:
    return (text[k : k + size] for k in range(0, len(text), size))


def whole(text: bytes) -> None:
    job = read_timeline(chunks(text), PATTERNS)
    rehearse(job, limits())
    expect(plan_schedule(job, limits(), WISHES), limits())


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    whole(job_text(2000))


def test_three_million_moves_in_twenty_seconds_and_two_gigabytes() -> None:
    text = job_text(BIG_MOVES)
    assert len(text) > 95e6
    assert cpu_seconds(lambda: whole(text)) < 20.0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2.0 * 2**20


def test_the_cost_is_linear() -> None:
    small, large = (job_text(moves) for moves in (300_000, 1_200_000))
    ratio = min(cpu_seconds(lambda: whole(large)) for _ in range(2)) / min(
        cpu_seconds(lambda: whole(small)) for _ in range(2)
    )
    assert ratio < 1.5 * 4.0


def by_pygcode(text: str) -> None:
    """An object model of the block: words, and the G-code classes that they make."""
    parse = pytest.importorskip("pygcode").Line
    for line in text.splitlines():
        parse(line)


def by_gcodeparser(text: str) -> None:
    """One search of a regular expression a line, a second over its words; nothing is kept."""
    parse = pytest.importorskip("gcodeparser").parse_gcode_lines
    for _ in parse(text):
        pass


@pytest.mark.parametrize(("theirs", "moves"), [(by_pygcode, 20_000), (by_gcodeparser, 100_000)])
def test_twenty_times_a_line_by_line_parser(theirs: Callable[[str], None], moves: int) -> None:
    """A whole verdict against general G-code parsers of the registry that only parse.

    Both read a line at a time. gcodeparser is the leanest found (measured 26, and 22 with others at
    work; pygcode 87). Keeping its lines, as a caller would, costs it a third more.
    """
    text = job_text(moves)
    needed_s = min(cpu_seconds(lambda: theirs(text.decode())) for _ in range(2))
    assert needed_s > 20.0 * min(cpu_seconds(lambda: judged(text)) for _ in range(7))
