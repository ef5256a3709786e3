"""However a recording ends, its run is closed and readable and the heater is off."""

import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hotbench.bench.connecting import Line, LinkOptions, _checked, check_printer, connected
from hotbench.bench.recording import (
    Counter,
    RecordingEnded,
    RunOptions,
    record,
    record_from_options,
)
from hotbench.core.errors import BadInput, FellShort, Stopped
from hotbench.core.records import Event, Extrusion, Sample
from hotbench.link.client import Printer
from hotbench.procedures.steps import HoldTest
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.mischief import TroubledPrinter, kind_named
from hotbench.sim.printers import PRINTERS
from hotbench.store.checking import verify
from hotbench.store.reader import read_run

LINK = LinkOptions(port="sim:swift-sleeve", seed=9401)
HOLD = HoldTest(temperature_C=150.0, duration_s=20.0)


@pytest.fixture
def board() -> SimulatedPrinter:
    return SimulatedPrinter(PRINTERS["swift-sleeve"], 9401)


def line_to(board: SimulatedPrinter) -> Line:
    return Line(board.transport(), board.scale, ())


def last_heat_command(folder: Path) -> str:
    commands = [e.text for e in read_run(folder).events if e.kind == "command"]
    return [text for text in commands if text.startswith("M104")][-1]


class Spoiler:
    """Implements `core.ports.Observer`; raises an error at a sample."""

    def __init__(self, error: BaseException, at: int = 40) -> None:
        self.error, self.left = error, at

    def on_sample(self, sample: Sample) -> None:
        self.left -= 1
        if self.left == 0:
            raise self.error

    def on_event(self, event: Event) -> None:
        pass

    def on_extrusion(self, extrusion: Extrusion) -> None:
        pass


def test_a_complete_run(board: SimulatedPrinter, tmp_path: Path) -> None:
    told: list[tuple[float, str]] = []
    about = RunOptions(ambient_C=22.0, note="first", material="invented")
    result = record(
        HOLD,
        line_to(board),
        LINK,
        tmp_path / "run",
        about,
        step=lambda share, text: told.append((share, text)),
    )
    stored = read_run(tmp_path / "run")
    assert result.plain()["outcome"] == stored.outcome == "complete"
    assert "heater off" in told.pop()[1]
    assert result.plain()["samples"] == len(stored) == len(told)
    assert (stored.info.ambient_C, stored.info.note) == (22.0, "first")
    assert stored.info.simulated
    assert max(share for share, _ in told) <= 1.0
    assert board.target_C == 0.0


def test_remarks_are_shown_until_the_next_reading() -> None:
    shown: list[tuple[float, str]] = []
    counter = Counter(100.0, lambda share, text: shown.append((share, text)))
    counter.on_sample(Sample(25.0, 201.0, phase="hold 220"))
    counter.on_event(Event(25.5, "note", "the line is lost: switch the machine off"))
    counter.on_event(Event(25.6, "command", "M104 S0"))
    assert shown == [
        (0.25, "hold 220  201.0 °C"),
        (0.25, "the line is lost: switch the machine off"),
    ]


def test_a_stop(board: SimulatedPrinter, tmp_path: Path) -> None:
    def stop() -> bool:
        return board.now_s > 6.0

    with pytest.raises(RecordingEnded, match="confirmed by the board; run kept") as caught:
        record(HOLD, line_to(board), LINK, tmp_path / "run", stop=stop)
    assert caught.value.exit_code == Stopped.exit_code
    stored = read_run(tmp_path / "run")
    assert stored.outcome == "stopped"
    assert len(stored) > 10
    assert verify(tmp_path / "run").problems == ()
    assert board.target_C == 0.0


def test_a_fault(board: SimulatedPrinter, tmp_path: Path) -> None:
    troubled = TroubledPrinter(board, kind_named("tracking fault"), at_s=6.0)
    line = Line(troubled.transport(), board.scale, ())
    with pytest.raises(RecordingEnded, match="run kept") as caught:
        record(HOLD, line, LINK, tmp_path / "run")
    assert caught.value.exit_code == 1
    stored = read_run(tmp_path / "run")
    assert stored.outcome == "faulted"
    assert [event for event in stored.events if event.kind == "fault"]
    assert board.target_C == 0.0


