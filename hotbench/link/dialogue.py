"""One command in flight at a time: send, wait for the acknowledgement, send again when asked."""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median

from hotbench.core.errors import LinkError, NoReply, Stopped
from hotbench.core.ports import StopSignal, Transport
from hotbench.link.config import LinkConfig, SLICE_s, WALL_PATIENCE_s
from hotbench.wire.commands import Numbering
from hotbench.wire.lines import LineSplitter
from hotbench.wire.replies import (
    Busy,
    Identity,
    Ok,
    Reply,
    Resend,
    TemperatureReport,
    Unknown,
    parse,
)

MOST_REPEATS = 8
MOST_RETRIES = 6
LATE_OK_s = 0.1
SLOWNESS = 1.5
AFTER_BUSY = 0.8
"""Share of the patience that a board which called itself busy gets before it is asked again."""
NOT_TWICE = "G1"
"""A line without a number that must not be sent twice: the board would move twice."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A reply, when it arrived, and how many later reports came in the same piece."""

    reply: Reply
    at_s: float
    reports_behind: int = 0


@dataclass(slots=True)
class Exchange:
    """A command on its way, and what is still missing from the answer."""

    text: str
    also: type | None
    begun_s: float
    give_up_s: float
    retry_s: float
    acknowledged: bool = False
    found: Reply | None = None
    retries: int = 0
    repeats: int = 0
    doubts: int = 0
    heard_any: bool = False

    @property
    def complete(self) -> bool:
        """Whether everything asked for has come."""
        return self.acknowledged and (self.also is None or self.found is not None)


