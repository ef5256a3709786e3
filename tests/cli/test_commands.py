"""Every command, with and without --json, on the simulated printer in virtual time or on files."""

import json
import runpy
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from hotbench.cli import run
from hotbench.sim.printers import PRINTERS
from hotbench.sim.serve import serve_pty
from hotbench.store.reader import read_run

DATA = Path(__file__).parents[2] / "data_demo"
EXAMPLE = DATA / "example_machine.yaml"
COMMAND = str(Path(sys.executable).with_name("hotbench"))
FAST = ("--port", "sim:swift-sleeve", "--seed", "9201")


def printed(*arguments: object, code: int = 0) -> str:
    """Standard output of a command that ends with `code`."""
    text = StringIO()
    with redirect_stdout(text):
        assert run([str(argument) for argument in arguments]) == code
    return text.getvalue()


def facts(*arguments: object, code: int = 0) -> dict[str, Any]:
    """The one JSON object that a command prints; NaN and infinities are not JSON."""
    text = printed(*arguments, "--json", code=code)
    assert text.count("\n") == 1
    return dict(json.loads(text, parse_constant=_refuse))


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


@pytest.fixture(scope="module")
def step_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short step test."""
    folder = tmp_path_factory.mktemp("commands") / "step"
    result = facts(
        *("record", "step", *FAST, "--out", folder, "--to", 200, "--fan", "0,1", "--hold", 10),
        *("--dip", "190-170"),
    )
    assert result["outcome"] == "complete"
    return folder


@pytest.fixture(scope="module")
def profile(step_run: Path) -> Path:
    """A profile built from it."""
    out = step_run.with_name("machine.yaml")
    assert facts("profile", "build", step_run, "--out", out)["profile"] == str(out)
    return out


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented demo jobs."""
    folder = tmp_path_factory.mktemp("jobs")
    runpy.run_path(str(DATA / "make_jobs.py"))["main"](folder)
    return folder


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("ramp", ("--from", 200, "--to", 210, "--rates", "2,4")),
        ("dip", ("--from", 200, "--to", 185, "--fan", "1")),
        ("hold", ("--to", 180, "--duration", 5)),
        ("jump", ("--from", 180, "--sizes", "5,10", "--times", 1, "--fault-deviation", 20)),
        ("repeat", ("--to", 215, "--rests", "4,2", "--dips", 1, "--rate", 4, "--cooling-rate", 1)),
        ("extrude", ("--temperatures", 220, "--flows", "5,9", "--length", 20)),
    ],
)
def test_record(kind: str, options: tuple[object, ...], tmp_path: Path) -> None:
    result = facts("record", kind, *FAST, "--out", tmp_path / "run", *options)
    assert result["outcome"] == "complete"
    stored = read_run(tmp_path / "run")
    assert len(stored) == result["samples"] > 0
    assert len(stored.extrusions) == result["extrusions"] == (4 if kind == "extrude" else 0)
    assert stored.info.procedure == kind
    assert [e.text for e in stored.events if e.text.startswith("M104")][-1] == "M104 S0"