@pytest.mark.parametrize("error", [ValueError("a defect"), KeyboardInterrupt(), SystemExit(1)])
def test_an_observer_that_fails(
    error: BaseException, board: SimulatedPrinter, tmp_path: Path
) -> None:
    with pytest.raises(type(error)):
        record(HOLD, line_to(board), LINK, tmp_path / "run", observers=[Spoiler(error)])
    assert board.target_C == 0.0
    assert last_heat_command(tmp_path / "run") == "M104 S0"
    assert read_run(tmp_path / "run").outcome in ("cut off", "stopped")


@contextmanager
def full_disk(size_bytes: int) -> Iterator[None]:
    """Files that cannot grow beyond a size: the system refuses the write as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk(board: SimulatedPrinter, tmp_path: Path) -> None:
    record(HOLD, line_to(board), LINK, tmp_path / "warm")
    with full_disk(6000), pytest.raises(RecordingEnded, match="recording failed") as caught:
        record(HOLD, line_to(board), LINK, tmp_path / "run")
    assert caught.value.exit_code == 1
    assert "heater off, confirmed by the board" in str(caught.value)
    assert board.target_C == 0.0
    stored = read_run(tmp_path / "run")
    assert stored.outcome == "cut off"
    assert len(stored) > 20


def test_a_hot_plan_is_refused_before_anything(tmp_path: Path) -> None:
    asked: list[object] = []
    given = {"port": "sim:swift-sleeve", "out": tmp_path / "run", "temperature_C": 290.0}
    with pytest.raises(BadInput, match="limit"):
        record_from_options("hold", given, confirm=asked.append, prompt=lambda text: "")
    assert asked == []
    assert not (tmp_path / "run").exists()


def test_masses_of_the_simulated_pan(tmp_path: Path) -> None:
    given = {
        "port": "sim:swift-sleeve",
        "out": tmp_path / "run",
        "temperatures_C": (220.0,),
        "flows_mm3_per_s": (5.0,),
        "length_mm": 20.0,
        "scale": "prompt",
        "material": "invented",
    }
    facts = record_from_options(
        "extrude", given, confirm=lambda plan: None, prompt=lambda text: ""
    ).plain()
    stored = read_run(tmp_path / "run")
    assert facts["extrusions"] == len(stored.extrusions) == 3
    # 20 mm of 1.75 mm filament at 1.24 g/cm³: 0.0597 g, delivered at 0.985 within 1 % noise.
    for shot in stored.extrusions:
        assert shot.delivered_mass_g == pytest.approx(0.0597 * 0.985, rel=0.06)
    assert stored.info.material == "invented"


def test_masses_later_need_fixed_flows(tmp_path: Path) -> None:
    given = {"port": "sim:swift-sleeve", "out": tmp_path / "run", "scale": "later"}
    with pytest.raises(BadInput, match="--flows"):
        record_from_options("extrude", given, confirm=lambda plan: None, prompt=lambda text: "")
    fixed = {**given, "temperatures_C": (220.0,), "flows_mm3_per_s": (5.0,), "length_mm": 5.0}
    record_from_options("extrude", fixed, confirm=lambda plan: None, prompt=lambda text: "")
    assert {e.delivered_mass_g for e in read_run(tmp_path / "run").extrusions} == {None}


def test_the_connection_check() -> None:
    result = check_printer(LINK, confirm=lambda plan: None)
    assert result.shortfall is None
    facts = result.plain()
    assert facts["heater"]["rise_s"] > 0.0
    assert facts["line"]["reports_duty"] is True


def test_lines_are_closed(tmp_path: Path) -> None:
    with connected(LINK) as line:
        pass
    with pytest.raises(Exception, match="closed"):
        line.transport.write(b"M105\n")


def test_a_check_that_ends_early_tells_about_the_heater(board: SimulatedPrinter) -> None:
    troubled = TroubledPrinter(board, kind_named("tracking fault"), at_s=3.0)
    printer = Printer(troubled.transport())
    with pytest.raises(FellShort, match=r"control board fault.*; heater off, confirmed"):
        _checked(printer, 60.0)
    assert board.target_C == 0.0
    dead = Printer(TroubledPrinter(board, kind_named("cable cut"), at_s=board.now_s).transport())
    with pytest.raises(FellShort) as caught:
        _checked(dead, 60.0)
    assert "heater" not in str(caught.value)
