"""Comparing two profiles: before and after, stock against new."""

from pathlib import Path

from hotbench.bench.results import Result, lines_table
from hotbench.bench.tables import Table, number
from hotbench.core.quantity import Quantity
from hotbench.profile.diff import Comparison, Difference, compare
from hotbench.profile.yaml_io import read_profile

HEADS = ("number", "before", "after", "change", "interval", "significant")


def compare_files(first: Path, second: Path) -> Result:
    """Differences of two profile files with intervals and significance."""
    found = compare(read_profile(first), read_profile(second))
    facts = {
        "differences": found.differences,
        "only_before": found.only_before,
        "only_after": found.only_after,
        "shared_runs": found.shared_runs,
        "for_your_prints": found.for_prints,
    }
    return Result(facts, tables_of(found))


def tables_of(found: Comparison) -> tuple[Table, ...]:
    """The comparison for people: differences, what it means, what only one profile states."""
    rows = tuple(_row(difference) for difference in found.differences)
    shared = [
        f"{run}: both profiles rest on it, so they are not independent" for run in found.shared_runs
    ]
    alone = [f"only before: {w}" for w in found.only_before]
    alone += [f"only after: {w}" for w in found.only_after]
    return (
        Table("differences", HEADS, rows, frozenset({1, 2, 3})),
        *lines_table("what changed for your prints", "in words", found.for_prints),
        *lines_table("stated by one profile only", "number", alone),
        *lines_table("beware", "shared runs", shared),
    )


def _row(d: Difference) -> tuple[str, ...]:
    shown: Quantity = d.percent if d.percent is not None else d.change
    interval = (
        "-" if shown.low is None or shown.high is None else f"{shown.low:+.2g} to {shown.high:+.2g}"
    )
    verdict = {True: "yes", False: "no", None: "unknown"}[d.significant]
    before, after = (f"{number(q.value)} {q.unit}".strip() for q in (d.before, d.after))
    return (d.where, before, after, f"{shown.value:+.2g} {shown.unit}", interval, verdict)
