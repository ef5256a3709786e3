"""Whether a connected printer can be measured: latency, report rate, heater, sensor, stop."""

import math
from dataclasses import dataclass
from statistics import fmean, median, quantiles

from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import Sample
from hotbench.link.client import Printer
from hotbench.wire.replies import Identity

PINGS = 60
REST_SAMPLES = 10
STEP_K = 15.0
RISE_K = 5.0
HEAT_PATIENCE_s = 60.0
OFF_PATIENCE_s = 2.0
COAST_PATIENCE_s = 60.0
COAST_K = 30.0


@dataclass(frozen=True, slots=True)
class LineCheck:
    """What the line can do.

    round_trip_s: median from poll to report; slow_round_trip_s: 95th percentile. reports_per_s:
    the highest rate of polls that 95 of 100 round trips keep up with. Board seconds.
    """

    identity: Identity
    time_scale: float
    round_trip_s: float
    slow_round_trip_s: float
    reports_per_s: float
    temperature_C: float
    reports_duty: bool


@dataclass(frozen=True, slots=True)
class HeaterCheck:
    """Whether heater, sensor and stop belong together.

    rise_s: time to a rise of RISE_K, NaN if it did not come. peak_C: highest temperature, the
    coasting after the stop included. off_s: time until the board showed setpoint 0, NaN if it did
    not. findings: what is wrong, empty when all is well.
    """

    start_C: float
    peak_C: float
    rise_s: float
    off_s: float
    findings: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether nothing is wrong."""
        return not self.findings


def check_line(printer: Printer, pings: int = PINGS) -> LineCheck:
    """Identify and read, without heating. Raises what `Printer` raises."""
    identity = printer.identify()
    trips_s = [printer.ping() for _ in range(pings)]
    slow_s = quantiles(trips_s, n=20)[-1]
    sample = printer.next_sample()
    return LineCheck(
        identity=identity,
        time_scale=printer.time_scale,
        round_trip_s=median(trips_s),
        slow_round_trip_s=slow_s,
        reports_per_s=1.0 / slow_s if slow_s > 0.0 else math.inf,
        temperature_C=sample.temperature_C,
        reports_duty=not math.isnan(sample.duty),
    )


def check_heater(printer: Printer, patience_s: float = HEAT_PATIENCE_s) -> HeaterCheck:
    """Heat by a few kelvin, stop, and look whether the board obeys. The heater ends off.

    patience_s: how long a rise by RISE_K may take. Raises BadInput where the step would pass the
    limit, and what `Printer` raises.
    """
    try:
        return _heat_and_stop(printer, patience_s)
    finally:
        printer.make_safe()


def require(check: HeaterCheck) -> None:
    """FellShort unless the check passed."""
    if not check.passed:
        raise FellShort("; ".join(check.findings))


def _heat_and_stop(printer: Printer, patience_s: float) -> HeaterCheck:
    printer.set_phase("check")
    rest = [printer.next_sample() for _ in range(REST_SAMPLES)]
    start_C = fmean(sample.temperature_C for sample in rest)
    if not math.isfinite(start_C):
        return HeaterCheck(start_C, start_C, math.nan, math.nan, ("the sensor reads no number",))
    if start_C + STEP_K > printer.config.limit_temperature_C:
        raise BadInput("too hot to begin", value=f"{start_C:.0f} C", remedy="let it cool first")
    rise_s, heated = _rise(printer, start_C, patience_s)
    off_s, stopped = _stop(printer)
    peak_C, coasts = _coast(printer, max([*heated, *stopped], default=start_C))
    found = (
        _no_rise(rise_s, start_C, peak_C, patience_s),
        _no_stop(off_s),
        f"still rising at {peak_C:.1f} C long after the stop" if coasts else "",
    )
    return HeaterCheck(start_C, peak_C, rise_s, off_s, tuple(text for text in found if text))


def _rise(printer: Printer, start_C: float, patience_s: float) -> tuple[float, list[float]]:
    """Time until the sensor follows the heater, and what it read on the way."""
    begun_s = printer.now_s()
    printer.set_temperature(start_C + STEP_K)
    heard: list[float] = []
    while printer.now_s() - begun_s < patience_s:
        sample = printer.next_sample()
        heard.append(sample.temperature_C)
        if sample.temperature_C >= start_C + RISE_K:
            return sample.time_s - begun_s, heard
    return math.nan, heard


def _stop(printer: Printer) -> tuple[float, list[float]]:
    """Time until the board shows that it is off."""
    begun_s = printer.now_s()
    printer.set_temperature(0.0)
    heard: list[float] = []
    while printer.now_s() - begun_s < OFF_PATIENCE_s:
        sample = printer.next_sample()
        heard.append(sample.temperature_C)
        if _is_off(sample):
            return sample.time_s - begun_s, heard
    return math.nan, heard


def _is_off(sample: Sample) -> bool:
    return sample.setpoint_C == 0.0 and not sample.duty > 0.0


def _coast(printer: Printer, peak_C: float) -> tuple[float, bool]:
    """The highest temperature after the stop, and whether it went on rising."""
    begun_s, limit_C = printer.now_s(), peak_C + COAST_K
    peak_s = begun_s
    while printer.now_s() - begun_s < COAST_PATIENCE_s:
        sample = printer.next_sample()
        if sample.temperature_C > peak_C:
            peak_C, peak_s = sample.temperature_C, sample.time_s
        if peak_C > limit_C:
            return peak_C, True
        if sample.time_s - peak_s > COAST_PATIENCE_s / 4.0:
            return peak_C, False
    return peak_C, True


def _no_rise(rise_s: float, start_C: float, peak_C: float, patience_s: float) -> str:
    if not math.isnan(rise_s):
        return ""
    return (
        f"the sensor went from {start_C:.1f} to at most {peak_C:.1f} C in {patience_s:g} s "
        "of heating: heater and sensor may not belong together"
    )


def _no_stop(off_s: float) -> str:
    return "" if not math.isnan(off_s) else f"not off within {OFF_PATIENCE_s:g} s of the stop"