def test_a_check_that_fails_says_so_in_its_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A heater that is asked to warm its sensor sooner than any can."""
    file = tmp_path / "m.yaml"
    file.write_text("hotbench_machine: 1\nheater: {rise_s: 0.01}\n")
    assert "check failed" in printed("check", *FAST, "--machine", file, "--yes", code=1)
    assert "may not belong together" in capsys.readouterr().err
    found = facts("check", *FAST, "--machine", file, "--yes", code=1)
    assert found["heater"]["findings"]


def test_record_prints_a_table(tmp_path: Path) -> None:
    text = printed("record", "hold", *FAST, "--out", tmp_path / "r", "--to", 100, "--duration", 2)
    assert "outcome" in text
    assert "complete" in text


def test_runs(step_run: Path) -> None:
    rows = facts("runs", step_run.parent)["runs"]
    assert [(row["procedure"], row["outcome"], row["files"]) for row in rows] == [
        ("step", "complete", "intact")
    ]
    assert "step" in printed("runs", step_run.parent)


def test_a_changed_file_is_seen(step_run: Path, tmp_path: Path) -> None:
    copy = tmp_path / "runs" / "step"
    copy.mkdir(parents=True)
    for file in step_run.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    with (copy / "samples.csv").open("a") as file:
        file.write("\n")
    (row,) = facts("runs", tmp_path / "runs")["runs"]
    assert row["files"] != "intact"


def test_fit(step_run: Path, tmp_path: Path) -> None:
    result = facts("fit", step_run, "--out", tmp_path / "fit.yaml")
    assert set(result["runs"]) == {"step"}
    assert result["heater"]["parameters"]
    assert {gap["what"] for gap in result["unidentified"]} >= {"load_per_flow"}
    assert "how far to trust the heater model" in printed("fit", step_run)
    assert "held-out validation" in printed("fit", step_run, "--all")


def test_profile(profile: Path, step_run: Path) -> None:
    shown = facts("profile", "show", profile)
    assert shown["headline"]
    assert "machine profile" in printed("profile", "show", profile)
    assert facts("profile", "check", profile, "--runs", step_run.parent)["accepted"] is True
    assert "accepted" in printed("profile", "check", profile)


def test_profile_of_other_runs_falls_short(profile: Path, tmp_path: Path) -> None:
    folder = tmp_path / "others" / "step"
    facts("record", "hold", *FAST, "--out", folder, "--to", 100, "--duration", 2)
    result = facts("profile", "check", profile, "--runs", tmp_path / "others", code=1)
    assert result["accepted"] is False
    assert result["runs"]


def test_report(step_run: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    assert facts("report", step_run, "--out", out) == {"report": str(out)}
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")


def test_import(tmp_path: Path) -> None:
    rows = "".join(f"{0.5 * i};{20 + i},5;{i % 2 * 255}\n" for i in range(40))
    (tmp_path / "log.csv").write_text("t;hotend;pwm\n" + rows, "utf-8")
    columns = ("--column", "time=t", "--column", "temperature=hotend", "--column", "duty=pwm:0-255")
    result = facts("import", tmp_path / "log.csv", "--out", tmp_path / "run", *columns)
    assert result["samples"] == 40
    stored = read_run(tmp_path / "run")
    assert stored.temperature_C[:2].tolist() == [20.5, 21.5]
    assert stored.duty[:2].tolist() == [0.0, 1.0]


def test_compare_a_profile_with_itself() -> None:
    result = facts("compare", EXAMPLE, EXAMPLE)
    assert all(d["significant"] in (False, None) for d in result["differences"])
    assert result["only_before"] == result["only_after"] == []


def test_compare_with_a_faster_one(tmp_path: Path) -> None:
    text = EXAMPLE.read_text("utf-8")
    faster = tmp_path / "after.yaml"
    power = "heating_K_per_s: {value: 21.3, unit: K/s, low: 20.9, high: 21.7"
    assert power in text
    faster.write_text(
        text.replace(power, "heating_K_per_s: {value: 24.3, unit: K/s, low: 23.9, high: 24.7"),
        "utf-8",
    )
    changed = [d for d in facts("compare", EXAMPLE, faster)["differences"] if d["significant"]]
    assert [d["where"] for d in changed] == ["heater.parameters.heating_K_per_s"]
    assert changed[0]["change"]["value"] == pytest.approx(3.0)
    (line,) = [
        line for line in printed("compare", EXAMPLE, faster).splitlines() if "full duty" in line
    ]
    assert " ".join(line.split()) == ("heating at full duty 21.3 24.3 K/s +14 % +11 to +17 yes")


@pytest.mark.slow
def test_tune() -> None:
    result = facts("tune", EXAMPLE, "--at", 220, "--duty-scale", 255)
    assert result["form"] == "parallel"
    assert len(result["rules"]) >= 3
    assert all(rule["gains"]["Kp"] > 0.0 for rule in result["rules"])
    assert "parallel gains at 220 °C for full duty 255" in printed(
        "tune", EXAMPLE, "--duty-scale", 255
    )


@pytest.mark.parametrize("name", ["vase", "bracket", "bridge"])
def test_rehearse(name: str, jobs: Path) -> None:
    (job,) = jobs.glob(f"*{name}*")
    result = facts("rehearse", job, "--profile", EXAMPLE)
    assert result["total_s"] >= result["printing_s"] > 0.0
    assert result["passes"] is (not result["worst"] and not result["steep"])
    assert "verdict" in printed("rehearse", job, "--profile", EXAMPLE)


def test_check() -> None:
    result = facts("check", "--port", "sim:plain-block", "--yes")
    assert result["heater"]["findings"] == []
    assert "check passed" in printed("check", "--port", "sim:plain-block", "--yes")


def test_ports() -> None:
    assert isinstance(facts("ports")["ports"], list)
    assert "serial port" in printed("ports")


@pytest.mark.slow
def test_demo(tmp_path: Path) -> None:
    """That it does the whole job; how good the numbers are is judged in tests/acceptance."""
    out = tmp_path / "demo"
    result = facts("demo", "--out", out, "--seed", 9202)
    for key in ("profile", "report"):
        assert Path(result[key]).stat().st_size > 1000
    assert len(list((out / "runs").iterdir())) == 4
    down = [row for row in result["held_out"] if row["what"].startswith("time down")]
    assert len(down) == 4
    assert all(row["predicted"] > 0.0 and row["measured"] > 0.0 for row in down)
    assert printed("demo", "--out", out, code=2) == ""


@pytest.fixture
def served() -> Iterator[str]:
    with serve_pty(PRINTERS["swift-sleeve"], 20.0, 9203) as server:
        yield server.addresses.printer


@pytest.mark.wire
@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_and_keeps(number: signal.Signals, served: str, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    arguments = [COMMAND, "record", "hold", "--port", served, "--out", str(folder), "--yes"]
    arguments += ["--to", "200", "--duration", "5000", "--json"]
    with subprocess.Popen(  # noqa: S603 - the command under test
        arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as command:
        wait_for_heat(folder / "samples.csv")
        command.send_signal(number)
        heard, said = command.communicate(timeout=60.0)
    assert command.returncode == 130
    assert heard == ""
    assert said.splitlines()[-1].startswith("hotbench: ")
    assert "heater off, confirmed by the board" in said.splitlines()[-1]
    stored = read_run(folder)
    assert stored.outcome == "stopped"
    assert [e.text for e in stored.events if e.text.startswith("M104")][-1] == "M104 S0"
    assert "heater off, confirmed by the board" in [e.text for e in stored.events[-3:]]


def wait_for_heat(samples: Path, patience_s: float = 90.0) -> None:
    """Until a recording has come above 100 degrees."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        lines = samples.read_text("utf-8").splitlines()[1:] if samples.exists() else []
        if lines and float(lines[-1].split(",")[1]) > 100.0:
            return
        time.sleep(0.05)
    raise AssertionError("the recording never got warm")
