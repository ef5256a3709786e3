"""Times of plans by a profile's own rates."""

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.bench.analysis import FitOptions
from hotbench.bench.connecting import connected
from hotbench.bench.durations import SLOWEST_SHARE, MeasuredPace, Rates, pace_from
from hotbench.bench.lab import Bench
from hotbench.bench.preparing import Setup, next_folder
from hotbench.bench.profiling import build_file
from hotbench.bench.recording import record
from hotbench.bench.session import Request
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.procedures.plan import ASSUMED, ASSUMED_PACE
from hotbench.procedures.steps import StepTest
from hotbench.profile.types import (
    CoolingRate,
    Heater,
    HeatingRate,
    Machine,
    MachineProfile,
    Provenance,
)
from hotbench.profile.yaml_io import write_profile
from hotbench.store.reader import read_run

AMBIENT_C, LOSS_per_s = 20.0, 0.01
TEMPERATURES_C = (100.0, 150.0, 200.0, 240.0)


def cooling(fan: float, loss_per_s: float) -> Rates:
    """Newton's law of cooling as a table."""
    return Rates(TEMPERATURES_C, tuple(loss_per_s * (at_C - AMBIENT_C) for at_C in TEMPERATURES_C))


def pace() -> MeasuredPace:
    return MeasuredPace(
        heating=Rates((100.0, 200.0), (4.0, 2.0)),
        cooling={0.0: cooling(0.0, LOSS_per_s), 1.0: cooling(1.0, 3.0 * LOSS_per_s)},
        ambient_C=AMBIENT_C,
    )


def newton_s(from_C: float, to_C: float, loss_per_s: float = LOSS_per_s) -> float:
    return math.log((from_C - AMBIENT_C) / (to_C - AMBIENT_C)) / loss_per_s


@pytest.mark.parametrize("to_C", [200.0, 100.0, 50.0])
def test_a_cooling_table_of_newtons_law_gives_its_logarithm(to_C: float) -> None:
    assert pace().move_s(240.0, to_C) == pytest.approx(newton_s(240.0, to_C), rel=0.002)
    faster_s = newton_s(240.0, to_C, 3.0 * LOSS_per_s)
    assert pace().move_s(240.0, to_C, 1.0) == pytest.approx(faster_s, rel=0.002)


def test_heating_is_the_integral_of_the_table() -> None:
    # dT/dt = 6 - T/50 between the rows: t = 50 ln(4/2)
    assert pace().move_s(100.0, 200.0) == pytest.approx(50.0 * math.log(2.0), rel=0.001)
    assert pace().move_s(25.0, 100.0) == pytest.approx(75.0 / 4.0)
    assert pace().move_s(200.0, 240.0) == pytest.approx(40.0 / 2.0)


def test_a_fan_beyond_those_measured_is_not_extrapolated() -> None:
    still = MeasuredPace(cooling={0.0: cooling(0.0, LOSS_per_s)}, ambient_C=AMBIENT_C)
    assert still.move_s(240.0, 100.0, 1.0) == still.move_s(240.0, 100.0)


def test_what_is_not_measured_is_assumed() -> None:
    bare = MeasuredPace()
    assert bare.move_s(25.0, 240.0) == ASSUMED_PACE.move_s(25.0, 240.0)
    assert bare.move_s(240.0, 50.0, 0.5) == ASSUMED_PACE.move_s(240.0, 50.0, 0.5)


@given(st.floats(0.0, 300.0), st.floats(0.0, 300.0), st.floats(0.0, 1.0))
def test_every_move_takes_a_finite_time_and_two_parts_the_time_of_the_whole(
    from_C: float, to_C: float, fan: float
) -> None:
    whole_s = pace().move_s(from_C, to_C, fan)
    assert 0.0 <= whole_s <= abs(to_C - from_C) / (SLOWEST_SHARE * 0.8) + 1e-9
    if abs(to_C - from_C) > 1.0:
        assert whole_s > 0.0
        middle_C = (from_C + to_C) / 2.0
        parts_s = pace().move_s(from_C, middle_C, fan) + pace().move_s(middle_C, to_C, fan)
        assert parts_s == pytest.approx(whole_s, rel=0.05, abs=0.5)


