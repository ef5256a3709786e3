"""Bad input of every kind: one line that names the thing, exit code 2, nothing written or lost."""

import os
import pty
import socket
import threading
import tty
from collections.abc import Iterator
from contextlib import chdir
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from hotbench.bench.plain import to_yaml
from hotbench.cli import run

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
IMPORT = ("--out", "new", "--column", "time=t", "--column", "temperature=T")
VIRTUAL = ("--port", "sim:swift-sleeve", "--out", "new")


def table(rows: int, more: str = "") -> str:
    return "t,T,pwm\n" + "".join(f"{i},{20 + i},0.5\n" for i in range(rows)) + more


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A working directory with one good and one bad file of every kind."""
    good = EXAMPLE.read_text("utf-8")
    texts = {
        "ok.csv": table(30),
        "decreasing.csv": table(20, "5,30,0.5\n"),
        "word.csv": table(20, "20,hot,0.5\n"),
        "short.csv": table(3),
        "empty": "",
        "good.yaml": good,
        "bad.yaml": "hotbench_profile: 1\nmachine: [\n",
        "key.yaml": good.replace("\nmachine:", "\nmachin:", 1),
        "nomoves.gcode": "; nothing\nM104 S200\n",
        "move.gcode": "M104 S200\nG1 X10 Y10 E1 F600\n",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text, "utf-8")
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00abc")
    (tmp_path / "heaterless.yaml").write_text(_without_heater(good), "utf-8")
    (tmp_path / "dir").mkdir()
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "datapackage.json").write_text("{}", "utf-8")
    with chdir(tmp_path):
        yield tmp_path


def _without_heater(text: str) -> str:
    kept = [line for line in text.splitlines() if not line.startswith("#")]
    profile = YAML(typ="safe").load("\n".join(kept))
    return to_yaml({**profile, "heater": None})


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


CASES: list[tuple[tuple[str, ...], str]] = [
    # logs from elsewhere
    (("import", "empty", *IMPORT), "empty: file is empty"),
    (("import", "binary", *IMPORT), "binary: is not UTF-8"),
    (("import", "dir", *IMPORT), "dir: cannot be read"),
    (("import", "gone.csv", *IMPORT), "gone.csv: cannot be read"),
    (("import", "short.csv", *IMPORT), "short.csv: too few rows"),
    (("import", "decreasing.csv", *IMPORT), "decreasing.csv, row 22, column 't'"),
    (("import", "word.csv", *IMPORT), "word.csv, row 22, column 'T'"),
    (("import", "ok.csv", *IMPORT, "--column", "duty=pwn"), "did you mean 'pwm'?"),
    (("import", "ok.csv", *IMPORT, "--column", "duty=pwm:foo"), "unknown unit 'foo'"),
    (("import", "ok.csv", *IMPORT, "--column", "dty=pwm"), "did you mean 'duty'?"),
    (("import", "ok.csv", *IMPORT[:4]), "no column for temperature"),
    (("import", "ok.csv", *IMPORT, "--column", "duty"), "FIELD=NAME[:UNIT]"),
    (("import", "ok.csv", *IMPORT, "--ambient", "nan"), "--ambient"),
    (("import", "ok.csv", *IMPORT, "--held-out-after", "-1"), "--held-out-after"),
    (("import", "ok.csv", *IMPORT, "--held-out-after", "1000"), "held-out"),
    (("import", "ok.csv", "--out", "taken", *IMPORT[2:]), "taken: folder is not empty"),
    (("import", "ok.csv", "--out", "empty/x", *IMPORT[2:]), "empty/x: cannot create"),
    # runs
    (("fit", "gone"), "gone: not a run folder"),
    (("fit", "dir"), "dir: not a run folder"),
    (("fit", "empty"), "empty: not a run folder: a file"),
    (("fit", "taken"), "taken/datapackage.json"),
    (("fit", "dir", "--power", "-3"), "--power"),
    (("fit", "dir", "--power", "inf"), "--power"),
    (("fit", "dir", "--fault-deviation", "0"), "--fault-deviation"),
    (("fit", "dir", "--ambient", "nan"), "--ambient"),
    (("profile", "build", "gone", "--out", "new"), "gone: not a run folder"),
    (("report", "dir", "--out", "new"), "dir: not a run folder"),
    (("runs", "gone"), "gone: no such folder"),
    (("runs", "empty"), "empty: no such folder"),
    # profiles
    (("profile", "check", "gone.yaml"), "gone.yaml: no such file"),
    (("profile", "check", "dir"), "dir: not an ordinary file"),
    (("profile", "check", "empty"), "empty: file is empty"),
    (("profile", "check", "binary"), "binary line 1: not UTF-8"),
    (("profile", "check", "bad.yaml"), "bad.yaml line 3: not YAML"),
    (("profile", "check", "key.yaml"), "did you mean 'machine'?"),
    (("profile", "check", "good.yaml", "--runs", "gone"), "gone: no such folder"),
    (("profile", "show", "key.yaml"), "machin"),
    (("compare", "gone.yaml", "good.yaml"), "gone.yaml"),
    (("compare", "good.yaml", "bad.yaml"), "bad.yaml"),
    (("tune", "dir"), "dir"),
    (("tune", "heaterless.yaml"), "heaterless.yaml: the profile has no heater model"),
    (("tune", "good.yaml", "--at", "nan"), "--at"),
    (("tune", "good.yaml", "--at", "10"), "10 °C"),
    (("tune", "good.yaml", "--duty-scale", "inf"), "--duty-scale"),
    (("tune", "good.yaml", "--duty-scale", "0"), "--duty-scale"),
    # jobs
    (("rehearse", "gone.gcode", "--profile", "good.yaml"), "gone.gcode: cannot be read"),
    (("rehearse", "dir", "--profile", "good.yaml"), "dir: cannot be read"),
    (("rehearse", "empty", "--profile", "good.yaml"), "empty: no moves"),
    (("rehearse", "binary", "--profile", "good.yaml"), "binary: line 1: this is not text"),
    (("rehearse", "nomoves.gcode", "--profile", "good.yaml"), "nomoves.gcode: no moves"),
    (("rehearse", "move.gcode", "--profile", "gone.yaml"), "gone.yaml: no such file"),
    (("rehearse", "move.gcode", "--profile", "dir"), "dir: not an ordinary file"),
    # simulated printers
    (("demo", "--printer", "swift-sleve", "--out", "new"), "did you mean 'swift-sleeve'?"),
    (("demo", "--out", "empty"), "empty"),
    (("demo", "--out", "new", "--seed", "-1"), "--seed"),
    (("sim", "--printer", "nobody"), "nobody"),
    (("sim", "--speed", "nan"), "--speed"),
    (("sim", "--speed", "0"), "--speed"),
    (("sim", "--tcp", "99999"), "--tcp"),
    # ports
    (("check", "--port", "sim:nobody", "--yes"), "nobody"),
    (("check", "--port", "/dev/nope", "--yes"), "/dev/nope: cannot open"),
    (("check", "--port", "gone://x", "--yes"), "gone://x"),
    (("check", "--port", "empty", "--yes"), "empty"),
    (("check", "--port", "", "--yes"), "port"),
    (("check", "--port", "sim:swift-sleeve", "--interval", "1e9"), "--interval"),
    (("check", "--port", "sim:swift-sleeve", "--limit-temperature", "-4"), "--limit-temperature"),
    (("check", "--port", "/dev/nope", "--baud", "-3"), "--baud"),
    # tests
    (("record", "step", *VIRTUAL, "--to", "300"), "300 °C, limit 260 °C"),
    (("record", "step", *VIRTUAL, "--to", "nan"), "--to"),
    (("record", "step", *VIRTUAL, "--to", ""), "--to"),
    (("record", "step", *VIRTUAL, "--fan", "2"), "--fan: outside its range (got 2, limit 0 to 1"),
    (("record", "step", *VIRTUAL, "--hold", "-1"), "--hold: outside its range (got -1"),
    (("record", "step", *VIRTUAL, "--hold", "nan"), "--hold"),
    (("record", "step", *VIRTUAL, "--dip", "190-220"), "dip"),
    (("record", "step", *VIRTUAL, "--dip", "nan-1"), "220-190"),
    (("record", "step", *VIRTUAL, "--ambient", "9999"), "--ambient"),
    (("record", "step", *VIRTUAL, "--unknown", "1"), "--unknown"),
    (("record", "step", *VIRTUAL[:3], "taken"), "taken: folder is not empty"),
    (("record", "step", *VIRTUAL[:3], "empty/x"), "empty: is a file; name a folder"),
    (("demo", "--out", "empty"), "empty: is a file; name a folder"),
    (("fit", "dir", "--fault-deviation", "9,5"), "'9,5' is not a number; decimals have a point"),
    (("sim", "--tcp", "99999"), "--tcp: 99999 is not in the range"),
    (("record", "step", *VIRTUAL, "--baud", "fast"), "--baud: 'fast' is not a whole number"),
    (("record", "step", "--port", "/dev/nope", "--out", "new", "--yes"), "/dev/nope"),
    (
        ("record", "ramp", *VIRTUAL, "--from", "230", "--to", "200"),
        "--to: must be above --from (got 200, limit 230)",
    ),
    (("record", "ramp", *VIRTUAL, "--rates", "-1"), "--rates: "),
    (("record", "ramp", *VIRTUAL, "--rates", "nan"), "--rates"),
    (("record", "ramp", *VIRTUAL, "--first-rate", "-1"), "--first-rate"),
    (("record", "ramp", *VIRTUAL, "--max-ramps", "0"), "--max-ramps: "),
    (
        ("record", "dip", *VIRTUAL, "--to", "230"),
        "--from: must be above every --to (got 220, limit 230)",
    ),
    (("record", "hold", *VIRTUAL, "--duration", "0"), "--duration: outside its range (got 0"),
    (("record", "extrude", *VIRTUAL, "--temperatures", "150"), "too cold to extrude"),
    (("record", "extrude", *VIRTUAL, "--flows", "-1"), "--flows: outside its range (got -1"),
    (("record", "extrude", *VIRTUAL, "--density", "0"), "--density"),
    (("record", "extrude", *VIRTUAL, "--length", "nan"), "--length"),
    (("record", "extrude", *VIRTUAL, "--scale", "later"), "--scale later"),
    (("record", "extrude", *VIRTUAL, "--scale", "/dev/nope"), "/dev/nope"),
]


def refused(arguments: tuple[str, ...], printed: pytest.CaptureFixture[str]) -> str:
    """Run, and return the one line that is printed."""
    code = run(arguments)
    heard = printed.readouterr()
    assert code == 2
    assert heard.out == ""
    assert heard.err.startswith("hotbench: ")
    assert heard.err.count("\n") == 1
    assert "Traceback" not in heard.err
    return heard.err


@pytest.mark.parametrize(
    ("arguments", "expected"),
    CASES,
    ids=lambda part: part if isinstance(part, str) else " ".join(part),
)
def test_one_line(
    arguments: tuple[str, ...],
    expected: str,
    folder: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = contents(folder)
    assert expected in refused(arguments, capsys)
    assert contents(folder) == before


@pytest.fixture
def mute_pty() -> Iterator[str]:
    """A device that never answers."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


