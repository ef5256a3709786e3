"""Which pictures a comparison gets, and what its picture of changes shows."""

from pathlib import Path
from typing import Any

import pytest

from hotbench.bench.compare_pictures import MOST_CHANGES, changes_figure, pictures
from hotbench.profile.diff import Comparison, compare
from hotbench.profile.types import MachineProfile
from hotbench.profile.yaml_io import read_profile

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


@pytest.fixture(scope="module")
def before() -> MachineProfile:
    return read_profile(EXAMPLE)


@pytest.fixture(scope="module")
def after(before: MachineProfile) -> MachineProfile:
    """The example with half the flow limit at 220 degrees, and much slower from cold there."""
    assert before.melt is not None
    assert before.heater is not None
    *others, last = before.melt.flow_limit
    less = {"flow_mm3_per_s": 7.8, "low_mm3_per_s": 7.5, "high_mm3_per_s": 8.1}
    melt = before.melt.model_copy(update={"flow_limit": (*others, last.model_copy(update=less))})
    slow = {"rate_K_per_s": 9.0, "low_K_per_s": 8.8, "high_K_per_s": 9.2}
    rates = [
        row.model_copy(update=slow) if row.temperature_C == 220.0 and row.start == "cold" else row
        for row in before.heater.heating_rate
    ]
    heater = before.heater.model_copy(update={"heating_rate": tuple(rates)})
    return before.model_copy(update={"melt": melt, "heater": heater})


def shown(found: Comparison) -> list[str]:
    (axes,) = changes_figure(found).axes
    return [label.get_text() for label in axes.get_yticklabels()]


def test_what_is_beyond_chance_stands_on_top_in_plain_words(
    before: MachineProfile, after: MachineProfile
) -> None:
    labels = shown(compare(before, after))
    assert labels[:2] == ["heats, 220 °C, cold", "melts up to, 220 °C"]
    assert "sensor lag and dead time" in labels


def test_one_row_stands_for_a_table(before: MachineProfile, after: MachineProfile) -> None:
    """The row nearest to a usual print; effective parameters of the model are no news to people."""
    labels = shown(compare(before, after))
    assert len([label for label in labels if label.startswith("melts up to")]) == 1
    assert not [label for label in labels if "parameters" in label or "falloff" in label]
    assert len(labels) == len(set(labels)) <= MOST_CHANGES


def test_profiles_get_their_changes_and_the_curves_that_both_state(
    before: MachineProfile, after: MachineProfile
) -> None:
    drawn = list(pictures(before, after, ((), ()), compare(before, after)))
    assert [one.title for one in drawn] == ["Changes", "Heating from cold", "Flow limit"]
    for one in drawn:
        assert one.caption in one.svg
        assert one.svg.startswith('<svg role="img"')


@pytest.mark.parametrize("section", ["heater", "melt"])
def test_a_section_that_one_side_lacks_is_not_drawn(
    section: str, before: MachineProfile, after: MachineProfile
) -> None:
    lacking = after.model_copy(update={section: None})
    titles = [p.title for p in pictures(before, lacking, ((), ()), compare(before, lacking))]
    assert ("Flow limit" in titles) == (section == "heater")
    assert ("Heating from cold" in titles) == (section == "melt")


def test_nothing_in_common_gives_no_pictures(before: MachineProfile) -> None:
    parts: dict[str, Any] = {"heater": None, "melt": None, "control": None, "slew": (), "dips": ()}
    bare = before.model_copy(update=parts)
    assert list(pictures(before, bare, ((), ()), compare(before, bare))) == []
    assert shown(compare(before, bare)) == []
