from hotbench.core.ports import Transport
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS


def ask(line: Transport, command: str, patience_s: float = 5.0) -> str:
    line.write(command.encode() + b"\n")
    said = b""
    while not any(part.startswith(b"ok") for part in said.splitlines()):
        heard = line.read(line.now_s() + patience_s)
        assert heard, f"no reply to {command}"
        said += heard
    return said.decode()


def test_reports_in_the_common_shape() -> None:
    line = SimulatedPrinter(PRINTERS["swift-sleeve"]).transport()
    assert line.read(2.0) == b"start\n"
    assert ask(line, "M105").endswith("/0.0 B:24.0 /0.0 @:0 B@:0\n")
