import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.fitting.next_test import Proposal, rank

PRECISION = np.diag([100.0, 1.0])
SLOPES = np.eye(2)
LABELS = ["known well", "known badly"]


def test_the_test_that_helps_the_widest_interval_comes_first() -> None:
    helps_first = Proposal("record hold", 60.0, np.diag([1000.0, 0.0]))
    helps_second = Proposal("record step --fan 1", 60.0, np.diag([0.0, 99.0]))
    best = rank(PRECISION, SLOPES, LABELS, [helps_first, helps_second])
    assert [test.command for test in best] == ["record step --fan 1", "record hold"]
    assert best[0].shrinks == "known badly"
    assert best[0].from_percent == pytest.approx(196.0)
    assert best[0].to_percent == pytest.approx(19.6)


def test_of_equals_the_shorter_comes_first() -> None:
    long = Proposal("record hold --for 600", 600.0, np.diag([0.0, 9.0]))
    short = Proposal("record hold --for 60", 60.0, np.diag([0.0, 9.0]))
    assert rank(PRECISION, SLOPES, LABELS, [long, short], keep=1)[0].command == short.command


def test_a_few_percent_of_width_are_not_worth_a_longer_test() -> None:
    long = Proposal("record hold --duration 600", 600.0, np.diag([0.0, 10.0]))
    short = Proposal("record hold --duration 60", 60.0, np.diag([0.0, 9.0]))
    best = rank(PRECISION, SLOPES, LABELS, [long, short])
    assert [test.command for test in best] == [short.command, long.command]
    assert best[1].to_percent < best[0].to_percent


def test_a_much_narrower_interval_is_worth_a_longer_test() -> None:
    long = Proposal("record hold --duration 600", 600.0, np.diag([0.0, 90.0]))
    short = Proposal("record hold --duration 60", 60.0, np.diag([0.0, 9.0]))
    best = rank(PRECISION, SLOPES, LABELS, [short, long])
    assert best[0].command == long.command


def test_where_the_widest_cannot_shrink_the_others_decide() -> None:
    useless = Proposal("record hold", 10.0, np.zeros((2, 2)))
    helps = Proposal("record step", 300.0, np.diag([900.0, 0.0]))
    assert rank(PRECISION, SLOPES, LABELS, [useless, helps])[0].command == helps.command


@given(
    st.lists(
        st.tuples(st.floats(0.0, 1e3), st.floats(0.0, 1e3), st.floats(1.0, 1e4)),
        min_size=1,
        max_size=8,
    )
)
def test_no_test_widens_an_interval_and_the_order_of_the_offer_does_not_matter(
    offers: list[tuple[float, float, float]],
) -> None:
    proposals = [
        Proposal(f"test {i}", length_s, np.diag([first, second]))
        for i, (first, second, length_s) in enumerate(offers)
    ]
    best = rank(PRECISION, SLOPES, LABELS, proposals, keep=1)[0]
    again = rank(PRECISION, SLOPES, LABELS, proposals[::-1], keep=1)[0]
    assert best.to_percent <= best.from_percent * (1.0 + 1e-9)
    assert (again.to_percent, again.length_s) == pytest.approx((best.to_percent, best.length_s))
