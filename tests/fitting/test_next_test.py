import numpy as np
import pytest

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
