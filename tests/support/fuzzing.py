"""Streams of damaged reports: what is accepted must be true, and memory bounded."""

import numpy as np

from hotbench.wire.commands import checksum
from hotbench.wire.lines import LineSplitter
from hotbench.wire.replies import TemperatureReport, parse


def checked(body: str) -> str:
    """The line with its checksum."""
    return f"{body}*{checksum(body)}"


def spoil(random: np.random.Generator, line: bytes) -> bytes:
    """One of the things that happen to a line: a byte changed, lost, added, cut, garbage, none."""
    place = int(random.integers(0, len(line)))
    noise = random.integers(0, 256, int(random.integers(1, 60)), dtype=np.uint8).tobytes()
    kind = int(random.integers(0, 6))
    return (
        line,
        line[:place] + noise[:1] + line[place + 1 :],
        line[:place] + line[place + 1 :],
        line[:place] + b"\n",
        noise + b"\n" + line,
        line[:-1],
    )[kind]


def fuzz(total_bytes: int, seed: int) -> tuple[int, int]:
    """Reports accepted and bytes fed; checks every accepted one and the memory held."""
    random = np.random.default_rng(seed)
    splitter, accepted, fed = LineSplitter(limit=256), 0, 0
    truth: set[str] = set()
    while fed < total_bytes:
        before, truth = truth, {f"{value:.1f}" for value in random.uniform(-20.0, 300.0, 50)}
        lines = [checked(f"ok T:{value} /210.0 @:64").encode() + b"\n" for value in truth]
        stream = b"".join(spoil(random, line) for line in lines)
        fed += len(stream)
        cuts = np.sort(random.integers(0, len(stream), 5))
        for piece in np.split(np.frombuffer(stream, np.uint8), cuts):
            for line in splitter.feed(piece.tobytes()):
                accepted += accept(line, truth | before)
            assert splitter.pending <= 256
    return accepted, fed


def accept(line: str, truth: set[str]) -> bool:
    reply = parse(line, checksum_due=True)
    if not isinstance(reply, TemperatureReport):
        return False
    hot_end = reply.hot_end()
    assert hot_end is None or f"{hot_end.temperature_C:.1f}" in truth, line
    return True
