"""The short form of a fit: what people ask for first, in a screenful, nothing made up."""

from dataclasses import replace

import pytest

from hotbench.bench.analysis import Analysis, Gap
from hotbench.bench.brief import fit_tables, usual
from hotbench.bench.tables import PAGE, Table, print_tables
from hotbench.fitting.heater_result import HeaterFit
from hotbench.models.rates import Figure

pytestmark = pytest.mark.slow
SCREENFUL = 60
"""Lines of a terminal window that is not small."""


@pytest.fixture(scope="module")
def heater(analysis: Analysis) -> HeaterFit:
    assert analysis.heater is not None
    return analysis.heater


def named(tables: tuple[Table, ...], begin: str) -> Table:
    (found,) = (table for table in tables if table.caption.startswith(begin))
    return found


def off_C(figure: Figure) -> float:
    return abs(figure.temperature_C - 220.0)


def alike(one: Figure, other: Figure) -> bool:
    """Whether two figures are of one condition; what cools is taken where it comes through."""
    heated = one.kind == "heating rate"
    return one.fan == other.fan and (not heated or one.start_C == other.start_C)


def test_every_condition_has_one_row_at_the_usual_temperature(heater: HeaterFit) -> None:
    for figures in (heater.heating_rate, heater.cooling_rate, heater.hold_duty):
        rows = usual(figures)
        assert len({row.figure.label for row in rows}) == len(rows)
        assert {row.figure.fan for row in rows} == {row.figure.fan for row in figures}
        for row in rows:
            like = [other.figure for other in figures if alike(other.figure, row.figure)]
            assert off_C(row.figure) == min(map(off_C, like))


def test_rows_are_those_of_the_full_tables(analysis: Analysis) -> None:
    full = {row[:4] for table in analysis.tables() for row in table.rows}
    (shown,) = fit_tables(analysis)[:1]
    lag = [row for row in shown.rows if row[0] == "sensor lag and dead time"]
    assert len(lag) == 1
    assert {row[:4] for row in shown.rows} - full <= {row[:4] for row in lag}


def test_it_fits_a_window_of_80_characters(
    analysis: Analysis, capsys: pytest.CaptureFixture[str]
) -> None:
    print_tables(fit_tables(analysis))
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= PAGE
    assert len(lines) < SCREENFUL


def test_gaps_and_how_far_it_is_off_are_told(analysis: Analysis, heater: HeaterFit) -> None:
    gap = Gap("loss", "never cooled", "record step")
    tables = fit_tables(replace(analysis, gaps=(gap,)))
    assert named(tables, "not identified").rows == (("loss", "never cooled", "record step"),)
    trust = dict(named(tables, "how far to trust").rows)
    assert trust["model"] == heater.title
    assert f"{max(v.worst_K for v in heater.validation):.2g} K worst" in trust["off where held out"]


def test_a_melt_alone_shows_its_limits_only(analysis: Analysis) -> None:
    alone = replace(analysis, heater=None, slew=None, jumps=(), repetition=None, gaps=())
    first, *rest = fit_tables(alone)
    assert all(row[0].startswith("flow limit at ") for row in first.rows)
    assert [table.caption for table in rest] == ["more"]
