"""The whole chain by the built command, over a real pseudo terminal and a real TCP port."""

import json
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import serial

from hotbench.sim import truth
from hotbench.sim.printers import printer

pytestmark = [pytest.mark.slow, pytest.mark.wire]

COMMAND = str(Path(sys.executable).with_name("hotbench"))
PRINTER = "swift-sleeve"
SPEED, SEED = "20", "9101"
LONGEST_s = 150.0
OFF_PATIENCE = 40
ACCEPTED_RATE = 2 * 0.072
"""Twice the 95th percentile of cooling with the fan, the widest column of the sleeve's rates."""
ACCEPTED_FLOW = 0.15
"""A dozen weighings of 1 % noise; a wrong unit, area or density would be off by far more."""


def hotbench(*arguments: str, code: int = 0) -> dict[str, Any]:
    """Run the built command to its end; its JSON."""
    done = subprocess.run(  # noqa: S603 - the command under test
        [COMMAND, *arguments, "--json"],
        capture_output=True,
        text=True,
        timeout=LONGEST_s,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return dict(json.loads(done.stdout))


@pytest.fixture(params=[("--pty",), ("--tcp", "0")], ids=["pty", "tcp"])
def served(request: pytest.FixtureRequest) -> Iterator[Mapping[str, str]]:
    """A served printer's addresses; the server ends by an interrupt and leaves nothing."""
    arguments = [COMMAND, "sim", "--printer", PRINTER, *request.param]
    arguments += ["--speed", SPEED, "--seed", SEED, "--json"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:  # noqa: S603
        try:
            assert server.stdout is not None
            yield json.loads(server.stdout.readline())
        finally:
            server.terminate()
            server.wait(10.0)


def heater_is_off(port: str) -> bool:
    """Ask the board itself, as any other program would."""
    with serial.serial_for_url(port, 115200, timeout=1.0) as line:
        for _ in range(OFF_PATIENCE):
            line.write(b"M105\n")
            heard = line.readline().decode("ascii", "replace")
            if "T:" in heard:
                return "/0" in heard.split("T:")[1].split(" B:")[0].replace(" ", "")
    return False


def record(served: Mapping[str, str], kind: str, folder: Path, *arguments: str) -> None:
    """Record one test, and see the board off afterwards."""
    result = hotbench(
        "record", kind, "--port", served["port"], "--out", str(folder), "--yes", *arguments
    )
    assert result["outcome"] == "complete"
    assert result["faults"] == []
    assert result["samples"] > 100
    assert heater_is_off(served["port"])


def record_all(served: Mapping[str, str], runs: Path) -> list[str]:
    record(served, "step", runs / "step", "--to", "230", "--fan", "0,1", "--hold", "20")
    record(served, "ramp", runs / "ramp", "--from", "200", "--to", "230", "--rates", "0.6,0.9,1.2")
    record(
        served,
        "extrude",
        runs / "melt",
        *("--temperatures", "200,220,240", "--flows", "5,10,14,18", "--length", "40"),
        *("--scale", served["scale"]),
    )
    return [str(runs / name) for name in ("step", "ramp", "melt")]


def test_from_the_wire_to_a_checked_profile(served: Mapping[str, str], tmp_path: Path) -> None:
    folders = record_all(served, tmp_path / "runs")
    fitted = hotbench("fit", *folders, "--out", str(tmp_path / "fit.yaml"))
    assert fitted["heater"]["model"] != "first-order"
    assert len(fitted["runs"]) == 3
    assert (tmp_path / "fit.yaml").read_text("utf-8").startswith("runs:")
    profile = tmp_path / "machine.yaml"
    built = hotbench("profile", "build", *folders, "--out", str(profile))
    assert built["profile"] == str(profile)
    checked = hotbench("profile", "check", str(profile), "--runs", str(tmp_path / "runs"))
    assert checked["accepted"] is True
    assert checked["runs"] == []
    assert_plausible(fitted)
    assert len(hotbench("runs", str(tmp_path / "runs"))["runs"]) == 3


def assert_plausible(fitted: Mapping[str, Any]) -> None:
    spec, heater = printer(PRINTER), fitted["heater"]
    true_cooling = truth.cooling_rate_K_per_s(spec, 220.0, fan=1.0, start_C=230.0)
    cooling = figure(heater["cooling_rate"], temperature_C=220.0, fan=1.0)
    assert cooling == pytest.approx(true_cooling, rel=ACCEPTED_RATE)
    true_heating = truth.heating_rate_K_per_s(spec, 200.0)
    heating = figure(heater["heating_rate"], temperature_C=200.0, start="cold")
    assert heating == pytest.approx(true_heating, rel=ACCEPTED_RATE)
    limits = {row["temperature_C"]: row["limit"]["value"] for row in fitted["melt"]["limits"]}
    for temperature_C, flow in limits.items():
        true_flow = truth.flow_limit_mm3_per_s(spec, temperature_C)
        assert flow == pytest.approx(true_flow, rel=ACCEPTED_FLOW)


def figure(rows: list[dict[str, Any]], **keys: Any) -> float:
    """The value of the one row whose keys are these."""
    (row,) = [row for row in rows if all(row[key] == value for key, value in keys.items())]
    return float(row["value"])
