"""An extrusion session taken up after a break."""

from pathlib import Path

import pytest

from hotbench.bench.recording import RunOptions
from hotbench.bench.resuming import continued
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.fitting.flow_choice import FlowPlan, next_extrusion
from hotbench.procedures.extrusions import ExtrudeTest
from hotbench.procedures.steps import HoldTest
from hotbench.store.writer import RunWriter

ABOUT = RunOptions(material="PLA")
TEST = ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(4.0, 8.0), max_weighings=10)
DONE = (Extrusion(200.0, 2.0, 100.0, 0.298), Extrusion(200.0, 4.0, 100.0, 0.297))


def stored(folder: Path, extrusions: tuple[Extrusion, ...], **about: object) -> Path:
    info = RunInfo(
        run_id=folder.name, procedure="extrude", created="", **{"material": "PLA", **about}
    )
    writer = RunWriter(folder, info)
    writer.on_sample(Sample(0.0, 200.0))
    for extrusion in extrusions:
        writer.on_extrusion(extrusion)
    writer.close()
    return folder


def test_what_was_weighed_counts(tmp_path: Path) -> None:
    made = continued(TEST, ABOUT, [stored(tmp_path / "a", DONE)])
    assert isinstance(made, ExtrudeTest)
    assert made.done == DONE
    assert "2 weighings" in " ".join(made.plan().lines)


def test_several_parts_of_a_session_add_up(tmp_path: Path) -> None:
    parts = [stored(tmp_path / name, DONE[i : i + 1]) for i, name in enumerate("ab")]
    assert continued(TEST, ABOUT, parts).done == DONE


def test_the_adaptive_choice_goes_on_from_there(tmp_path: Path) -> None:
    made = continued(TEST, ABOUT, [stored(tmp_path / "a", DONE)])
    choice = next_extrusion(made.done, FlowPlan(temperatures_C=(200.0,)))
    assert choice is not None
    assert choice.flow_mm3_per_s == pytest.approx(1.4 * 4.0)
    assert choice.reason == "climb to the loss"


@pytest.mark.parametrize(
    ("about", "name"),
    [
        ({"material": "PETG"}, "material"),
        ({"filament_diameter_mm": 2.85}, "filament_diameter_mm"),
        ({"filament_density_g_per_cm3": 1.3}, "filament_density_g_per_cm3"),
    ],
)
def test_another_filament_is_refused(tmp_path: Path, about: dict[str, object], name: str) -> None:
    with pytest.raises(BadInput, match=f"another {name}"):
        continued(TEST, ABOUT, [stored(tmp_path / "a", DONE, **about)])


def test_only_extrusions_are_continued(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="only an extrusion test"):
        continued(HoldTest(), ABOUT, [tmp_path])
    with pytest.raises(BadInput, match="run has no extrusions"):
        continued(TEST, ABOUT, [stored(tmp_path / "empty", ())])
