"""A session: worker thread, stop, weighing, what a person is told."""

import math
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hotbench.bench.advice import LOST, STOPPED, WATCHED, advice_for
from hotbench.bench.connecting import LinkOptions, connected
from hotbench.bench.pacing import FORGIVEN_s, PacedTransport
from hotbench.bench.session import Request, Session, session_for
from hotbench.core.errors import BadInput, LinkLost, Stopped, WatchTripped
from hotbench.core.records import Event
from hotbench.store.checking import list_runs, recover, verify
from hotbench.store.reader import read_run

PORT = "sim:swift-sleeve"
LONG_s = 30.0


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    made = Session(tmp_path)
    yield made
    made.close()


def hold(speed: float = 0.0, **settings: float) -> Request:
    return Request(port=PORT, test="hold", settings=settings, speed=speed)


def until(true: Callable[[], bool]) -> None:
    end_s = time.monotonic() + LONG_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.005)
    assert true()


def test_a_test_runs_to_its_end_and_every_sample_shown_is_on_disk(session: Session) -> None:
    folder = session.start(hold(duration_s=10.0))
    assert session.wait(LONG_s)
    status, run = session.status, read_run(folder)
    assert (status.state, run.outcome) == ("done", "complete")
    assert session.samples()[1].tolist() == pytest.approx(run.temperature_C.tolist())
    assert "Heater off, confirmed" in status.message
    assert verify(folder).intact


def test_a_stop_acts_within_three_tenths_of_a_second(session: Session) -> None:
    folder = session.start(hold(speed=1.0))
    until(lambda: len(session.samples()[0]) > 3)
    asked_s = time.monotonic()
    session.stop()
    assert session.wait(LONG_s)
    assert time.monotonic() - asked_s < 0.3
    assert (session.status.state, session.status.advice) == ("stopped", STOPPED)
    assert read_run(folder).outcome == "stopped"


def test_what_the_link_remarks_is_told_while_the_test_goes_on(session: Session) -> None:
    session.start(hold(speed=1.0))
    session.on_event(Event(1.0, "note", "the line is lost: switch the machine off"))
    assert session.status.message == "The line is lost: switch the machine off."
    session.stop()


def test_only_one_test_at_a_time(session: Session) -> None:
    session.start(hold(speed=1.0))
    with pytest.raises(BadInput, match="busy"):
        session.start(hold())


def test_runs_are_numbered_and_nothing_is_overwritten(session: Session) -> None:
    names = []
    for _ in range(2):
        names.append(session.start(hold(duration_s=1.0)).name)
        session.wait(LONG_s)
    assert names == ["hold-1", "hold-2"]


def test_a_plan_beyond_the_limit_is_refused_before_anything_is_made(session: Session) -> None:
    request = Request(port=PORT, test="hold", settings={"temperature_C": 250.0})
    with pytest.raises(BadInput, match="above the temperature limit"):
        session.start(Request(**{**vars(request), "limit_temperature_C": 240.0}))
    assert not list(session.root.iterdir())


def test_a_port_that_does_not_open_is_told(session: Session) -> None:
    session.start(Request(port="socket://127.0.0.1:9", test="hold"))
    assert session.wait(LONG_s)
    status = session.status
    assert status.state == "fell short"
    assert "127.0.0.1:9" in status.message
    assert status.advice


def test_masses_are_asked_for_and_kept(session: Session) -> None:
    settings = {"temperatures_C": (220.0,), "flows_mm3_per_s": (5.0,), "length_mm": 20.0}
    folder = session.start(
        Request(port=PORT, test="extrude", settings=settings, speed=0.0, weighing="by hand")
    )
    for answer in ("0,059", "", "0.058"):
        until(lambda: bool(session.status.question) or not session.status.active)
        session.weigh(answer)
    assert session.wait(LONG_s)
    masses = [e.delivered_mass_g for e in read_run(folder).extrusions]
    assert masses == [pytest.approx(0.059), None, pytest.approx(0.058)]
    assert [e.delivered_mass_g for e in session.status.extrusions] == masses


def test_a_stop_ends_the_wait_for_a_mass(session: Session) -> None:
    settings = {"temperatures_C": (220.0,), "flows_mm3_per_s": (5.0,), "length_mm": 20.0}
    session.start(
        Request(port=PORT, test="extrude", settings=settings, speed=0.0, weighing="by hand")
    )
    until(lambda: bool(session.status.question))
    session.stop()
    assert session.wait(LONG_s)
    assert (session.status.state, session.status.question) == ("stopped", "")


