"""The board's command set; M108 and M112 act on arrival (see `board`) and are only noted here."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from hotbench.sim import answers
from hotbench.sim.loop import State
from hotbench.wire.commands import Command, decode

if TYPE_CHECKING:
    from hotbench.sim.board import SimulatedPrinter

RESIDENCY_s = 1.0
WAIT_REPORT_s = 1.0
DEFAULT_FEED_mm_per_min = 1500.0
AXES = "XYZ"


class Firmware:
    """Carries out command lines; what it remembers is lost at a reboot."""

    def __init__(self, board: "SimulatedPrinter") -> None:
        self._board = board
        self._last_line = 0
        self._position = dict.fromkeys("XYZE", 0.0)
        self._relative = self._relative_e = False
        self._feed_mm_per_min = DEFAULT_FEED_mm_per_min
        self._min_extrusion_C = board.spec.min_extrusion_C
        area_mm2 = math.pi / 4.0 * board.spec.filament_diameter_mm**2
        self._mm3_per_mm = area_mm2
        self._handlers: dict[str, Callable[[Command], bool]] = {
            "G0": self._move,
            "G1": self._move,
            "G4": self._dwell,
            "G28": self._accept,
            "G90": self._absolute,
            "G91": self._set_relative,
            "G92": self._set_position,
            "M18": self._accept,
            "M82": self._absolute_e,
            "M83": self._set_relative_e,
            "M84": self._accept,
            "M104": self._heat,
            "M105": self._report,
            "M106": self._fan_on,
            "M107": self._fan_off,
            "M108": self._accept,
            "M109": self._heat_and_wait,
            "M110": self._number,
            "M112": self._accept,
            "M115": self._identify,
            "M155": self._auto_report,
            "M302": self._allow_cold,
            "M400": self._finish_moves,
            "M999": self._release,
        }

    def execute(self, line: bytes) -> None:
        """Carry out one line and acknowledge it, or ask for it again."""
        text = line.decode("ascii", "replace").replace("\ufffd", "?").strip()
        try:
            command = decode(text)
        except ValueError:  # BadLine, or a word whose number is none, such as a lone sign
            self._not_understood(text)
            return
        if command.line_number is not None and "*" not in text:
            self._resend()
        elif self._in_order(command):
            self._carry_out(command, text)

    def _not_understood(self, text: str) -> None:
        if text.startswith("N") or "*" in text[1:]:
            self._resend()
        else:
            self._board.say(f'echo:Unknown command: "{text}"')
            self._board.say("ok")

    def _in_order(self, command: Command) -> bool:
        if command.line_number is None or command.code == "M110":
            return True
        if command.line_number != self._last_line + 1:
            self._resend()
            return False
        self._last_line = command.line_number
        return True

    def _resend(self) -> None:
        self._board.say(f"Resend: {self._last_line + 1}")
        self._board.say("ok")

    def _carry_out(self, command: Command, text: str) -> None:
        self._board.commands.append((self._board.now_s, text))
        handler = self._handlers.get(command.code)
        if handler is None:
            self._board.say(f'echo:Unknown command: "{text}"')
        if handler is None or handler(command):
            self._board.say("ok")

    def _accept(self, _: Command) -> bool:
        return True

    def _heat(self, command: Command) -> bool:
        board, target_C = self._board, command.get("S", command.get("R", 0.0))
        if target_C > 0.0 and board.faulted:
            board.say(answers.LOCKED)
        elif target_C > board.spec.max_temperature_C - answers.MARGIN_K:
            board.say(
                f"echo:target refused, above {board.spec.max_temperature_C:.0f} C less margin"
            )
        else:
            board.rig.set_target(target_C)
            if board.faulted and target_C > 0.0:
                board.lock(board.rig.fault)
        return True

    def _heat_and_wait(self, command: Command) -> bool:
        self._heat(command)
        board = self._board
        if board.target_C <= 0.0:
            return True
        state = board.rig.state
        cooling_counts = command.words.get("R") is not None

        def arrived() -> bool:
            warm = not cooling_counts and state[State.READING_C] >= state[State.TARGET_C]
            return bool(board.faulted or warm or state[State.IN_BAND_s] >= RESIDENCY_s)

        board.wait_until(arrived, board.temperatures, WAIT_REPORT_s)
        return False

    def _report(self, _: Command) -> bool:
        board = self._board
        if board.spec.reply_shape == "two lines":
            board.say(board.temperatures())
            return True
        board.say(answers.acknowledged(board.spec, board.temperatures()))
        return False

    def _fan_on(self, command: Command) -> bool:
        if command.get("P", 0.0) == 0.0:
            self._set_fan(command.get("S", 255.0) / 255.0)
        return True

    def _fan_off(self, _: Command) -> bool:
        self._set_fan(0.0)
        return True

    def _set_fan(self, fraction: float) -> None:
        self._board.fan = min(max(fraction, 0.0), 1.0)
        self._board.rig.set_fan(self._board.fan)

    def _number(self, command: Command) -> bool:
        stated = command.words.get("N")
        self._last_line = int(stated if stated is not None else command.line_number or 0)
        return True

    def _identify(self, _: Command) -> bool:
        self._board.say(answers.identity(self._board.spec, self._board.time_scale))
        return True

    def _auto_report(self, command: Command) -> bool:
        self._board.auto_report(command.get("S", 0.0))
        return True

    def _allow_cold(self, command: Command) -> bool:
        allowed = command.get("P", 0.0) == 1.0
        self._min_extrusion_C = (
            0.0 if allowed else command.get("S", self._board.spec.min_extrusion_C)
        )
        return True

    def _release(self, _: Command) -> bool:
        if self._board.faulted:
            self._board.rig.unlock()
        return True

    def _absolute(self, _: Command) -> bool:
        self._relative = self._relative_e = False
        return True

    def _set_relative(self, _: Command) -> bool:
        self._relative = self._relative_e = True
        return True

    def _absolute_e(self, _: Command) -> bool:
        self._relative_e = False
        return True

    def _set_relative_e(self, _: Command) -> bool:
        self._relative_e = True
        return True

    def _set_position(self, command: Command) -> bool:
        for axis in self._position:
            self._position[axis] = command.get(axis, self._position[axis])
        return True

    def _dwell(self, command: Command) -> bool:
        board = self._board
        duration_s = command.get("S", command.get("P", 0.0) / 1000.0)
        board.add_move(duration_s, 0.0)
        return self._finish_moves(command)

    def _finish_moves(self, _: Command) -> bool:
        board = self._board
        if board.planner.empty:
            return True
        board.wait_until(lambda: board.planner.empty, lambda: answers.BUSY, self._busy_s())
        return False

    def _busy_s(self) -> float:
        return self._board.spec.busy_interval_s

    def _move(self, command: Command) -> bool:
        board = self._board
        self._feed_mm_per_min = command.get("F", self._feed_mm_per_min) or DEFAULT_FEED_mm_per_min
        feed_mm = self._travel("E", command)
        distance_mm = math.hypot(*(self._travel(axis, command) for axis in AXES))
        if feed_mm > 0.0 and self._refuses_extrusion():
            feed_mm = 0.0
        length_mm = distance_mm if distance_mm > 0.0 else abs(feed_mm)
        if length_mm > 0.0:
            duration_s = length_mm * 60.0 / self._feed_mm_per_min
            board.add_move(duration_s, feed_mm * self._mm3_per_mm / duration_s)
        if board.planner.full:
            board.wait_until(lambda: not board.planner.full, lambda: answers.BUSY, self._busy_s())
            return False
        return True

    def _refuses_extrusion(self) -> bool:
        board = self._board
        if board.faulted:
            board.say(answers.LOCKED)
        elif board.rig.state[State.READING_C] < self._min_extrusion_C:
            board.say(f"echo:extrusion refused, hot end below {self._min_extrusion_C:.0f} C")
        else:
            return False
        return True

    def _travel(self, axis: str, command: Command) -> float:
        """How far an axis moves by this command; the position follows."""
        stated = command.words.get(axis)
        if stated is None:
            return 0.0
        relative = self._relative_e if axis == "E" else self._relative
        travel_mm = stated if relative else stated - self._position[axis]
        self._position[axis] += travel_mm
        return travel_mm
