"""Safe rates on 200 randomised boards per case: safety, share of the true limit, faults, ramps.

Asked of every kind of board: the stated rate is safe (fault chance at most 1 %) in 95 % of the
sessions, fewer than 0.1 faults per session, at most 15 ramps; where the whole spread is 0.05, a
median of 0.85 of the true limit too. The table beside this file says for each row what was asked
and whether it held.

Two rows cannot hold as long as nothing is declared of the level's spread; the last two tests say
why. With the spread declared, `--fault-spread`, every row holds.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtri
from slew_boards import LEVEL_K, SAFE_SHARE, Board

from hotbench.fitting.slew import CONFIDENCE, COVERAGE, FAULT_SPREAD, LEAST_SPREAD, fit_slew
from hotbench.fitting.tolerance import Line, upper_bound

TABLE = Path(__file__).with_name("slew_study.txt")
SESSIONS, FIRST_SEED = 200, 990_000
SAFE, FAULTS, RAMPS, MEDIAN = 0.95, 0.1, 15, 0.85
Results = dict[str, np.ndarray]
"""By title, a row per session: fault chance, share of the limit, faults, ramps, confirmed."""


@dataclass(frozen=True)
class Case:
    """A kind of board, and what the user declares.

    near: whether a median near the limit is asked. short: what cannot hold, and why.
    """

    title: str
    board: dict[str, float | bool]
    declared: dict[str, float]
    near: bool = False
    unsafe: str = ""
    short: str = ""


UNDECLARED = "its level spreads by 0.15, the default assumes 0.1: it has to be declared"
ASSUMED = (
    "the whole spread shows, yet 0.1 is assumed of the level: even 15 ramps all at the very rate "
    "would claim 0.849"
)


def cases() -> list[Case]:
    found = []
    for spread in (0.02, 0.05, 0.10, 0.15):
        text, near = f"{spread:.2f}", spread == 0.05
        seen = {"seen": spread}
        hidden = {"seen": 0.02, "hidden": spread}
        half = {"seen": spread / 2**0.5, "hidden": spread / 2**0.5}
        unsafe = UNDECLARED if spread > FAULT_SPREAD else ""
        short = ASSUMED if near else ""
        fallen = {"level_fall": 0.1, "fault_spread": max(spread, FAULT_SPREAD)}
        found += [
            Case(f"level spread {text}, declared", hidden, {"fault_spread": spread}, near),
            Case(f"level spread {text}", hidden, {}, near, unsafe),
            Case(f"level and deviation share spread {text}", half, {}, near),
            Case(
                f"level falls 10 %, spread {text}, declared", hidden | {"fall": 0.1}, fallen, near
            ),
            Case(f"deviation spread {text}, declared", seen, {"fault_spread": 0.0}, near),
            Case(f"deviation spread {text}", seen, {}, near, short=short),
            Case(f"bent near saturation, deviation {text}", {**seen, "bent": True}, {}, near),
        ]
    return [
        *found,
        Case("level spread 0.10 and deviation spread 0.10", {"seen": 0.1, "hidden": 0.1}, {}),
        Case("level falls 10 %, deviation 0.05", {"seen": 0.05, "fall": 0.1}, {}),
    ]


def judge(case: Case, seed: int) -> tuple[float, ...]:
    board = Board(seed, **case.board)
    trials = board.ladder(**case.declared)
    found = fit_slew(trials, LEVEL_K, **case.declared).of("heating")
    assert found is not None
    rate = found.rate.value if found.rate else 0.0
    chance = board.fault_probability(rate) if rate else 0.0
    return chance, rate / board.limit(), found.faults, found.trials, found.confirmed


def is_safe(results: np.ndarray) -> bool:
    chance, _, faults, ramps, _ = results.T
    sure = bool(np.mean(chance <= SAFE_SHARE) >= SAFE and np.mean(faults) < FAULTS)
    return sure and bool(np.max(ramps) <= RAMPS)


def is_near(results: np.ndarray) -> bool:
    return bool(np.median(results[:, 1]) >= MEDIAN)


def line(case: Case, results: np.ndarray) -> str:
    chance, share, faults, ramps, confirmed = results.T
    asked = "safe, near" if case.near else "safe"
    short = [
        *(() if is_safe(results) else ("not safe",)),
        *(("not near",) if case.near and not is_near(results) else ()),
    ]
    return (
        f"{case.title:46s} {np.mean(chance <= SAFE_SHARE):6.3f} {np.median(share):7.3f}"
        f" {np.quantile(share, 0.05):6.3f} {np.mean(faults):7.3f} {np.mean(ramps):6.1f}"
        f" {np.max(ramps):5.0f} {np.mean(confirmed):6.2f} {np.quantile(chance, 0.95):9.4f}"
        f"  {asked:10s}  {', '.join(short) or 'held'}"
    )


@pytest.fixture(scope="module")
def found() -> Results:
    """Every session once; the seeds were not used while developing."""
    seeds = range(FIRST_SEED, FIRST_SEED + SESSIONS)
    results = {case.title: np.array([judge(case, seed) for seed in seeds]) for case in cases()}
    head = (
        f"{'board; without a word, the defaults':46s} {'safe':>6s} {'median':>7s} {'p5':>6s}"
        f" {'faults':>7s} {'ramps':>6s} {'most':>5s} {'conf.':>6s} {'p95 fault':>9s}"
        f"  {'asked':10s}  result"
    )
    about = f"{SESSIONS} boards of each kind. Shares of the rate at which 1 % of ramps fault"
    rows = [line(case, results[case.title]) for case in cases()]
    TABLE.write_text("\n".join([about, head, *rows]) + "\n", encoding="utf-8")
    return results


def one(case: Case, reason: str) -> object:
    marks = [pytest.mark.xfail(reason=reason, strict=True)] if reason else []
    return pytest.param(case, marks=marks, id=case.title)


@pytest.mark.parametrize("case", [one(case, case.unsafe) for case in cases()])
def test_stated_rates_are_safe(found: Results, case: Case) -> None:
    assert is_safe(found[case.title])


@pytest.mark.parametrize("case", [one(case, case.short) for case in cases() if case.near])
def test_stated_rates_come_near_the_limit(found: Results, case: Case) -> None:
    assert is_near(found[case.title])


def test_no_default_holds_both_a_narrow_and_a_wide_spread_of_the_level() -> None:
    """Boards alike but for their level's spread answer every ramp alike until one of them faults.

    So a rule that claims 0.85 of the narrow board's limit in half of its sessions claims the same
    rate of the wide one in as many, less those in which either faults: fewer than 0.1 + 0.1. But
    there it lies beyond the limit, where 5 % of the claims may lie. z = 2.326, slope b:
    0.85 exp(z (0.151 - 0.054) / b) is above 1 up to a slope of 1.39; the boards have 0.9 to 1.3.
    """
    seen, flattest_and_steepest = 0.02, np.array([0.9, 1.3])
    apart = float(np.hypot(seen, 0.15) - np.hypot(seen, 0.05))
    of_the_wide_limit = MEDIAN * np.exp(ndtri(COVERAGE) * apart / flattest_and_steepest)
    assert (of_the_wide_limit > 1.0).all()
    assert 0.5 - (1.0 - SAFE) > 2.0 * FAULTS


def test_no_fifteen_ramps_bring_a_shown_spread_near_where_more_is_assumed() -> None:
    """The row's best case: the rate known beforehand, every ramp at it, 95 % sure and not more.

    exp(-z (hypot(0.05, 0.1) - 0.05) / b) is 0.877 with endless ramps; what 15 leave in doubt, of
    the mean and of the spread, costs the rest.
    """
    random, sessions, shown = np.random.default_rng(0), 20_000, 0.05
    slope = random.uniform(0.9, 1.3, sessions)
    spread = shown * np.sqrt(random.chisquare(RAMPS - 1, sessions) / (RAMPS - 1))
    mean = shown / np.sqrt(RAMPS) * random.standard_normal(sessions)
    at = np.linspace(spread.min(), spread.max(), 40)
    bound = mean + np.interp(spread, at, [_margin(float(one)) for one in at])
    share = np.exp((ndtri(COVERAGE) * shown - bound) / slope)
    assert np.median(share) == pytest.approx(0.849, abs=0.0005)
    assert np.median(share) < MEDIAN


def _margin(spread: float) -> float:
    """By how much the bound lies above the mean of 15 ramps at one rate."""
    line = Line(
        centre=0.0,
        coefficients=np.zeros(1),
        inverse=np.array([[1.0 / RAMPS]]),
        spread=spread,
        dof=RAMPS - 1,
    )
    (margin,) = upper_bound(
        line,
        np.zeros(1),
        coverage=COVERAGE,
        confidence=CONFIDENCE,
        least_spread=LEAST_SPREAD,
        known_spread=FAULT_SPREAD,
    )
    return float(margin)
