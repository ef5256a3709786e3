from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from hotbench.core.errors import LinkLost
from hotbench.core.ports import Scale, Transport
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.loop import FaultCode, HeaterState
from hotbench.sim.printers import PRINTERS, PrinterSpec, ReplyShape
from hotbench.wire.commands import encode

Ask = Callable[..., str]
SLEEVE = PRINTERS["swift-sleeve"]


def listen(line: Transport, duration_s: float) -> list[str]:
    end_s, heard = line.now_s() + duration_s, b""
    while line.now_s() < end_s:
        heard += line.read(end_s)
    return heard.decode().splitlines()


def hot(spec: PrinterSpec, at_C: float = 220.0) -> tuple[SimulatedPrinter, Transport]:
    """A printer in its steady state, past its banner."""
    printer = SimulatedPrinter(spec)
    printer.rig.settle_at(at_C)
    line = printer.transport()
    line.read(2.0)
    return printer, line


def test_line_and_pan_implement_the_ports(printer: SimulatedPrinter) -> None:
    assert isinstance(printer.transport(), Transport)
    pan: Scale = printer.scale
    assert pan.mass_g() == 0.0


def test_time_passes_only_in_read(line: Transport, printer: SimulatedPrinter) -> None:
    begun_s = line.now_s()
    line.write(b"M105\n")
    assert line.now_s() == begun_s
    assert line.read(begun_s) == b""
    assert line.now_s() == begun_s
    assert line.read(begun_s + 1.0).startswith(b"ok T:")
    assert 0.001 < line.now_s() - begun_s < 0.008
    assert line.read(begun_s + 1.0) == b""
    assert line.now_s() == begun_s + 1.0 == printer.now_s


def test_closed_line_is_lost(printer: SimulatedPrinter) -> None:
    line = printer.transport()
    line.close()
    line.close()
    with pytest.raises(LinkLost, match="closed"):
        line.write(b"M105\n")
    with pytest.raises(LinkLost, match="closed"):
        line.read(1.0)
    assert printer.transport().read(1.0) == b"start\n"


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ("one line", "ok T:{T} /0.0 B:24.0 /0.0 @:0 B@:0\n"),
        ("two lines", "T:{T} /0.0 B:24.0 /0.0 @:0 B@:0\nok\n"),
        ("no duty", "ok T:{T} /0.0 B:24.0 /0.0\n"),
        ("two tools", "ok T:{T} /0.0 B:24.0 /0.0 T0:{T} /0.0 T1:24.0 /0.0 @:0 B@:0 @1:0\n"),
    ],
)
def test_report_shapes(shape: ReplyShape, expected: str, ask: Ask) -> None:
    line = SimulatedPrinter(replace(SLEEVE, reply_shape=shape, noise_K=0.0)).transport()
    line.read(2.0)
    said = ask(line, "M105")
    temperature = said.split("T:")[1].split()[0]
    assert said == expected.replace("{T}", temperature)
    assert float(temperature) == pytest.approx(24.0, abs=0.3)


def test_duty_counts_to_127(line: Transport, ask: Ask) -> None:
    ask(line, "M104 S240")
    listen(line, 2.0)
    assert " @:127 " in ask(line, "M105")


def test_identity(line: Transport, ask: Ask) -> None:
    said = ask(line, "M115")
    assert "MACHINE_TYPE:swift-sleeve" in said
    assert "TIME_SCALE" not in said
    fast = SimulatedPrinter(SLEEVE, time_scale=20.0).transport()
    fast.read(2.0)
    assert "TIME_SCALE:20" in ask(fast, "M115")


@pytest.mark.parametrize("command", ["M84", "G28", "G90", "M302 P1", "M82", "M107", "M18", "M108"])
def test_accepted_without_a_word(command: str, line: Transport, ask: Ask) -> None:
    assert ask(line, command) == "ok\n"


