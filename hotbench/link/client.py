"""The printer as procedures see it, spoken to over any transport."""

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Literal, Protocol, runtime_checkable

from hotbench.core.errors import BadInput, ControllerFault, LinkError, NoReply
from hotbench.core.ports import Observer, StopSignal, Transport
from hotbench.core.records import Event, EventKind, Extrusion, Sample
from hotbench.link.config import LinkConfig, check_fraction
from hotbench.link.dating import ReportDating
from hotbench.link.dialogue import Dialogue, Heard, acknowledges
from hotbench.link.feeding import Feeding, ahead_s
from hotbench.link.safety import (
    EMERGENCY_STOP,
    QUICK_STOP,
    QUICK_STOP_CAPABILITY,
    OffProof,
    fan_command,
    heat_command,
    safe_bytes,
    safe_commands,
)
from hotbench.link.scaling import ScaledTransport
from hotbench.link.setpoints import SetpointLog
from hotbench.wire.faults import REFUSED
from hotbench.wire.replies import (
    Banner,
    Capability,
    Fault,
    Identity,
    Ok,
    Reading,
    TemperatureReport,
)

HANDSHAKE_s = 1.0
QUIET_s = 0.25
FEWEST_POLLS = 5
OVERDUE = 3.0
"""After how many intervals an automatic report is asked for."""
SAFE_TRIES = 3
NOBODY = Identity("", {})

SafeOutcome = Literal["off", "unconfirmed", "line lost"]
SAFE_WORDS: Mapping[SafeOutcome, str] = {
    "off": "heater off, confirmed by the board",
    "unconfirmed": "heater off was sent but the board did not confirm it; "
    "switch the printer off at the plug if it stays hot",
    "line lost": "the line is gone, heater off could not be sent; "
    "switch the printer off at the plug",
}
"""What a person is told."""


@runtime_checkable
class Reopenable(Protocol):
    """A transport that can be opened again after its port vanished."""

    def reopen(self, patience_s: float) -> None:
        """Open the same port again, trying for `patience_s` wall seconds; LinkLost if in vain."""


