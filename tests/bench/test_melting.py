"""Several hot ends and materials side by side, their profile sections, tables and pictures."""

from collections.abc import Sequence

import pytest

from hotbench.bench.analysis import analyse_runs
from hotbench.bench.melt_pictures import flow_pictures
from hotbench.bench.melting import (
    BELOW,
    EVEN,
    FLOOR,
    FLOWS,
    STEEPNESS,
    NamedMelt,
    comparison,
    fit_each,
    section,
    tables,
)
from hotbench.bench.profiling import build
from hotbench.bench.reporting import render
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, Run, RunInfo
from hotbench.models import melt, units
from hotbench.profile.yaml_io import read_profile, write_profile

TEMPERATURES_C = (200.0, 220.0, 240.0)
LOADS = (0.4, 0.45, 0.5, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2)


def limit(temperature_C: float, alpha_L: float = 0.9) -> float:
    return float(melt.flow_limit_mm3_per_s(temperature_C, alpha_L, 128.0, feed_C=30.0))


def extrusion(at_C: float, load: float, alpha_L: float, *, bonds: bool) -> Extrusion:
    ratio = float(melt.delivered_ratio(load, 1.0, 6.0, 0.985))
    mass_g = ratio * units.mass_of_length_g(100.0, 1.75, 1.24)
    force, section_mm2 = (25.0 * 12.0 * 0.8 ** (load**5), 12.0) if bonds else (None, None)
    flow = load * limit(at_C, alpha_L)
    return Extrusion(at_C, flow, 100.0, mass_g, None, force, section_mm2)


def recorded(
    name: str,
    alpha_L: float = 0.9,
    *,
    bonds: bool = False,
    temperatures_C: Sequence[float] = TEMPERATURES_C,
    **about: object,
) -> Run:
    facts = {"run_id": name, "procedure": "extrude", "created": "2026-01-01T00:00:00Z"}
    shots = [extrusion(at, load, alpha_L, bonds=bonds) for at in temperatures_C for load in LOADS]
    info = RunInfo(**{**facts, "material": "PLA", **about})
    return Run.from_samples(info, [], extrusions=shots, outcome="complete")


def fitted(*runs: Run) -> tuple[NamedMelt, ...]:
    def refused(what: str, error: BadInput) -> None:
        raise AssertionError(f"{what}: {error}")

    return fit_each(runs, refused)


def test_runs_of_one_filament_are_one_fit() -> None:
    parts = [recorded(f"part {at:g}", temperatures_C=(at,)) for at in TEMPERATURES_C]
    (named,) = fitted(*parts)
    assert named.fit.weighings == 30
    assert named.fit.joint


def test_hot_ends_nozzles_and_materials_stand_side_by_side() -> None:
    found = fitted(
        recorded("a", 0.9, hot_end="short", nozzle="0.4 mm"),
        recorded("b", 1.8, hot_end="long", nozzle="0.4 mm"),
        recorded("c", 0.8, hot_end="short", nozzle="0.4 mm", material="PETG"),
    )
    assert [named.label for named in found] == [
        "short, 0.4 mm, PLA, delivered mass",
        "long, 0.4 mm, PLA, delivered mass",
        "short, 0.4 mm, PETG, delivered mass",
    ]
    at_220 = [named.fit.flow_limit(220.0).value for named in found]
    assert at_220[1] / at_220[0] == pytest.approx(2.0, rel=0.02)
    table = comparison(found)
    assert [row[0] for row in table.rows] == ["200", "210", "220", "230", "240"]
    assert table.heads[1:] == tuple(named.label for named in found)


def test_each_evidence_has_a_fit_that_names_it() -> None:
    mass, bond = fitted(recorded("a", bonds=True))
    assert [mass.fit.evidence, bond.fit.evidence] == ["delivered mass", "bond force"]
    assert bond.fit.levels[0].value == pytest.approx(25.0, rel=0.02)
    assert bond.fit.levels[0].unit == "N/mm2"
    rows = section(bond, None).flow_limit
    assert {row.evidence for row in rows} == {"bond force"}


def test_what_cannot_be_fitted_is_heard_of() -> None:
    heard: list[str] = []
    short = recorded("a", temperatures_C=(200.0,))
    few = Run.from_samples(short.info, [], extrusions=short.extrusions[:2])
    assert fit_each([few], lambda what, error: heard.append(f"{what}: {error}")) == ()
    assert heard[0].startswith("melt (delivered mass): too few weighings")


def test_a_heater_that_saturates_first_governs_and_is_named() -> None:
    (named,) = fitted(recorded("a"))
    ceiling = limit(225.0)
    rows = section(named, lambda at: ceiling).flow_limit
    governed = {row.temperature_C: row.governed_by for row in rows}
    assert governed[220.0] == "melting"
    assert governed[230.0] == governed[240.0] == "heater power"
    hot = rows[-1]
    assert hot.flow_mm3_per_s == pytest.approx(ceiling)
    assert hot.evidence == "heater power and filament load"
    table = tables([named], lambda at: ceiling)[0]
    assert table.rows[-1][-2:] == ("heater power", "heater power and filament load")


