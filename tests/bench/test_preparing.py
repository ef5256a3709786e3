"""What panel and notebooks share: the printer as it is stated, the test, the next folder."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.bench.preparing import Setup, fault_level_K, next_folder
from hotbench.core.errors import BadInput
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.ramps import RampTest
from hotbench.sim.printers import PRINTERS

SIMULATED, REAL = "sim:swift-sleeve", "/dev/ttyUSB0"
MACHINE = """hotbench_machine: 1
baud: 250000
limit_temperature_C: 230
filament_diameter_mm: 2.85
quick_stop: true
"""


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    file = tmp_path / "machine-file.yaml"
    file.write_text(MACHINE)
    return file


def test_without_a_machine_file_the_links_defaults_hold() -> None:
    link = Setup(port=REAL).link(seed=4)
    assert (link.port, link.baud, link.limit_temperature_C, link.seed) == (REAL, 115200, 260.0, 4)
    assert link.profile is None


def test_the_machine_file_fills_in_what_is_not_stated(machine: Path) -> None:
    setup = Setup(port=REAL, machine=machine)
    assert (setup.link().baud, setup.link().limit_temperature_C) == (250000, 230.0)
    assert setup.link().machine.quick_stop
    assert setup.about().filament_diameter_mm == 2.85
    assert Setup(port=REAL, machine=machine, limit_temperature_C=245.0).link() != setup.link()


def test_what_is_stated_wins_over_the_machine_file(machine: Path) -> None:
    link = Setup(port=REAL, machine=machine, limit_temperature_C=245.0).link()
    assert (link.baud, link.limit_temperature_C) == (250000, 245.0)


def test_the_filament_of_the_machine_file_reaches_the_test(machine: Path) -> None:
    made = Setup(port=SIMULATED, machine=machine).prepare("extrude", {"temperatures_C": (220.0,)})
    assert isinstance(made, ExtrudeTest)
    assert made.filament_diameter_mm == 2.85


@given(st.floats(100.0, 300.0), st.floats(100.0, 300.0))
def test_nothing_is_prepared_that_goes_above_the_limit(to_C: float, limit_C: float) -> None:
    setup = Setup(port=SIMULATED, limit_temperature_C=limit_C)
    if to_C <= limit_C:
        made = setup.prepare("hold", {"temperature_C": to_C})
        assert setup.plan_of(made).max_temperature_C == to_C
    else:
        with pytest.raises(BadInput, match="above the temperature limit"):
            setup.prepare("hold", {"temperature_C": to_C})


def test_the_machine_files_limit_is_kept_too(machine: Path) -> None:
    with pytest.raises(BadInput, match="230"):
        Setup(port=SIMULATED, machine=machine).prepare("hold", {"temperature_C": 240.0})


@pytest.mark.parametrize(
    ("test", "settings", "told"),
    [
        ("hold", {"temperatur_C": 220.0}, "did you mean 'temperature_C'"),
        ("hold", {"temperature_C": -300.0}, "temperature_C"),
        ("holt", {}, "holt"),
    ],
)
def test_a_wrong_test_or_option_is_named(test: str, settings: dict[str, float], told: str) -> None:
    with pytest.raises(BadInput, match=told):
        Setup(port=SIMULATED).prepare(test, settings)


def test_an_unusable_machine_file_is_named_before_anything_else(tmp_path: Path) -> None:
    file = tmp_path / "m.yaml"
    file.write_text("hotbench_machine: 1\nbuad: 9600\n")
    with pytest.raises(BadInput, match=r"m\.yaml line 2.*did you mean 'baud'"):
        Setup(port=SIMULATED, machine=file).prepare("hold", {})


@pytest.mark.parametrize("name", PRINTERS)
def test_a_simulated_board_states_its_fault_level_and_a_real_one_does_not(name: str) -> None:
    assert fault_level_K(f"sim:{name}") == PRINTERS[name].fault_deviation_K
    assert fault_level_K(REAL) is None
    assert fault_level_K(REAL, 12.0) == fault_level_K(f"sim:{name}", 12.0) == 12.0


def test_a_ladder_is_told_the_fault_level_unless_it_was_given() -> None:
    near, far = (
        Setup(port=SIMULATED, fault_deviation_K=level_K).prepare("ramp", {})
        for level_K in (6.0, 12.0)
    )
    assert isinstance(near, RampTest)
    assert isinstance(far, RampTest)
    assert far.abandon_deviation_K == pytest.approx(2.0 * near.abandon_deviation_K)
    given_K = Setup(port=SIMULATED).prepare("ramp", {"fault_deviation_K": 6.0})
    assert isinstance(given_K, RampTest)
    assert given_K.abandon_deviation_K == near.abandon_deviation_K


def test_folders_are_numbered_from_the_first_that_is_free(tmp_path: Path) -> None:
    for made in ("hold-1", "hold-2", "hold-4", "step-1"):
        (tmp_path / made).mkdir()
    assert next_folder(tmp_path, "hold").name == "hold-3"
    assert next_folder(tmp_path, "dip").name == "dip-1"
    assert next_folder(tmp_path / "none", "dip") == tmp_path / "none" / "dip-1"
    assert not (tmp_path / "none").exists()