@pytest.mark.parametrize("command", ["M777 S1", "hello", "*", "G"])
def test_unknown_commands_are_named(command: str, line: Transport, ask: Ask) -> None:
    assert ask(line, command) == f'echo:Unknown command: "{command}"\nok\n'


def test_bytes_that_are_no_text(line: Transport) -> None:
    line.write(b"\xff\xfe\x00M1\n" + b"y" * 5000 + b"\n")
    heard = listen(line, 1.0)
    assert heard.count("ok") == 2


def test_numbered_lines_and_resend(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(encode("M110 N0", 0))
    assert listen(line, 0.1) == ["ok"]
    line.write(encode("M104 S50", 1))
    assert listen(line, 0.1) == ["ok"]
    line.write(encode("M104 S70", 2).replace(b"S70", b"S90"))
    assert listen(line, 0.1) == ["Resend: 2", "ok"]
    line.write(encode("M104 S80", 4))
    assert listen(line, 0.1) == ["Resend: 2", "ok"]
    assert printer.target_C == 50.0
    line.write(encode("M104 S70", 2))
    assert listen(line, 0.1) == ["ok"]
    assert printer.target_C == 70.0


@pytest.mark.parametrize("spoiled", [b"N1 M104 S99", b"O1 M104 S99*45", b"N1 M104 S99*"])
def test_a_number_without_a_right_checksum_is_not_obeyed(
    spoiled: bytes, line: Transport, printer: SimulatedPrinter
) -> None:
    line.write(spoiled + b"\n")
    assert listen(line, 0.1) == ["Resend: 1", "ok"]
    assert printer.target_C == 0.0


def test_numbering_can_begin_anywhere(line: Transport) -> None:
    line.write(encode("M110 N41", 7) + encode("M105", 42))
    heard = listen(line, 0.2)
    assert heard[0] == "ok"
    assert heard[1].startswith("ok T:")


def test_lines_may_come_in_pieces(line: Transport) -> None:
    for piece in (b"M1", b"05", b"\r", b"\n"):
        line.write(piece)
    assert len(listen(line, 0.2)) == 1


def test_automatic_reports(line: Transport, ask: Ask) -> None:
    ask(line, "M155 S0.5")
    reports = listen(line, 10.0)
    assert len(reports) in (19, 20)
    assert all(report.startswith("T:") for report in reports)
    ask(line, "M155 S0")
    listen(line, 0.1)
    assert listen(line, 3.0) == []


def test_heat_and_wait(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(b"M109 S200\nM105\n")
    heard = listen(line, 60.0)
    assert heard[-1].startswith("ok T:")
    assert heard.index("ok") == len(heard) - 2
    assert all(report.startswith("T:") for report in heard[:-2])
    assert len(heard) > 8


def test_heat_and_wait_downwards_with_R(ask: Ask) -> None:
    _, line = hot(SLEEVE, 220.0)
    assert ask(line, "M109 S200") == "ok\n"
    listen(line, 2.0)
    begun_s = line.now_s()
    assert ask(line, "M109 R190").endswith("ok\n")
    assert line.now_s() - begun_s > 5.0


def test_wait_can_be_broken_off(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(b"M109 S230\n")
    assert "ok" not in listen(line, 2.5)
    line.write(b"M108\n")
    assert listen(line, 0.1) == ["ok", "ok"]
    assert printer.target_C == 230.0


def test_emergency_stop_acts_ahead_of_the_queue(line: Transport, printer: SimulatedPrinter) -> None:
    line.write(encode("M109 S230", 1) + encode("M105", 2))
    listen(line, 3.0)
    line.write(encode("M112", 3))
    heard = listen(line, 0.5)
    assert printer.target_C == 0.0
    assert "Error:emergency stop, heater locked" in heard
    line.write(encode("M105", 4))
    assert listen(line, 0.2)[0].startswith("ok T:")


def test_fan(line: Transport, printer: SimulatedPrinter, ask: Ask) -> None:
    ask(line, "M106 S127.5")
    assert printer.fan == pytest.approx(0.5)
    ask(line, "M106 P1 S255")
    assert printer.fan == pytest.approx(0.5)
    ask(line, "M106")
    assert printer.fan == 1.0
    ask(line, "M107")
    assert printer.fan == 0.0


def test_setpoint_near_the_cut_off_is_refused(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    assert ask(line, "M104 S290").startswith("echo:target refused")
    assert printer.target_C == 0.0


def test_fault_locks_the_heater_until_released(ask: Ask) -> None:
    printer, line = hot(SLEEVE)
    heard = []
    for target_C in range(220, 256, 3):
        line.write(f"M104 S{target_C}\n".encode())
        heard += listen(line, 0.1)
    assert printer.rig.fault is FaultCode.TRACKING
    assert printer.target_C == 0.0
    assert heard.count("Error:hot end strayed from its moving setpoint, heater locked") == 1
    assert "Error:heater is locked since a fault, release with M999" in heard
    assert ask(line, "M104 S200").startswith("Error:heater is locked")
    assert ask(line, "M104 S0") == "ok\n"
    ask(line, "M999")
    assert ask(line, "M104 S200") == "ok\n"
    assert printer.target_C == 200.0


def test_fault_line_is_said_when_it_happens() -> None:
    printer, line = hot(SLEEVE)
    printer.rig.break_heater(HeaterState.STUCK_ON)
    begun_s = line.now_s()
    said = line.read(begun_s + 1000.0)
    assert said == b"Error:hot end above its greatest temperature, heater locked\n"
    assert 3.0 < line.now_s() - begun_s < 10.0
    assert printer.rig.now_s == pytest.approx(line.now_s(), abs=0.03)


def test_fault_ends_waiting_and_moving(ask: Ask) -> None:
    printer, line = hot(SLEEVE)
    ask(line, "M83")
    ask(line, "G1 E500 F120")
    line.write(b"M400\n")
    listen(line, 5.0)
    printer.lock(FaultCode.RUNAWAY)
    heard = listen(line, 1.0)
    assert heard == ["Error:hot end left its setpoint, heater locked", "ok"]
    assert printer.planner.empty


def test_too_large_a_jump_faults_at_once(ask: Ask) -> None:
    printer, line = hot(replace(SLEEVE, jump_limit_K=20.0))
    assert ask(line, "M104 S250").startswith("Error:setpoint moved too far at once")
    assert printer.faulted


def test_extrusion_reaches_the_pan(ask: Ask) -> None:
    printer, line = hot(replace(SLEEVE, weighing_noise=0.0))
    ask(line, "M83")
    ask(line, "G1 E50 F120")
    assert printer.scale.mass_g() == 0.0
    begun_s = line.now_s()
    ask(line, "M400")
    assert line.now_s() - begun_s == pytest.approx(25.0, abs=0.1)
    volume_mm3 = 50.0 * 3.14159265 / 4.0 * 1.75**2
    assert printer.scale.mass_g() == pytest.approx(volume_mm3 * 1.24e-3 * 0.985, abs=2e-3)


def test_absolute_extruder_positions(ask: Ask) -> None:
    printer, line = hot(replace(SLEEVE, weighing_noise=0.0))
    for command in ("M82", "G92 E10", "G1 E30 F120", "G1 E20", "G1 E30", "M400"):
        ask(line, command)
    fed_mm3 = 30.0 * 3.14159265 / 4.0 * 1.75**2
    assert printer.rig.delivered_mm3 == pytest.approx(fed_mm3 * 0.985, rel=5e-3)


def test_travel_sets_the_duration_of_a_printing_move(ask: Ask) -> None:
    printer, line = hot(SLEEVE)
    begun_s = line.now_s()
    for command in ("G91", "G1 X30 Y40 E2 F600", "M400"):
        ask(line, command)
    assert line.now_s() - begun_s == pytest.approx(5.0, abs=0.1)
    assert printer.rig.delivered_mm3 == pytest.approx(2.0 * 2.405 * 0.985, rel=0.01)


def test_cold_extrusion_is_refused_unless_allowed(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    assert ask(line, "G1 E5 F120").startswith("echo:extrusion refused, hot end below 170 C")
    assert printer.planner.empty
    ask(line, "M302 P1")
    ask(line, "G1 E10 F120")
    assert not printer.planner.empty
    ask(line, "M400")
    assert printer.scale.mass_g() == 0.0


def test_retraction_is_never_refused(line: Transport, ask: Ask) -> None:
    assert ask(line, "G1 E-2 F1200") == "ok\n"


def test_full_queue_holds_the_acknowledgement(ask: Ask) -> None:
    _, line = hot(SLEEVE)
    ask(line, "M83")
    begun_s = line.now_s()
    for _ in range(SLEEVE.planner_moves - 1):
        ask(line, "G1 E2 F60")
    assert line.now_s() - begun_s < 1.0
    said = ask(line, "G1 E2 F60")
    assert line.now_s() - begun_s == pytest.approx(2.0, abs=0.2)
    assert said.endswith("ok\n")


def test_busy_while_finishing_moves(ask: Ask) -> None:
    _, line = hot(SLEEVE)
    ask(line, "M83")
    ask(line, "G1 E10 F60")
    assert ask(line, "M400").count("echo:busy: working") == 4


@pytest.mark.parametrize("command", ["G4 S3", "G4 P3000"])
def test_dwell(command: str, line: Transport, ask: Ask) -> None:
    begun_s = line.now_s()
    ask(line, command)
    assert line.now_s() - begun_s == pytest.approx(3.0, abs=0.1)


def test_weighing_scatters_between_extrusions_not_between_readings(ask: Ask) -> None:
    printer, line = hot(SLEEVE)
    ask(line, "M83")
    masses = [0.0]
    for _ in range(60):
        ask(line, "G1 E20 F240")
        ask(line, "M400")
        masses.append(printer.scale.mass_g())
        assert printer.scale.mass_g() == masses[-1]
    steps = [after - before for before, after in pairwise(masses)]
    mean = sum(steps) / len(steps)
    spread = (sum((step - mean) ** 2 for step in steps) / len(steps)) ** 0.5
    assert spread / mean == pytest.approx(0.01, rel=0.4)


def test_reboot_forgets_all_but_the_heat(ask: Ask) -> None:
    printer, line = hot(SLEEVE)
    ask(line, "M106 S255")
    ask(line, "M155 S1")
    printer.reboot()
    assert listen(line, 3.0) == ["start"]
    assert (printer.target_C, printer.fan) == (0.0, 0.0)
    assert float(ask(line, "M105").split("T:")[1].split()[0]) > 200.0


def test_hanging_board_answers_late(line: Transport, printer: SimulatedPrinter) -> None:
    printer.hang(4.0)
    begun_s = line.now_s()
    line.write(b"M105\nM112\n")
    assert listen(line, 3.9) == []
    assert line.read(begun_s + 10.0)
    assert 4.0 < line.now_s() - begun_s < 4.02


def test_same_seed_same_transcript(ask: Ask) -> None:
    def transcript(seed: int) -> list[str]:
        line = SimulatedPrinter(SLEEVE, seed).transport()
        line.read(2.0)
        ask(line, "M104 S200")
        return [ask(line, "M105") for _ in range(50)]

    assert transcript(4) == transcript(4)
    assert transcript(4) != transcript(5)


def test_commands_are_kept_with_their_time(
    line: Transport, printer: SimulatedPrinter, ask: Ask
) -> None:
    listen(line, 2.0)
    ask(line, "M104 S60")
    assert [text for _, text in printer.commands] == ["M104 S60"]
    assert printer.commands[0][0] == pytest.approx(line.now_s(), abs=0.01)