@given(st.floats(101.0, 240.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_more_fan_never_takes_longer(from_C: float, one: float, other: float) -> None:
    slow, fast = sorted((one, other))
    assert pace().move_s(from_C, 100.0, fast) <= pace().move_s(from_C, 100.0, slow) + 1e-9


def written(file: Path, heater: Heater | None) -> Path:
    about = Provenance(software_version="0", date="2026-01-01T00:00:00Z")
    machine = Machine(name="slow block")
    write_profile(MachineProfile(machine=machine, heater=heater, provenance=about), file)
    return file


def rate(value: float) -> Quantity:
    return Quantity(value=value, unit="K/s", basis="fitted")


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    """A slow hot end: a third of a kelvin a second up, and twice that down with the fan."""
    heater = Heater(
        model="second-order",
        ambient=Quantity(value=AMBIENT_C, unit="°C", basis="assumed"),
        heating_rate=(
            HeatingRate.of(rate(0.33), temperature_C=200.0, start="cold"),
            HeatingRate.of(rate(9.0), temperature_C=200.0, start="hold 150 °C"),
        ),
        cooling_rate=(
            CoolingRate.of(rate(0.0), temperature_C=60.0, fan=0.0),
            CoolingRate.of(rate(0.5), temperature_C=150.0, fan=0.0),
            CoolingRate.of(rate(1.0), temperature_C=150.0, fan=1.0),
        ),
    )
    return written(tmp_path / "machine.yaml", heater)


def test_a_profile_gives_its_rates_from_cold_and_by_fan(profile: Path) -> None:
    known = pace_from(profile)
    assert known.move_s(100.0, 101.0) == pytest.approx(1.0 / 0.33)
    assert known.move_s(200.0, 150.0, 0.0) == pytest.approx(100.0)
    assert known.move_s(200.0, 150.0, 1.0) == pytest.approx(50.0)


def test_a_plan_by_a_profile_does_not_speak_of_assumed_rates(profile: Path) -> None:
    assert ASSUMED in StepTest().plan(pace_from(None)).lines
    assert ASSUMED not in StepTest().plan(pace_from(profile)).lines


def test_panel_and_notebook_plan_by_the_profile_that_they_are_given(profile: Path) -> None:
    port = "sim:plain-block"
    by_rates_s = StepTest(fans=(0.0,)).plan(pace_from(profile)).duration_s
    settings = {"fans": (0.0,)}
    request = Request(port=port, test="step", settings=settings, machine_profile=profile)
    assert request.plan().duration_s == by_rates_s > 2.0 * StepTest(fans=(0.0,)).plan().duration_s
    shown = Bench(port=port, machine_profile=profile).plan("step", **settings)
    assert "assumes" not in shown._repr_html_()


def test_a_profile_without_a_heater_leaves_the_time_assumed(tmp_path: Path) -> None:
    assert pace_from(written(tmp_path / "m.yaml", None)) is ASSUMED_PACE
    with pytest.raises(BadInput, match=r"none\.yaml"):
        pace_from(tmp_path / "none.yaml")


PRINTERS = (
    "swift-sleeve",
    pytest.param("plain-block", marks=pytest.mark.slow),
    pytest.param("long-melt", marks=pytest.mark.slow),
)
MEASURED: Mapping[str, Mapping[str, Any]] = {
    "step": {"fans": (0.0, 0.5, 1.0)},
    "extrude": {"length_mm": 40.0},
}
TESTS: Mapping[str, tuple[str, Mapping[str, Any]]] = {
    "step": ("step", {"fans": (0.0, 1.0)}),
    "short step": ("step", {"to_C": (200.0, 240.0), "fans": (0.0,), "dip": None}),
    "ladder": ("ramp", {}),
    "listed ramps": ("ramp", {"rates_K_per_s": (0.4, 0.8, 1.2)}),
    "dip": ("dip", {}),
    "hold": ("hold", {"duration_s": 20.0}),
    "chosen flows": ("extrude", {}),
    "listed flows": ("extrude", {"temperatures_C": (210.0, 230.0), "flows_mm3_per_s": (4.0, 6.0)}),
    "jumps": ("jump", {"sizes_K": (3.0, 5.0, 6.0)}),
    "repetition": ("repeat", {"count": 2, "cooling_rate_K_per_s": 0.3}),
    "verify": ("verify", {}),
    "relay": ("relay", {}),
}
WITHIN = 0.15
WIDEST = 2.7
"""A stated range is no wider than this, high end over low end; a relay's bound is its own limit."""


@pytest.fixture(scope="module", params=PRINTERS)
def known(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Setup:
    """A simulated printer with a profile of its own."""
    at = tmp_path_factory.mktemp("known")
    setup = Setup(port=f"sim:{request.param}")
    folders = [recorded(setup, name, settings, at) for name, settings in MEASURED.items()]
    build_file(folders, at / "machine.yaml", FitOptions())
    return replace(setup, machine_profile=at / "machine.yaml")


def recorded(setup: Setup, test: str, settings: Mapping[str, Any], at: Path) -> Path:
    """A run of a test in virtual time; the profile takes no part in it."""
    made, link = replace(setup, machine_profile=None).prepare(test, settings), setup.link(811)
    folder = next_folder(at, test)
    with connected(link) as line:
        record(made, line, replace(link, profile=None), folder, setup.about())
    return folder


@pytest.mark.parametrize("case", TESTS)
def test_stated_durations_hold_on_every_printer(known: Setup, case: str, tmp_path: Path) -> None:
    test, settings = TESTS[case]
    took_s = read_run(recorded(known, test, settings, tmp_path)).time_s[-1]
    plan = known.plan_of(known.prepare(test, settings))
    low_s, high_s = plan.range_s
    assert low_s <= plan.duration_s <= high_s
    assert high_s <= WIDEST * low_s or test == "relay"
    if plan.minutes.startswith("about"):
        assert took_s == pytest.approx(plan.duration_s, rel=WITHIN, abs=3.0)
    assert (1.0 - WITHIN) * low_s <= took_s <= (1.0 + WITHIN) * high_s
    blind = replace(known, machine_profile=None)
    widely_s = blind.plan_of(blind.prepare(test, settings)).range_s
    assert (1.0 - WITHIN) * widely_s[0] <= took_s <= (1.0 + WITHIN) * widely_s[1]
