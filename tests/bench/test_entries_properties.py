"""Whatever is typed or tabled, entries stay readable, finite and undoable."""

import math
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench import entries
from hotbench.bench.weighing import grams
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.store import weighings
from hotbench.store.reader import read_run, verify
from hotbench.store.writer import RunWriter

COUNT = 3
NUMBERS = st.integers(1, COUNT)
MASSES = st.floats(0.0, 5.0).map(lambda mass_g: round(mass_g, 4))
QUICK = settings(max_examples=12, deadline=None, derandomize=True)


def new_run(parent: str | Path) -> Path:
    folder = Path(parent) / "melt"
    writer = RunWriter(folder, RunInfo(run_id="melt", procedure="extrude", created=""))
    writer.on_sample(Sample(0.0, 220.0))
    for flow in (2.0, 6.0, 10.0):
        writer.on_extrusion(Extrusion(220.0, flow, 100.0))
    writer.close()
    return folder


def masses(folder: Path) -> list[float | None]:
    return [extrusion.delivered_mass_g for extrusion in read_run(folder).extrusions]


@given(st.text(max_size=12))
def test_a_mass_is_a_finite_number_or_refused(text: str) -> None:
    try:
        mass_g = grams(text)
    except ValueError:
        return
    assert math.isfinite(mass_g)


@given(st.floats(0.0, 1e4), st.sampled_from([".", ","]), st.sampled_from(["", " ", "  "]))
def test_masses_are_read_with_point_or_comma(mass_g: float, mark: str, space: str) -> None:
    assert grams(space + f"{mass_g:.4f}".replace(".", mark) + space) == round(mass_g, 4)


@QUICK
@given(st.lists(st.one_of(st.text(max_size=8), MASSES.map(str), st.just("undo")), max_size=9))
def test_any_answers_leave_a_sound_run(answers: list[str]) -> None:
    left = iter(answers)
    with TemporaryDirectory() as parent:
        folder = new_run(parent)
        shown = entries.enter_by_prompt(folder, lambda question: next(left, ""))
        assert verify(folder).intact
        found = masses(folder)
        assert all(mass is None or (math.isfinite(mass) and mass >= 0.0) for mass in found)
        waiting = [n for n, mass in enumerate(found, start=1) if mass is None]
        assert shown.plain()["pending"]["mass"] == waiting


@QUICK
@given(
    st.dictionaries(NUMBERS, MASSES, min_size=1),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
def test_a_table_of_any_local_habit_is_read(
    values: dict[int, float], delimiter: str, mark: str, newline: str, byte_order_mark: bool
) -> None:
    if delimiter == mark:
        delimiter = ";"
    lines = [f"extrusion{delimiter}delivered_mass_g"]
    lines += [f"{n}{delimiter}{value:.4f}".replace(".", mark) for n, value in values.items()]
    with TemporaryDirectory() as parent:
        folder, table = new_run(parent), Path(parent) / "scale.csv"
        text = newline.join(lines) + newline
        table.write_bytes(text.encode("utf-8-sig" if byte_order_mark else "utf-8"))
        entries.enter_from_csv(folder, table)
        assert masses(folder) == [values.get(n) for n in range(1, COUNT + 1)]


@QUICK
@given(st.binary(max_size=60))
def test_any_file_is_read_or_refused_and_the_run_stays_sound(data: bytes) -> None:
    with TemporaryDirectory() as parent:
        folder, table = new_run(parent), Path(parent) / "scale.csv"
        table.write_bytes(data)
        with pytest.raises(BadInput) as refused:
            entries.enter_from_csv(folder, table)
        assert "\n" not in str(refused.value)
        assert verify(folder).intact
        assert masses(folder) == [None] * COUNT


@pytest.mark.parametrize(
    "table",
    [
        "extrusion,mass\n1,0.3\n",
        "extrusion,delivered_mass_g\n9,0.3\n",
        "extrusion,delivered_mass_g\n1,-0.3\n",
        "extrusion,delivered_mass_g\n1,inf\n",
        "extrusion,delivered_mass_g\n1,heavy\n",
        "extrusion,delivered_mass_g\n,0.3\n",
        "delivered_mass_g\n0.3\n",
    ],
)
def test_unusable_tables_change_nothing(tmp_path: Path, table: str) -> None:
    folder, path = new_run(tmp_path), tmp_path / "scale.csv"
    entries.enter(folder, {1: 0.29})
    path.write_text(table)
    with pytest.raises(BadInput):
        entries.enter_from_csv(folder, path)
    assert masses(folder) == [0.29, None, None]
    assert verify(folder).intact


ACTIONS = st.one_of(
    st.tuples(st.just("fill"), NUMBERS, MASSES),
    st.tuples(st.just("reject"), NUMBERS, st.just(0.0)),
    st.tuples(st.just("restore"), NUMBERS, st.just(0.0)),
    st.tuples(st.just("undo"), NUMBERS, st.just(0.0)),
)


class Ledger:
    """What the entries should be: values, standing rejections, and everything before."""

    def __init__(self) -> None:
        self.values: dict[int, float | None] = dict.fromkeys(range(1, COUNT + 1))
        self.rejected: dict[int, float | None] = {}
        self.before: list[tuple[dict[int, float | None], dict[int, float | None]]] = []

    def act(self, action: str, n: int, value: float) -> bool:
        """Do it; False where it is to be refused."""
        if action == "undo":
            if self.before:
                self.values, self.rejected = self.before.pop()
                return True
            return False
        if action == "restore" and n not in self.rejected:
            return False
        wanted = {"fill": value, "reject": None, "restore": self.rejected.get(n)}[action]
        if wanted != self.values[n]:
            self.before.append((dict(self.values), dict(self.rejected)))
            was = self.values[n]
            self.values[n] = wanted
            self.rejected.pop(n, None)
            if action == "reject":
                self.rejected[n] = was
        return True


def do(folder: Path, action: str, n: int, value: float) -> bool:
    try:
        if action == "fill":
            entries.enter(folder, {n: value})
        elif action == "reject":
            entries.reject(folder, n, "dripped; fell -> off")
        elif action == "restore":
            entries.restore(folder, n)
        else:
            entries.undo(folder)
    except BadInput:
        return False
    return True


@QUICK
@given(st.lists(ACTIONS, max_size=7))
def test_entering_rejecting_restoring_and_undoing_in_any_order(
    actions: list[tuple[str, int, float]],
) -> None:
    ledger = Ledger()
    with TemporaryDirectory() as parent:
        folder = new_run(parent)
        for action in actions:
            assert do(folder, *action) == ledger.act(*action)
        assert masses(folder) == list(ledger.values.values())
        column = "delivered_mass_g"
        assert set(weighings.rejected(folder)) == {(column, n) for n in ledger.rejected}
        noted = weighings.rejections_noted(read_run(folder).events)
        assert set(noted) == set(weighings.rejected(folder))
        assert verify(folder).intact
