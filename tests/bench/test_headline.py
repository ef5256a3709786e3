"""The headline of a profile: short tables for a terminal, one for a page."""

from pathlib import Path

from hotbench.bench.profiling import headline_table, headline_tables
from hotbench.profile.yaml_io import read_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
MOST_ROWS = 15


def test_no_table_of_the_headline_is_long() -> None:
    tables = headline_tables(read_profile(EXAMPLE), "example")
    assert tables[0].caption == "machine profile: example"
    assert max(len(table.rows) for table in tables) <= MOST_ROWS


def test_the_short_tables_hold_every_row_of_the_long_one() -> None:
    profile = read_profile(EXAMPLE)
    whole = headline_table(profile, "example")
    parts = [table for table in headline_tables(profile, "example") if table.heads == whole.heads]
    assert {row for table in parts for row in table.rows} == set(whole.rows)
    assert sum(len(table.rows) for table in parts) == len(whole.rows)
    assert {"dips", "melt", "setpoint changes", "controller"} <= {
        part.caption.partition(":")[0] for part in parts
    }


def test_a_profile_without_numbers_still_has_its_headline() -> None:
    profile = read_profile(EXAMPLE).model_copy(
        update={"heater": None, "slew": (), "dips": (), "melt": None, "control": None}
    )
    first = headline_tables(profile, "bare")[0]
    assert first.caption == "machine profile: bare"
