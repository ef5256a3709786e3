"""Flow limits on 200 randomised truths unlike the model: error, coverage, number of weighings."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from melt_truths import TEMPERATURES_C, Truth, adaptive_session, grid_session

from hotbench.core.records import Extrusion
from hotbench.fitting.flow_choice import FlowPlan
from hotbench.fitting.melt import fit_melt

TABLE = Path(__file__).with_name("melt_study.txt")
SESSIONS, FIRST_SEED = 200, 914_000
TOLERANCE = 0.05
BETWEEN_C = (210.0, 230.0)
GRID_FLOWS = np.geomspace(4.0, 40.0, 12)

SHOWN = (
    "weighings",
    "all within 5 %",
    "each within 5 %",
    "95 % error",
    "coverage",
    "between",
    "half-width",
)

DESIGNS: dict[str, Callable[[Truth], list[Extrusion]]] = {
    "adaptive, 36": lambda truth: adaptive_session(
        truth, FlowPlan(temperatures_C=TEMPERATURES_C, goal=0.0)
    ),
    "adaptive, ends early": lambda truth: adaptive_session(
        truth, FlowPlan(temperatures_C=TEMPERATURES_C)
    ),
    "fixed grid, 36": lambda truth: grid_session(truth, GRID_FLOWS),
}


def judge(design: Callable[[Truth], list[Extrusion]], truth: Truth) -> dict[str, object]:
    done = design(truth)
    fit = fit_melt(done)
    true = np.array([truth.limit(at) for at in TEMPERATURES_C])
    found = [item.limit for item in fit.limits]
    between = [fit.flow_limit(at) for at in BETWEEN_C] if fit.joint else []
    return {
        "family": truth.family,
        "weighings": len(done),
        "error": np.array([q.value for q in found]) / true - 1.0,
        "covered": [q.low <= t <= q.high for q, t in zip(found, true, strict=True)],
        "between": [
            q.low <= truth.limit(at) <= q.high for q, at in zip(between, BETWEEN_C, strict=False)
        ],
        "width": [q.half_width / q.value for q in found],
    }


def summary(rows: list[dict[str, object]]) -> dict[str, float]:
    errors = np.abs(np.vstack([row["error"] for row in rows]))
    return {
        "weighings": float(np.mean([row["weighings"] for row in rows])),
        "most": max(row["weighings"] for row in rows),
        "all within 5 %": float(np.mean((errors <= TOLERANCE).all(axis=1))),
        "each within 5 %": float(np.mean(errors <= TOLERANCE)),
        "95 % error": float(np.quantile(errors, 0.95)),
        "coverage": float(np.mean([row["covered"] for row in rows])),
        "between": float(np.mean([c for row in rows for c in row["between"]] or [np.nan])),
        "half-width": float(np.median([row["width"] for row in rows])),
    }


def lines(results: dict[str, list[dict[str, object]]]) -> list[str]:
    columns = ("weighings", "all<=5%", "each<=5%", "p95 err", "covered", "between", "half-width")
    out = [
        "Q95 of randomised truths: finite contact, centre or mean criterion, Hill or knee roll-off",
        "3 temperatures, 1 % weighing noise; between: coverage at 210 and 230 °C",
        f"{'design':22s} {'truth':13s} {'n':>4s}" + "".join(f" {name:>10s}" for name in columns),
    ]
    for design, rows in results.items():
        families = {"all": rows}
        families |= {
            family: [row for row in rows if row["family"] == family]
            for family in sorted({str(row["family"]) for row in rows})
        }
        for family, group in families.items():
            found = summary(group)
            numbers = [found[key] for key in SHOWN]
            out.append(
                f"{design:22s} {family:13s} {len(group):4d} {numbers[0]:10.1f}"
                + "".join(f" {number:10.3f}" for number in numbers[1:])
            )
    return out


ADAPTIVE = ("adaptive, 36", "adaptive, ends early")


@pytest.fixture(scope="module")
def results() -> dict[str, list[dict[str, object]]]:
    """Seeds were not used while developing; the table is kept beside this file."""
    seeds = range(FIRST_SEED, FIRST_SEED + SESSIONS)
    found = {
        name: [judge(design, Truth(seed)) for seed in seeds] for name, design in DESIGNS.items()
    }
    TABLE.write_text("\n".join(lines(found)) + "\n", encoding="utf-8")
    return found


@pytest.mark.study
@pytest.mark.parametrize("design", ADAPTIVE)
def test_flow_limits_on_unlike_truths(
    results: dict[str, list[dict[str, object]]], design: str
) -> None:
    found = summary(results[design])
    assert found["most"] <= 36
    assert found["all within 5 %"] >= 0.95
    assert found["coverage"] >= 0.90


@pytest.mark.study
@pytest.mark.parametrize("design", ADAPTIVE)
def test_intervals_are_not_too_wide(
    results: dict[str, list[dict[str, object]]], design: str
) -> None:
    assert summary(results[design])["coverage"] <= 0.98


@pytest.mark.study
def test_a_fixed_grid_does_not_reach_it(results: dict[str, list[dict[str, object]]]) -> None:
    assert summary(results["fixed grid, 36"])["each within 5 %"] < 0.8