@pytest.fixture
def mute_socket() -> Iterator[str]:
    """A server that takes a connection and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        held: list[socket.socket] = []
        thread = threading.Thread(target=_hold, args=(listener, held), daemon=True)
        thread.start()
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
    thread.join(5.0)
    for connection in held:
        connection.close()


def _hold(listener: socket.socket, held: list[socket.socket]) -> None:
    connection, _ = listener.accept()
    held.append(connection)


@pytest.mark.slow
@pytest.mark.wire
@pytest.mark.parametrize("kind", ["mute_pty", "mute_socket"])
def test_nobody_answers(
    kind: str,
    folder: Path,
    request: pytest.FixtureRequest,
    capsys: pytest.CaptureFixture[str],
) -> None:
    port, before = request.getfixturevalue(kind), contents(folder)
    assert run(["record", "step", "--port", port, "--out", "new", "--yes"]) == 2
    heard = capsys.readouterr()
    said = [line for line in heard.err.splitlines() if line.startswith("hotbench: ")]
    assert heard.out == ""
    assert len(said) == 1
    assert f"{port}: no printer answers" in said[0]
    assert heard.err.splitlines()[-1] == said[0]
    assert contents(folder) == before


@pytest.mark.wire
def test_nobody_listens(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = f"socket://127.0.0.1:{listener.getsockname()[1]}"
    assert port in refused(("check", "--port", port, "--yes"), capsys)