class Dialogue:
    """Lines to and from a board over a transport.

    hear is called for every reply in order and may raise; whatever it raises ends the exchange.
    """

    def __init__(
        self,
        transport: Transport,
        config: LinkConfig,
        hear: Callable[[Heard], None],
        stop: StopSignal | None,
    ) -> None:
        self.transport = transport
        self.time_scale = 1.0
        self.deaf_to_stop = False
        self.asked_s: float | None = None
        self._config, self._hear, self._stop = config, hear, stop
        self._numbering = Numbering(enabled=config.numbered)
        self._splitter = LineSplitter()
        self._queue: deque[Heard] = deque()
        self._checksums_seen = False
        self._informed_s = -math.inf
        self._latencies_s: deque[float] = deque(maxlen=5)
        self.last_text = ""

    def now_s(self) -> float:
        """The transport's clock."""
        return self.transport.now_s()

    @property
    def patience_s(self) -> float:
        """Silence that ends a run, board seconds."""
        return max(self._config.reply_timeout_s, self.wall(WALL_PATIENCE_s))

    def wall(self, wall_s: float) -> float:
        """Board seconds that pass in `wall_s` of the wall clock."""
        return wall_s * self.time_scale

    def write(self, data: bytes) -> None:
        """Bytes as they are."""
        self.transport.write(data)

    def restart_numbering(self) -> None:
        """Set the board's line count to 0; the answer is the caller's to wait for."""
        self.write(b"\n" + self._numbering.restart())

    def forget(self) -> None:
        """Drop what has been heard and half heard, as after a reconnection."""
        self._queue.clear()
        self._splitter.reset()

    def read(self, deadline_s: float) -> Heard | None:
        """The next reply, already handed to `hear`; None at the deadline.

        Raises Stopped when the stop signal is given, and what `hear` and the transport raise.
        """
        while not self._queue:
            if self._stop is not None and not self.deaf_to_stop and self._stop():
                raise Stopped("stopped on request")
            slice_s = self.now_s() + self.wall(SLICE_s)
            self._take(self.transport.read(min(deadline_s, slice_s)))
            if not self._queue and self.now_s() >= deadline_s:
                return None
        heard = self._queue.popleft()
        if isinstance(heard.reply, TemperatureReport):
            self._informed_s = heard.at_s
        self._hear(heard)
        return heard

    def settle(self, quiet_s: float = 0.0) -> None:
        """Hear everything that has arrived, until nothing comes for `quiet_s`."""
        end_s = self.now_s() + self.patience_s
        while self.read(self.now_s() + quiet_s) is not None and self.now_s() < end_s:
            pass

    def command(self, text: str, also: type | None = None) -> Exchange:
        """Send `text` and wait until it is acknowledged, and until a reply of type `also` came.

        Where the acknowledgement came but nothing of type `also` did, the exchange returns
        incomplete. Raises NoReply after the configured silence, LinkError on a line too noisy.
        """
        self.settle()
        now_s = self.now_s()
        self.asked_s = now_s if also is TemperatureReport else None
        exchange = Exchange(text, also, now_s, self._give_up_s(), self._retry_s())
        self.write(self._numbering.encode(text))
        try:
            while not exchange.complete and not self._over(exchange):
                self._advance(exchange)
        finally:
            self.asked_s = None
        return exchange

    def _take(self, data: bytes) -> None:
        at_s = self.now_s()
        replies = [self._parse(line) for line in self._splitter.feed(data)] if data else []
        behind = sum(isinstance(reply, TemperatureReport) for reply in replies)
        for reply in replies:
            behind -= isinstance(reply, TemperatureReport)
            self._queue.append(Heard(reply, at_s, behind))

    def _parse(self, line: str) -> Reply:
        reply = parse(line, self._config.faults, checksum_due=self._checksums_seen)
        if isinstance(reply, TemperatureReport):
            self._checksums_seen |= reply.checked
        self.last_text = line
        return reply

    def _give_up_s(self) -> float:
        return self.now_s() + self.patience_s

    def _retry_s(self) -> float:
        """When to send again: later on a line that has lately been slow, or retries pile up."""
        slow_s = SLOWNESS * median(self._latencies_s or (0.0,))
        wait_s = max(self._config.retry_after_s, self.wall(WALL_PATIENCE_s / 4.0), slow_s)
        return self.now_s() + wait_s

    def _over(self, exchange: Exchange) -> bool:
        return exchange.acknowledged and self.now_s() >= min(exchange.retry_s, exchange.give_up_s)

    def _advance(self, exchange: Exchange) -> None:
        heard = self.read(min(exchange.give_up_s, exchange.retry_s))
        if heard is not None:
            self._note_latency(exchange, heard)
            self._answer(exchange, heard.reply)
        if exchange.complete or exchange.acknowledged:
            return
        if self.now_s() >= exchange.give_up_s:
            raise NoReply(self._silence(exchange))
        if heard is None:
            self._retry(exchange)

    def _note_latency(self, exchange: Exchange, heard: Heard) -> None:
        """How long the line takes to say anything at all, be it unreadable."""
        if not exchange.heard_any:
            exchange.heard_any = True
            self._latencies_s.append(max(heard.at_s - exchange.begun_s, 0.0))

    def _silence(self, exchange: Exchange) -> str:
        last = f", last heard {self.last_text!r}" if self.last_text else ""
        seconds = self.patience_s
        return f"{self.transport.name}: no reply to {exchange.text} within {seconds:g} s{last}"

    def _retry(self, exchange: Exchange) -> None:
        exchange.retry_s = self._retry_s()
        twice = self._numbering.enabled or not exchange.text.startswith(NOT_TWICE)
        if twice and exchange.retries < MOST_RETRIES:
            exchange.retries += 1
            self.write(b"\n" + self._numbering.again())

    def _answer(self, exchange: Exchange, reply: Reply) -> None:
        if isinstance(reply, Busy):
            self._check_blind(exchange)
            exchange.give_up_s = self._give_up_s()
            exchange.retry_s = self.now_s() + AFTER_BUSY * self.patience_s
        elif isinstance(reply, Resend):
            self._repeat(exchange, reply)
        elif acknowledges(reply) and not exchange.acknowledged:
            exchange.acknowledged = True
            exchange.retry_s = self.now_s() if isinstance(reply, Unknown) else self._retry_s()
        elif isinstance(reply, Unknown):
            # Most likely the answer, spoiled; a short wait lets the rest of it come.
            exchange.retry_s = min(exchange.retry_s, self.now_s() + self._late_s())
        if exchange.also is not None and isinstance(reply, exchange.also):
            exchange.found = reply

    def _check_blind(self, exchange: Exchange) -> None:
        blind_s = self.now_s() - max(exchange.begun_s, self._informed_s)
        if blind_s > self._config.longest_blind_s:
            raise NoReply(
                f"{self.transport.name}: busy with {exchange.text}, "
                f"no temperature for {blind_s:.0f} s"
            )

    def _repeat(self, exchange: Exchange, wanted: Resend) -> None:
        """The board asks for a line: send it, unless the question shows that it has it."""
        exchange.repeats += 1
        if exchange.repeats > MOST_REPEATS:
            raise LinkError(
                f"{self.transport.name}: the line is too noisy, {exchange.text} was asked for "
                f"{exchange.repeats} times; check cable, earthing and baud rate"
            )
        self._late_ok(exchange)
        lines = self._numbering.lines_from(wanted.line_number)
        if lines is None:
            lines = self._doubt(exchange, wanted)
        exchange.give_up_s, exchange.retry_s = self._give_up_s(), self._retry_s()
        if lines:
            self.write(lines)
        else:
            exchange.acknowledged, exchange.retry_s = True, self.now_s()

    def _doubt(self, exchange: Exchange, wanted: Resend) -> bytes:
        """A strange line number: damaged, or from a board that restarted and counts anew."""
        exchange.doubts += 1
        if exchange.doubts > 1:
            raise LinkError(
                f"the board has lost count of the lines ({wanted.text!r}): it restarted unseen, "
                "or the line is too noisy"
            )
        return self._numbering.again()

    def _late_s(self) -> float:
        return max(LATE_OK_s, self.wall(LATE_OK_s))

    def _late_ok(self, exchange: Exchange) -> None:
        """Most boards follow a request for a line with an `ok` that acknowledges nothing."""
        end_s = self.now_s() + self._late_s()
        while (heard := self.read(end_s)) is not None:
            if exchange.also is not None and isinstance(heard.reply, exchange.also):
                exchange.found = heard.reply
            if isinstance(heard.reply, Ok):
                return


def acknowledges(reply: Reply) -> bool:
    """Whether the board has taken a line."""
    if isinstance(reply, TemperatureReport | Identity | Unknown):
        return reply.acknowledges
    return isinstance(reply, Ok)
