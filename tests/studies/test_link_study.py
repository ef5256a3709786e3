"""What must hold of link and recorder, in figures: they go into link_report.txt beside this file.

The fault matrix adds its own lines (`pytest -m study tests/link/test_fault_matrix.py`).
"""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from itertools import cycle, pairwise
from pathlib import Path
from statistics import median

import mother
import numpy as np
import pytest
from fuzzing import fuzz
from heater_sessions import training
from link_report import state

from hotbench.bench.expecting import Expectation
from hotbench.core.errors import BadInput, HotbenchError
from hotbench.core.records import RunInfo, Sample
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_data import prepare
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.link.serial_port import SerialTransport
from hotbench.link.watch import OffPrediction, Watch, WatchLimits
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import SensorState
from hotbench.sim.printers import PRINTERS, PrinterSpec, randomised
from hotbench.sim.serve import Server, serve_pty
from hotbench.store.reader import read_run, recover
from hotbench.store.writer import RunWriter

KILLS, LINES = int(os.environ.get("HOTBENCH_STUDY_KILLS", "200")), 6
SPEED = 5.0
SHOUTING_s = 1.6
"""A guard holds the port for a while after its host's death."""


def load() -> str:
    """The machine's load, which figures in real time depend on."""
    first = hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) != os.SCHED_OTHER
    before = ", this process before all others" if first else ""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores{before}"


# SIGKILL


@pytest.fixture
def servers() -> Iterator[list[Server]]:
    made = [serve_pty(PRINTERS["plain-block"], SPEED, seed=i).start() for i in range(LINES)]
    yield made
    for server in made:
        server.stop()


