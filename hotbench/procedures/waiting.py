"""Waiting by samples: for a temperature, for it to settle, for time to pass."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from hotbench.core.errors import FellShort
from hotbench.core.ports import PrinterPort
from hotbench.core.records import Sample

ARRIVED_K = 2.0
"""A temperature counts as reached this near, before it has settled."""
STALL_s = 60.0
STALL_HEATING_K, STALL_COOLING_K = 3.0, 1.0
FEWEST_SAMPLES = 6
FILLED = 0.8
"""Share of the window that readings must span: at five a second its ends are never exact."""


@dataclass(frozen=True, kw_only=True)
class Settling:
    """When a temperature counts as settled.

    The mean over the last window_s lies within within_K of the setpoint, and the means of the
    window's halves differ by less than drift_K. With readings that scatter by 0.2 K and five of
    them per second, the difference scatters by 0.08 K.
    """

    within_K: float = 1.0
    drift_K: float = 0.6
    window_s: float = 5.0
    timeout_s: float = 120.0

    @property
    def shortest_s(self) -> float:
        """Where the temperature stands still from the beginning."""
        return FILLED * self.window_s


class Window:
    """Readings of the last few seconds."""

    def __init__(self, settling: Settling) -> None:
        self._settling = settling
        self._readings: deque[tuple[float, float]] = deque()

    def settled(self, sample: Sample, target_C: float) -> bool:
        """Take in a sample; whether the window is settled at `target_C`."""
        readings, settling = self._readings, self._settling
        readings.append((sample.time_s, sample.temperature_C))
        while readings[0][0] < sample.time_s - settling.window_s:
            readings.popleft()
        span_s = sample.time_s - readings[0][0]
        if len(readings) < FEWEST_SAMPLES or span_s < settling.shortest_s:
            return False
        older, newer = np.array_split([value for _, value in readings], 2)
        drift_K = abs(float(np.mean(newer)) - float(np.mean(older)))
        off_K = abs(0.5 * float(np.mean(newer) + np.mean(older)) - target_C)
        return off_K <= settling.within_K and drift_K <= settling.drift_K


def samples_for(printer: PrinterPort, duration_s: float) -> Iterator[Sample]:
    """Samples until `duration_s` has passed on the printer's clock."""
    until_s = printer.now_s() + duration_s
    while printer.now_s() < until_s:
        yield printer.next_sample()


def pause(printer: PrinterPort, duration_s: float) -> list[Sample]:
    """Let time pass; the samples that came meanwhile."""
    return list(samples_for(printer, duration_s))


def warm_to(printer: PrinterPort, target_C: float) -> list[Sample]:
    """Wait until the temperature has come up to ARRIVED_K below the target.

    Raises FellShort when it rises by less than STALL_HEATING_K within STALL_s before.
    """
    heard, mark_C, mark_s = [printer.next_sample()], -np.inf, printer.now_s()
    while heard[-1].temperature_C < target_C - ARRIVED_K:
        if heard[-1].temperature_C >= mark_C + STALL_HEATING_K:
            mark_C, mark_s = heard[-1].temperature_C, printer.now_s()
        if printer.now_s() - mark_s > STALL_s:
            raise FellShort(
                f"hot end stays at {heard[-1].temperature_C:.1f} °C and does not reach "
                f"{target_C:g} °C; check heater, sensor and their seat"
            )
        heard.append(printer.next_sample())
    return heard


def cool_to(printer: PrinterPort, target_C: float) -> bool:
    """Wait until the temperature has come down to the target; False when it no longer falls."""
    mark_C, mark_s = np.inf, printer.now_s()
    while (temperature_C := printer.next_sample().temperature_C) > target_C:
        if temperature_C <= mark_C - STALL_COOLING_K:
            mark_C, mark_s = temperature_C, printer.now_s()
        if printer.now_s() - mark_s > STALL_s:
            printer.note(f"no longer cools: {temperature_C:.1f} °C, wanted {target_C:g} °C")
            return False
    return True


def settle(printer: PrinterPort, target_C: float, settling: Settling | None = None) -> bool:
    """Wait until settled at the target; False, with a note, when it takes too long."""
    settling = settling or Settling()
    window = Window(settling)
    for sample in samples_for(printer, settling.timeout_s):
        if window.settled(sample, target_C):
            return True
    printer.note(f"not settled at {target_C:g} °C within {settling.timeout_s:g} s, going on")
    return False