def test_a_mass_in_milligrams_is_asked_for_again_and_stays_in_the_record(session: Session) -> None:
    settings = {"temperatures_C": (220.0,), "flows_mm3_per_s": (5.0,), "length_mm": 20.0}
    folder = session.start(
        Request(port=PORT, test="extrude", settings=settings, speed=0.0, weighing="by hand")
    )
    for answer, wanted in (
        ("59", "mass of"),
        ("0.059", "if these were mg"),
        ("", "mass"),
        ("", ""),
    ):
        until(lambda: bool(session.status.question) or not session.status.active)
        assert wanted in session.status.question
        session.weigh(answer)
    assert session.wait(LONG_s)
    run = read_run(folder)
    assert [e.delivered_mass_g for e in run.extrusions] == [pytest.approx(0.059), None, None]
    assert any("mass '59' asked for again" in event.text for event in run.events)


def test_an_extrusion_is_kept_where_a_stop_ends_the_wait_for_its_mass(session: Session) -> None:
    settings = {"temperatures_C": (220.0,), "flows_mm3_per_s": (5.0,), "length_mm": 20.0}
    folder = session.start(
        Request(port=PORT, test="extrude", settings=settings, speed=0.0, weighing="by hand")
    )
    until(lambda: bool(session.status.question))
    session.weigh("0.058")
    until(lambda: bool(session.status.extrusions) and bool(session.status.question))
    session.stop()
    assert session.wait(LONG_s)
    assert [e.delivered_mass_g for e in read_run(folder).extrusions] == [0.058, None]


def test_what_is_no_mass_is_refused(session: Session) -> None:
    with pytest.raises(BadInput, match="not a mass"):
        session.weigh("a little")


def test_the_check_reports_what_it_found(session: Session) -> None:
    session.check(hold())
    assert session.wait(LONG_s)
    assert session.status.message == "Check passed."
    assert dict(session.status.findings)["firmware"]


def test_a_new_panel_finds_the_session_of_its_folder(tmp_path: Path) -> None:
    assert session_for(tmp_path) is session_for(tmp_path / "x" / "..")
    assert session_for(tmp_path) is not session_for(tmp_path / "other")


@pytest.mark.parametrize(
    ("cause", "advice"),
    [(Stopped("x"), STOPPED), (WatchTripped("x"), WATCHED), (LinkLost("x"), LOST)],
)
def test_advice_follows_the_cause(cause: Exception, advice: str) -> None:
    wrapped = RuntimeError("recording ended")
    wrapped.__cause__ = cause
    assert advice_for(cause) == advice_for(wrapped) == advice


class Wall:
    """A wall clock that moves only by naps and by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.naps: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    def nap(self, seconds: float) -> None:
        self.naps.append(seconds)
        self.now_s += seconds


def test_a_paced_line_keeps_to_the_wall_clock() -> None:
    wall = Wall()
    with connected(LinkOptions(port=PORT)) as line:
        paced = PacedTransport(line.transport, 10.0, wall, wall.nap)
        begin_s = paced.now_s()
        for _ in range(50):
            paced.read(paced.now_s() + 0.1)
        board_s = paced.now_s() - begin_s
        assert wall.now_s - 100.0 == pytest.approx(board_s / 10.0)
        wall.now_s += FORGIVEN_s + 5.0  # the computer slept: the board must not race to catch up
        paced.read(paced.now_s() + 0.1)
        paced.read(paced.now_s() + 0.1)
        assert wall.naps[-1] == pytest.approx(0.01)


def test_remaining_time_is_unknown_when_nothing_runs(session: Session) -> None:
    assert math.isnan(session.status.remaining_s)


RUNNING_PROCESS = """
import sys, time
from pathlib import Path
from hotbench.bench.session import Request, session_for
session = session_for(Path(sys.argv[1]))
session.start(Request(port="sim:swift-sleeve", test="hold", speed=1.0))
while len(session.samples()[0]) < 10:
    time.sleep(0.01)
print("running", flush=True)
time.sleep(float(sys.argv[2]))
"""


@contextmanager
def process(folder: Path, lives_s: float) -> Iterator[subprocess.Popen[bytes]]:
    """A Python process in the middle of a test."""
    command = [sys.executable, "-c", RUNNING_PROCESS, str(folder), str(lives_s)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as started:  # noqa: S603
        try:
            assert started.stdout is not None
            assert started.stdout.readline() == b"running\n"
            yield started
        finally:
            started.kill()


@pytest.mark.slow
def test_a_process_that_ends_switches_off_and_closes_the_run(tmp_path: Path) -> None:
    with process(tmp_path, 0.0) as started:
        assert started.wait(LONG_s) == 0
    run = read_run(tmp_path / "hold-1")
    assert run.outcome == "stopped"
    assert any("heater off" in event.text for event in run.events)


@pytest.mark.slow
def test_a_killed_process_leaves_a_run_that_is_found_and_can_be_closed(tmp_path: Path) -> None:
    with process(tmp_path, 60.0) as started:
        started.kill()
        started.wait(LONG_s)
    (entry,) = list_runs(tmp_path)
    assert entry.outcome == "cut off"
    assert entry.sample_count >= 10
    assert recover(entry.folder).intact