@pytest.fixture
def hosts() -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(  # noqa: S603 - our own script
        [sys.executable, str(Path(mother.__file__))],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        yield process
        assert process.stdin is not None
        process.stdin.close()


def begin(hosts: subprocess.Popen[str], server: Server, folder: Path) -> int:
    """Start a host; its process id."""
    assert hosts.stdin is not None
    assert hosts.stdout is not None
    hosts.stdin.write(f"{server.addresses.printer} {folder}\n")
    hosts.stdin.flush()
    return int(hosts.stdout.readline())


def off_after_s(board: SimulatedPrinter, patience_s: float = 4.0) -> float:
    """Wall seconds until the board's setpoint is 0; inf when it never is."""
    begun_s = time.monotonic()
    while time.monotonic() < begun_s + patience_s:
        if board.target_C == 0.0:
            return time.monotonic() - begun_s
        time.sleep(0.002)
    return float("inf")


def shown_rows(folder: Path) -> list[str]:
    """Times of the samples that a host has shown before its death."""
    path = folder.with_suffix(".shown")
    text = path.read_text() if path.exists() else ""
    return [line.split()[0] for line in text.splitlines(keepends=True) if line.endswith("\n")]


def judged(folder: Path) -> tuple[int, int]:
    """Shown samples and rows on disk of a killed host's run; all that was shown must be there."""
    shown = shown_rows(folder)
    if not (folder / "datapackage.json").exists():
        assert not shown
        return 0, 0
    run = read_run(folder)
    assert run.outcome == "cut off"
    assert [f"{t:.6f}" for t in run.time_s[: len(shown)]] == shown
    assert recover(folder).intact
    assert len(read_run(folder)) == len(run)
    return len(shown), len(run)


def fits(folders: list[Path]) -> int:
    """How many of the runs a heater fit takes as they are."""
    taken = 0
    for folder in folders:
        with suppress(BadInput):
            taken += prepare([read_run(folder)], ambient_C=24.0).fitted_samples > 0
    return taken


def test_sigkill_at_random_moments(
    servers: list[Server], hosts: subprocess.Popen[str], tmp_path: Path
) -> None:
    moments = random.Random(20_260_301)  # noqa: S311 - no secret
    free_s = dict.fromkeys(range(LINES), 0.0)
    late_s, hot, folders = [], 0, []
    for i, line in zip(range(KILLS), cycle(range(LINES)), strict=False):
        time.sleep(max(free_s[line] - time.monotonic(), 0.0))
        board = servers[line]._device
        assert isinstance(board, SimulatedPrinter)
        folders.append(tmp_path / str(i))
        pid = begin(hosts, servers[line], folders[-1])
        time.sleep(moments.uniform(0.0, 3.0))
        os.kill(pid, signal.SIGKILL)
        hot += board.target_C > 0.0
        late_s.append(off_after_s(board))
        free_s[line] = time.monotonic() + SHOUTING_s
    rows = [judged(folder) for folder in folders]
    begun = [folder for folder, (_, on_disk) in zip(folders, rows, strict=True) if on_disk >= 20]
    state(
        "SIGKILL on a pty",
        f"{KILLS} kills ({hot} with the heater on): heater off after {max(late_s):.2f} s at most, "
        f"median {median(late_s):.3f} s; {sum(shown for shown, _ in rows)} samples shown, "
        f"{sum(on_disk for _, on_disk in rows)} on disk, none shown is missing; "
        f"{sum(on_disk > 0 for _, on_disk in rows)} runs have rows, all read as cut off and "
        f"recover; {fits(begun)} of {len(begun)} with 20 rows or more go into a fit ({load()})",
    )
    assert max(late_s) < 2.0
    assert hot > KILLS / 4
    assert fits(begun) == len(begun)


# fuzz and rates


def test_ten_million_fuzzed_bytes() -> None:
    accepted, fed = fuzz(10_000_000, seed=3)
    state(
        "fuzzed replies",
        f"{fed} bytes: no exception, {accepted} reports accepted, every one true; at most 256 "
        "bytes held",
    )
    assert accepted > fed / 200


class Kept:
    """Implements `core.ports.Observer`: keeps the samples."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []

    def on_sample(self, sample: Sample) -> None:
        self.samples.append(sample)

    def on_event(self, event: object) -> None:
        pass

    on_extrusion = on_event


def test_half_an_hour_at_twenty_reports_a_second(tmp_path: Path) -> None:
    board = SimulatedPrinter(PRINTERS["swift-sleeve"], 4)
    writer = RunWriter(tmp_path / "run", RunInfo(run_id="x", procedure="hold", created=""))
    config = LinkConfig(sample_interval_s=0.05)
    printer = Printer(board.transport(), [writer, Watch()], config)
    printer.begin_run()
    while printer.now_s() < 1800.0:
        printer.next_sample()
    writer.close()
    asked = sum("M105" in text for _, text in board.commands)
    times_s = read_run(tmp_path / "run").time_s
    gaps_s = [late - early for early, late in pairwise(times_s)]
    state(
        "twenty reports a second for 30 min",
        f"{asked} asked for, {len(times_s)} on disk, "
        f"{min(gaps_s) * 1e3:.0f} to {max(gaps_s) * 1e3:.0f} ms apart",
    )
    assert len(times_s) == asked == pytest.approx(36_000, abs=5)


TALKER = """
import os, select, sys, time
port, count = int(sys.argv[1]), int(sys.argv[2])
heard, sent, begun = b"", [], None
while len(sent) < count:
    due = 0.0 if begun is None else begun + 0.05 * len(sent)
    left = max(due - time.monotonic(), 0.0) if begun else 1.0
    ready, _, _ = select.select([port], [], [], left)
    if ready:
        heard += os.read(port, 4096)
        *lines, heard = heard.split(b"\\n")
        for line in filter(None, lines):
            word = b"FIRMWARE_NAME:talker\\nok\\n" if b"M115" in line else b"ok\\n"
            os.write(port, word)
            if b"M155" in line and begun is None:
                begun = time.monotonic() + 0.2
    elif begun:
        sent.append(time.monotonic())
        os.write(port, f"T:{len(sent) / 10:.1f} /0.0 @:0\\n".encode())
print(*sent)
"""


def test_jitter_and_cpu_at_real_speed(tmp_path: Path) -> None:
    """A talker in a process of its own reports every 50 ms; stamps are held against its clock."""
    count = 1200
    controller, port = os.openpty()
    talker = subprocess.Popen(  # noqa: S603 - our own text
        [sys.executable, "-c", TALKER, str(controller), str(count)],
        pass_fds=[controller],
        stdout=subprocess.PIPE,
        text=True,
    )
    kept = Kept()
    writer = RunWriter(tmp_path / "run", RunInfo(run_id="x", procedure="hold", created=""))
    config = LinkConfig(sample_interval_s=0.05, auto_report=True)
    printer = Printer(SerialTransport(os.ttyname(port)), [writer, kept], config)
    printer.begin_run()
    origin_s = time.monotonic() - printer.now_s()
    cpu_s, begun_s = time.process_time(), time.monotonic()
    while len(kept.samples) < count:
        printer.next_sample()
    share = (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
    writer.close()
    said, _ = talker.communicate(timeout=10.0)
    stamps_s = np.array([sample.time_s for sample in kept.samples]) + origin_s
    late_ms = 1e3 * (stamps_s - np.array([float(word) for word in said.split()]))
    jitter_ms = float(np.percentile(np.abs(late_ms - np.median(late_ms)), 99))
    state(
        "at real speed on a pty",
        f"{count} reports at 20 a second, none lost: stamps' jitter {jitter_ms:.2f} ms at the "
        f"99th percentile, {100 * share:.1f} % of a core ({load()})",
    )
    os.close(controller)
    os.close(port)
    assert jitter_ms < 2.0
    assert share < 0.05


# prediction

KINDS = ("swift-sleeve", "plain-block", "long-melt")
FIRST_SEED, EACH = 930_000, 8


class Told:
    """Implements `core.ports.Observer`: the watch's model check by itself, and how far it came."""

    def __init__(self, expectation: Expectation) -> None:
        self.evidence, self.at_s, self.errors_K = "", float("nan"), list[float]()
        self._expectation = expectation
        self._check = OffPrediction(WatchLimits(), self._predict)

    def _predict(self, sample: Sample) -> float:
        expected_C = self._expectation(sample)
        self.errors_K.append(abs(sample.temperature_C - expected_C))
        return expected_C

    def on_sample(self, sample: Sample) -> None:
        told = self._check(sample)
        if told and not self.evidence:
            self.evidence, self.at_s = told, sample.time_s

    def on_event(self, event: object) -> None:
        pass

    on_extrusion = on_event


def course(printer: Printer, board: SimulatedPrinter, slipping_K_per_s: float = 0.0) -> None:
    """Heat, hold, cool with and without fan, hold lower; from then on a sensor may slip."""
    legs = ((240, 0.0, 120), (240, 1.0, 40), (0, 1.0, 40), (0, 0.0, 30), (210, 0.0, 150))
    slipped_K = 0.0
    for i, (setpoint_C, fan, duration_s) in enumerate(legs):
        printer.set_fan(fan)
        printer.set_temperature(float(setpoint_C))
        until_s, before_s = printer.now_s() + duration_s, printer.now_s()
        while printer.now_s() < until_s:
            printer.next_sample()
            if slipping_K_per_s and i == len(legs) - 1 and until_s - printer.now_s() < 100.0:
                slipped_K += slipping_K_per_s * (printer.now_s() - before_s)
                board.rig.break_sensor(SensorState.SHIFTED, -slipped_K)
            before_s = printer.now_s()


def played(spec: PrinterSpec, seed: int, made: Expectation, slipping_K_per_s: float = 0.0) -> Told:
    """The course on a board, watched by the expectation alone."""
    told = Told(made)
    board = SimulatedPrinter(spec, seed)
    with suppress(HotbenchError):
        course(Printer(board.transport(), [told]), board, slipping_K_per_s)
    return told


def test_the_expectation_tells_trouble_from_health() -> None:
    """Seeds that nothing was chosen on; profile and course are of the same printer."""
    false, worst_K, weak, slips = 0, [], [], []
    for kind in KINDS:
        for seed in range(FIRST_SEED, FIRST_SEED + EACH):
            spec = randomised(kind, seed)
            fit = fit_heater([training(kind, spec, seed)])

            def fresh(fit=fit) -> Expectation:  # type: ignore[no-untyped-def]
                return Expectation(fit.model, fit.values, fit.ambient.value)

            clean = played(spec, seed + 50, fresh())
            false += bool(clean.evidence)
            worst_K.append(np.nanmax(clean.errors_K))
            half = replace(spec, heater_W=spec.heater_W / 2.0)
            weak.append(played(half, seed + 50, fresh()))
            slips.append(played(spec, seed + 50, fresh(), 1.0))
    count = len(worst_K)
    state(
        "watch against the profile",
        f"{count} random printers: {false} false alarms, reading off the expectation by "
        f"{median(worst_K):.1f} K at worst (median), {max(worst_K):.1f} K (greatest), margin "
        f"{WatchLimits().prediction_K:g} K; half the heater's power lost: told in "
        f"{sum(bool(t.evidence) for t in weak)}, sensor slipping by 1 K/s: told in "
        f"{sum(bool(t.evidence) for t in slips)}",
    )
    assert false == 0
    assert all(told.evidence for told in (*weak, *slips))