def test_minimum_temperatures_say_what_their_low_end_rests_on() -> None:
    (named,) = fitted(recorded("a"))
    rows = section(named, None).minimum_temperature
    assert [row.flow_mm3_per_s for row in rows] == sorted(row.flow_mm3_per_s for row in rows)
    for row in rows:
        assert row.low_C is not None
        if row.low_C < 200.0:
            assert row.validity in (FLOOR, BELOW)
        else:
            assert row.validity is None
    assert STEEPNESS in section(named, None).statements


def test_even_surface_rises_with_flow_and_stays_within_the_limit() -> None:
    (named,) = fitted(recorded("a"))
    melted = section(named, None)
    rows = sorted(melted.even_surface, key=lambda row: row.flow_mm3_per_s)
    assert len(rows) >= 3
    assert [r.temperature_C for r in rows] == sorted(r.temperature_C for r in rows)
    assert [r.temperature_C for r in rows if r.reference] == [220.0]
    assert all(r.flow_mm3_per_s <= named.fit.flow_limit(r.temperature_C).value for r in rows)
    assert EVEN in melted.statements


def even_surface(alpha_L: float) -> dict[float, bool]:
    """Flows of a hot end's rows, and which of them is the reference."""
    (named,) = fitted(recorded("a", alpha_L))
    return {row.flow_mm3_per_s: row.reference for row in section(named, None).even_surface}


def test_rows_of_the_even_surface_match_between_hot_ends_that_differ_a_little() -> None:
    one, other = even_surface(0.95), even_surface(1.0)
    assert one.keys() | other.keys() <= set(FLOWS)
    assert len(one.keys() & other.keys()) >= 3
    assert [f for f in one if one[f]] == [f for f in other if other[f]]


def test_two_temperatures_give_limits_and_no_curves() -> None:
    (named,) = fitted(recorded("a", temperatures_C=(200.0, 220.0)))
    melted = section(named, None)
    assert [row.temperature_C for row in melted.flow_limit] == [200.0, 220.0]
    assert (melted.minimum_temperature, melted.even_surface, melted.statements) == ((), (), ())
    assert list(flow_pictures([named])) == []


def test_the_profile_keeps_all_of_them(tmp_path) -> None:
    analysis = analyse_runs([recorded("a", bonds=True), recorded("b", 1.8, hot_end="long")])
    profile = build(analysis, "invented")
    assert profile.melt is not None
    assert profile.melt.evidence_kind == "delivered mass"
    assert [m.hot_end for m in profile.other_melts] == [None, "long"]
    assert profile.other_melts[0].evidence_kind == "bond force"
    write_profile(profile, tmp_path / "machine.yaml")
    assert read_profile(tmp_path / "machine.yaml").other_melts[1].hot_end == "long"


def test_the_report_shows_them_side_by_side() -> None:
    analysis = analyse_runs([recorded("a"), recorded("b", 1.8, hot_end="long")])
    page = render(analysis, build(analysis, "invented"))
    for text in ("flow limits side by side", "Flow limits side by side", "governed by"):
        assert text in page
    assert "even surface" in page
    assert "about 11 K" in page


def test_every_temperature_by_flow_states_its_interval() -> None:
    (named,) = fitted(recorded("a"))
    melted = section(named, None)
    for row in (*melted.minimum_temperature, *melted.even_surface):
        assert row.low_C is not None
        assert row.high_C is not None
        assert row.low_C <= row.temperature_C <= row.high_C
    floors = [row.low_C for row in melted.minimum_temperature if row.validity == FLOOR]
    assert set(floors) <= {named.fit.feed_C}
    even = next(table for table in tables([named], None) if table.caption.startswith("even"))
    assert even.heads == ("mm³/s", "°C", "interval", "")
    assert all("to" in row[2] for row in even.rows)


def test_pictures_have_a_text_and_say_how_steep_the_limit_is() -> None:
    found = fitted(recorded("a"), recorded("b", 1.8, hot_end="long"))
    pictures = list(flow_pictures(found))
    assert [shown.title.split(":")[0] for shown in pictures] == [
        "Temperature by flow",
        "Temperature by flow",
        "Flow limits side by side",
    ]
    assert STEEPNESS in pictures[0].caption
    assert len(list(flow_pictures(found[:1]))) == 1


def test_two_kinds_of_evidence_show_their_left_out_entries_once() -> None:
    from dataclasses import replace

    run = recorded("a", bonds=True)
    shots = [replace(run.extrusions[0], delivered_mass_g=0.0, bond_force_N=0.0)]
    shots += run.extrusions[1:]
    melts = fitted(replace(run, extrusions=shots))
    left_out = [table for table in tables(melts, None) if table.caption == "weighings left out"]
    assert len(left_out) == 1
    assert [row[:3] for row in left_out[0].rows] == [
        ("a", "1", "delivered mass"),
        ("a", "1", "bond force"),
    ]


def test_sections_are_given_for_all_pulled_samples_or_none() -> None:
    run = recorded("a", bonds=True)
    from dataclasses import replace

    shots = [replace(run.extrusions[0], bond_section_mm2=None), *run.extrusions[1:]]
    heard: list[str] = []
    fit_each([replace(run, extrusions=shots)], lambda what, error: heard.append(f"{what}: {error}"))
    assert heard[0].startswith("melt (bond force): extrusion 0: some pulled samples have a section")