class Printer:
    """Implements `core.ports.PrinterPort` over a transport.

    Connects at the first use: line numbering is restarted, the board identified. Polls
    temperatures at `sample_interval_s`, or asks the board to report by itself. Every sample and
    event goes to all observers in their order, even when one of them raises; the first error then
    travels on. Polls (M105) and bare `ok` lines make no events, the samples tell of them.

    If the board announces TIME_SCALE (a served simulated printer that runs fast), its time runs
    in board seconds from then on, see `time_scale`.
    """

    def __init__(
        self,
        transport: Transport,
        observers: Sequence[Observer] = (),
        config: LinkConfig | None = None,
        stop: StopSignal | None = None,
    ) -> None:
        self.config = config or LinkConfig()
        self.safe_outcome: SafeOutcome | None = None
        self._observers = list(observers)
        self._port = transport
        self._dialogue = Dialogue(transport, self.config, self._hear, stop)
        self._origin_s = transport.now_s()
        self._identity: Identity | None = None
        self._dating = ReportDating()
        self._feeds = Feeding()
        self._capabilities: dict[str, str] = {}
        self._setpoints = SetpointLog(
            self.config.setpoint_grace_s, self.config.setpoint_tolerance_K
        )
        self._fresh: deque[Sample] = deque()
        self._fan = math.nan
        self._phase = ""
        self._relative_feed = False
        self._tolerant = True
        self._quiet_observers = False
        self._duty_noted = False
        self._poll_due_s = -math.inf

    # what composition needs

    @property
    def time_scale(self) -> float:
        """Board seconds per wall second."""
        return self._dialogue.time_scale

    @property
    def round_trip_s(self) -> float:
        """Usual time from a poll to its report."""
        return self._dating.usual_round_trip_s

    @property
    def stalled_s(self) -> float:
        """How much older the last reading may be because this computer paused.

        0 in real time: there a pause is short beside what a reading can change in it.
        """
        return self._dating.late_s if self.time_scale > 1.0 else 0.0

    def add_observer(self, observer: Observer) -> None:
        """From now on hand everything to `observer` too, after those before it."""
        self._observers.append(observer)

    def remove_observer(self, observer: Observer) -> None:
        """Hand nothing more to `observer`."""
        self._observers.remove(observer)

    def begin_run(self) -> None:
        """Time 0 of the run is now."""
        self._ready()
        self._origin_s = self._dialogue.now_s()
        self._fresh.clear()
        self._dating.restart()

    def identify(self) -> Identity:
        """What the board says it is; connects if that has not happened yet.

        Raises BadInput when nothing that speaks the protocol answers.
        """
        self._ready()
        return self._identity or NOBODY

    def ping(self) -> float:
        """Ask for a temperature at once; the round trip, board seconds."""
        self._ready()
        asked_s = self._dialogue.now_s()
        self._dialogue.command("M105", also=TemperatureReport)
        self._fresh.clear()
        return self._dialogue.now_s() - asked_s

    def close(self) -> None:
        """Release the line; the board keeps doing what it was told, so make it safe before."""
        if self.config.auto_report and self._identity is not None:
            with suppress(LinkError):
                self._dialogue.write(b"\nM155 S0\n")
        self._port.close()

    # core.ports.PrinterPort

    def now_s(self) -> float:
        """Seconds since the run began."""
        return self._dialogue.now_s() - self._origin_s

    def set_phase(self, phase: str) -> None:
        """Name what is going on; every following sample carries it."""
        self._phase = phase
        self._tell("phase", phase)

    def set_temperature(self, setpoint_C: float) -> None:
        """Command the hot end's setpoint, 0 to switch off; BadInput above the limit."""
        limit_C = self.config.limit_temperature_C
        if not 0.0 <= setpoint_C <= limit_C:
            raise BadInput(
                "setpoint outside the allowed temperatures",
                value=f"{setpoint_C:g} C",
                limit=f"0 to {limit_C:g} C",
                remedy="raise the limit only as far as hot end and filament stand",
            )
        self._command(heat_command(setpoint_C, self.config.tool))
        self._setpoints.command(self.now_s(), setpoint_C)

    def set_fan(self, fraction: float) -> None:
        """Command the part fan, 0 to 1."""
        check_fraction("fan", fraction)
        self._command(fan_command(fraction))
        self._fan = fraction

    def extrude(self, length_mm: float, speed_mm_per_s: float) -> None:
        """Start feeding filament; samples carry the commanded flow until it has been fed.

        It is sent in pieces while samples are asked for, so that the board holds little that a
        stop could not take back, see `feeding`.
        """
        if not (0.0 < length_mm < math.inf and 0.0 < speed_mm_per_s < math.inf):
            raise BadInput(
                "length and speed of an extrusion must be positive",
                value=f"{length_mm:g} mm at {speed_mm_per_s:g} mm/s",
            )
        if not self._relative_feed:
            self._command("M83")
            self._relative_feed = True
        self._feeds.ask(length_mm, speed_mm_per_s, self._ahead_s())
        self._feed_on()

    def next_sample(self) -> Sample:
        """The next temperature reading, already handed to every observer."""
        self._ready()
        self._feed_on()
        end_s = self._dialogue.now_s() + self._dialogue.patience_s
        polls = 0
        while not self._fresh:
            if polls >= FEWEST_POLLS and self._dialogue.now_s() > end_s:
                raise NoReply(
                    f"{self._port.name}: no readable temperature in {polls} answers, "
                    f"last heard {self._dialogue.last_text!r}"
                )
            self._poll()
            polls += 1
        return self._fresh.popleft()

    def note(self, text: str) -> None:
        """Put a remark among the run's events."""
        self._tell("note", text)

    def record_extrusion(self, extrusion: Extrusion) -> None:
        """Hand a finished extrusion to the observers."""
        self._hand_out(lambda observer: observer.on_extrusion(extrusion))

    def reset_after_fault(self) -> None:
        """Ask a faulted board to resume, and start over with its line numbers."""
        self._tolerant = True
        self._command("M999")
        self._connect()

    def make_safe(self) -> None:
        """Heater off and fan safe, confirmed by the board where it still answers.

        Never raises, neither for a line that is gone nor for an observer that fails. A port that
        vanished is opened again if the transport can. What came of it is a note among the events
        and in `safe_outcome`.
        """
        self._tolerant = self._quiet_observers = self._dialogue.deaf_to_stop = True
        self._feeds.drop()
        for command in safe_commands(self.config):
            self._tell("command", command)
        try:
            self.safe_outcome = self._switch_off()
        except (LinkError, OSError) as error:
            self.note(str(error))
            self.safe_outcome = self._switch_off_elsewhere()
        self._stop_moves()
        self._fan = self.config.fan_safe
        self._fresh.clear()
        self._tell_safe_outcome()
        self._setpoints.command(self.now_s(), 0.0)
        self._quiet_observers = self._dialogue.deaf_to_stop = False
        self._tolerant = self._identity is None

    # connecting

    def _ready(self) -> None:
        if self._identity is None:
            self._connect()

    def _connect(self) -> None:
        self._tolerant = True
        self._handshake()
        found = self._dialogue.command("M115", also=Identity).found
        self._identity = found if isinstance(found, Identity) else NOBODY
        self._scale_time(self._identity.time_scale)
        self._relative_feed = False
        self._setpoints.clear()
        self._feeds.clear()
        if self.config.auto_report:
            self._dialogue.command(f"M155 S{self.config.sample_interval_s:g}")
        self._tolerant = False

    def _handshake(self) -> None:
        """Restart line numbering until the board, which may be starting up, agrees."""
        end_s = self._dialogue.now_s() + self.config.connect_timeout_s
        while self._dialogue.now_s() < end_s:
            self._dialogue.restart_numbering()
            if self._hears_ok(self._dialogue.now_s() + HANDSHAKE_s):
                self._dialogue.settle(QUIET_s)
                return
        heard = self._dialogue.last_text
        raise BadInput(
            f"no printer answers within {self.config.connect_timeout_s:g} s",
            where=self._port.name,
            value=repr(heard) if heard else None,
            remedy="check the port, the baud rate, and that the printer is on",
        )

    def _hears_ok(self, end_s: float) -> bool:
        while (heard := self._dialogue.read(end_s)) is not None:
            if acknowledges(heard.reply):
                return True
            if isinstance(heard.reply, Banner):
                return False
        return False

    def _scale_time(self, scale: float) -> None:
        if scale == self._dialogue.time_scale:
            return
        so_far_s = self.now_s()
        self._dialogue.transport = ScaledTransport(self._port, scale)
        self._dialogue.time_scale = scale
        self._origin_s = self._dialogue.now_s() - so_far_s
        self._dating.restart()
        self.note(f"time runs in board seconds, {scale:g} per wall second")

    # talking

    def _command(self, text: str) -> None:
        self._ready()
        self._tell("command", text)
        self._dialogue.command(text)

    def _poll(self) -> None:
        """Wait for the next report: ask once the interval is over, or once one is overdue."""
        due_s = self._poll_due_s
        if self.config.auto_report:
            due_s = self._dialogue.now_s() + OVERDUE * self.config.sample_interval_s
        while not self._fresh and self._dialogue.now_s() < due_s:
            self._dialogue.read(min(due_s, self._feed_due_s()))
            self._feed_on()
        if self._fresh:
            return
        # A poll that came late does not hurry the ones after it.
        now_s, interval_s = self._dialogue.now_s(), self.config.sample_interval_s
        self._poll_due_s = (due_s if now_s - due_s < interval_s else now_s) + interval_s
        self._dialogue.command("M105", also=TemperatureReport)

    def _ahead_s(self) -> float:
        return ahead_s(self.round_trip_s, self.time_scale)

    def _feed_due_s(self) -> float:
        """When to feed on, on the transport's clock: rounding must not tell two clocks apart."""
        return self._origin_s + self._feeds.due_s(self._ahead_s())

    def _feed_on(self) -> None:
        """Send what the board may hold of an extrusion that waits."""
        while self._feed_due_s() <= self._dialogue.now_s():
            piece = self._feeds.take()
            self._command(f"G1 E{piece.length_mm:.4f} F{piece.speed_mm_per_s * 60.0:.3f}")
            gap_s = self._feeds.sent(piece, self.now_s(), self.config.filament_area_mm2)
            if gap_s:
                self.note(f"the line was slow: the filament stood still for {gap_s:.2f} s")

    # hearing

    def _hear(self, heard: Heard) -> None:
        reply = heard.reply
        if isinstance(reply, TemperatureReport):
            self._hear_report(reply, heard)
        elif isinstance(reply, Fault):
            self._hear_fault(reply)
        elif isinstance(reply, Banner):
            self._hear_banner(reply)
        elif not isinstance(reply, Ok):
            if isinstance(reply, Capability):
                self._capabilities[reply.name] = reply.value
            self._tell("heard", reply.text)

    def _hear_report(self, report: TemperatureReport, heard: Heard) -> None:
        reading = report.hot_end(self.config.tool)
        if reading is None or not math.isfinite(reading.temperature_C):
            self._tell("heard", report.text)
        if reading is None:
            return
        interval_s = self.config.sample_interval_s if self.config.auto_report else 0.0
        time_s = self._dating.date(
            heard.at_s, self._dialogue.asked_s, heard.reports_behind, interval_s
        )
        sample = self._sample(report, reading, time_s - self._origin_s)
        self._fresh.append(sample)
        self._hand_out(lambda observer: observer.on_sample(sample))
        self._check_setpoint(sample.time_s, reading.setpoint_C)

    def _sample(self, report: TemperatureReport, reading: Reading, time_s: float) -> Sample:
        finite = math.isfinite(reading.temperature_C)
        said = not math.isnan(reading.setpoint_C)
        return Sample(
            time_s=time_s,
            temperature_C=reading.temperature_C if finite else math.nan,
            setpoint_C=reading.setpoint_C if said else self._setpoints.commanded_C,
            duty=self._duty(report.raw_duty(self.config.tool)),
            fan=self._fan,
            flow_mm3_per_s=self._feeds.flow_mm3_per_s(time_s),
            phase=self._phase,
        )

    def _duty(self, raw: float) -> float:
        duty = raw / self.config.duty_full_scale
        if math.isnan(duty) or 0.0 <= duty <= 1.0:
            return duty
        if not self._duty_noted:
            self._duty_noted = True
            self.note(
                f"duty {raw:g} lies outside 0 to {self.config.duty_full_scale:g}, taken as "
                "unknown; state the board's full scale"
            )
        return math.nan

    def _check_setpoint(self, time_s: float, reported_C: float) -> None:
        if self._tolerant or self._setpoints.holds(time_s, reported_C):
            return
        raise LinkError(
            f"the board shows a setpoint of {reported_C:g} C where "
            f"{self._setpoints.commanded_C:g} C was commanded: it refused, switched off or "
            f"restarted; last words {self._dialogue.last_text!r}"
        )

    def _hear_fault(self, fault: Fault) -> None:
        self._tell("fault" if fault.ends_run else "heard", fault.text)
        if self._tolerant or not fault.ends_run:
            return
        if fault.kind == REFUSED:
            raise LinkError(f"the board refused: {fault.text}; {fault.advice}")
        raise ControllerFault(fault.text, fault.advice, fault.kind)

    def _hear_banner(self, banner: Banner) -> None:
        self._tell("heard", banner.text)
        if not self._tolerant:
            self._setpoints.clear()
            raise LinkError(f"the board restarted during the run (it said {banner.text!r})")

    # telling

    def _tell(self, kind: EventKind, text: str) -> None:
        event = Event(self.now_s(), kind, text)
        self._hand_out(lambda observer: observer.on_event(event))

    def _hand_out(self, deliver: Callable[[Observer], None]) -> None:
        failures: list[Exception] = []
        for observer in self._observers:
            try:
                deliver(observer)
            except Exception as error:  # noqa: BLE001 - whoever fails, the others must still hear
                failures.append(error)
        if failures and not self._quiet_observers:
            raise failures[0]

    # making safe

    def _switch_off(self) -> SafeOutcome:
        for _ in range(SAFE_TRIES):
            self._dialogue.write(safe_bytes(self.config))
            if self._shows_off():
                return "off"
        if self._identity is not None:
            self._tell("command", EMERGENCY_STOP.decode().strip())
            self._dialogue.write(EMERGENCY_STOP + safe_bytes(self.config))
            return "off" if self._shows_off() else "unconfirmed"
        return "unconfirmed"

    def _stop_moves(self) -> None:
        """Have the board drop the filament moves that it still holds, where it can."""
        feeding = self._feeds.end_s > self.now_s()
        announced = self._capabilities.get(QUICK_STOP_CAPABILITY, "0") != "0"
        if not (feeding and (announced or self.config.quick_stop)):
            return
        self._tell("command", QUICK_STOP.decode().strip())
        with suppress(LinkError, OSError):
            self._dialogue.write(QUICK_STOP)
            self._dialogue.settle(QUIET_s)
            self._feeds.clear()

    def _shows_off(self) -> bool:
        """Whether the board shows that it is off, asked again and again for a while."""
        if self._identity is None:
            return False
        patience_s = max(self.config.safe_patience_s, self._dialogue.wall(1.0))
        end_s = self._dialogue.now_s() + patience_s
        proof = OffProof(self.config)
        while self._dialogue.now_s() < end_s:
            self._dialogue.write(b"M105\n")
            asked_until_s = min(end_s, self._dialogue.now_s() + patience_s / 4.0)
            while (heard := self._dialogue.read(asked_until_s)) is not None:
                if proof.given_by(heard.reply):
                    return True
        return False

    def _switch_off_elsewhere(self) -> SafeOutcome:
        """After the port vanished: open it again if possible, and switch off there."""
        if not isinstance(self._port, Reopenable):
            return "line lost"
        wait_s = self.config.reconnect_s
        self.note(
            f"the line is lost: switch the machine off; looking for the port for {wait_s:g} s"
        )
        try:
            self._port.reopen(wait_s)
            self._dialogue.forget()
            self.note("the port came back")
            return self._switch_off()
        except (LinkError, OSError) as error:
            self.note(str(error))
            return "line lost"

    def _tell_safe_outcome(self) -> None:
        self.note(SAFE_WORDS[self.safe_outcome or "unconfirmed"])
