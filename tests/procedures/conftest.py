"""A printer in virtual time with first-order physics, for procedures to command."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, Sample

FULL_K_per_s = 20.0
LOSS_per_s, FAN_LOSS_per_s = 0.02, 0.05
GAIN_per_K = 0.1


class FakePrinter:
    """Implements `core.ports.PrinterPort`; `trip` is asked before every call and may raise."""

    def __init__(
        self,
        trip: Callable[["FakePrinter", str], None] | None = None,
        *,
        interval_s: float = 0.25,
        heater: float = 1.0,
        ambient_C: float = 25.0,
        limit_C: float = 300.0,
    ) -> None:
        self.trip = trip
        self.interval_s, self.heater, self.limit_C = interval_s, heater, limit_C
        self.ambient_C, self.time_s, self.temperature_C = ambient_C, 0.0, ambient_C
        self.setpoint_C, self.fan, self.phase = math.nan, math.nan, ""
        self.feeding_until_s, self.flow = 0.0, 0.0
        self.locked = False
        self.samples: list[Sample] = []
        self.calls: list[tuple[str, Any]] = []
        self.notes: list[str] = []
        self.extrusions: list[Extrusion] = []
        self._noise = np.random.default_rng(7)

    def now_s(self) -> float:
        return self.time_s

    def set_phase(self, phase: str) -> None:
        self._call("set_phase", phase)
        self.phase = phase

    def set_temperature(self, setpoint_C: float) -> None:
        self._call("set_temperature", setpoint_C)
        if setpoint_C > self.limit_C:
            raise BadInput("above the limit", value=setpoint_C, limit=self.limit_C)
        self.setpoint_C = 0.0 if self.locked else setpoint_C

    def set_fan(self, fraction: float) -> None:
        self._call("set_fan", fraction)
        self.fan = fraction

    def extrude(self, length_mm: float, speed_mm_per_s: float) -> None:
        self._call("extrude", (length_mm, speed_mm_per_s))
        self.feeding_until_s = self.time_s + length_mm / speed_mm_per_s
        self.flow = speed_mm_per_s * math.pi / 4.0 * 1.75**2

    def next_sample(self) -> Sample:
        self._call("next_sample", None)
        self._advance()
        sample = Sample(
            time_s=self.time_s,
            temperature_C=round(self.temperature_C + 0.2 * self._noise.standard_normal(), 1),
            setpoint_C=self.setpoint_C,
            duty=self.duty(),
            fan=self.fan,
            flow_mm3_per_s=self.flow if self.time_s < self.feeding_until_s else 0.0,
            phase=self.phase,
        )
        self.samples.append(sample)
        return sample

    def note(self, text: str) -> None:
        self.notes.append(text)

    def record_extrusion(self, extrusion: Extrusion) -> None:
        self.extrusions.append(extrusion)

    def reset_after_fault(self) -> None:
        self._call("reset_after_fault", None)
        self.locked = False

    def make_safe(self) -> None:
        self._call("make_safe", None)
        self.setpoint_C = self.fan = 0.0

    def duty(self) -> float:
        """What a proportional controller with feed-forward of the loss asks for."""
        if not self.setpoint_C > 0.0:
            return 0.0
        steady = self._loss() * (self.setpoint_C - self.ambient_C) / FULL_K_per_s
        wanted = steady + GAIN_per_K * (self.setpoint_C - self.temperature_C)
        return min(max(wanted, 0.0), 1.0)

    def called(self, name: str) -> list[Any]:
        """The arguments of all calls of one kind."""
        return [argument for called, argument in self.calls if called == name]

    def phases(self) -> list[str]:
        """Every phase that was named, in order."""
        return [phase for phase in self.called("set_phase") if phase]

    def _loss(self) -> float:
        return LOSS_per_s + FAN_LOSS_per_s * (self.fan if self.fan > 0.0 else 0.0)

    def _advance(self) -> None:
        gain_K_per_s = self.heater * FULL_K_per_s * self.duty()
        loss_K_per_s = self._loss() * (self.temperature_C - self.ambient_C)
        self.temperature_C += (gain_K_per_s - loss_K_per_s) * self.interval_s
        self.time_s += self.interval_s

    def _call(self, name: str, argument: Any) -> None:
        self.calls.append((name, argument))
        if self.trip:
            self.trip(self, name)


@pytest.fixture
def fake_printer() -> type[FakePrinter]:
    """The class, to be built with what a test needs."""
    return FakePrinter


SMALL: dict[str, dict[str, Any]] = {
    "step": {"hold_s": 5.0},
    "ramp": {"low_C": 200.0, "high_C": 210.0, "rates_K_per_s": (2.0, 4.0)},
    "dip": {"to_C": (200.0,), "fans": (0.0, 1.0)},
    "hold": {"duration_s": 5.0},
    "extrude": {
        "temperatures_C": (200.0, 220.0),
        "flows_mm3_per_s": (12.0,),
        "reference_flow_mm3_per_s": 6.0,
        "length_mm": 20.0,
    },
    "jump": {"sizes_K": (10.0,)},
    "repeat": {"to_C": 210.0, "count": 2, "rests_s": (5.0, 0.0)},
    "verify": {"watch_s": 10.0, "flow_mm3_per_s": 4.0, "flow_s": 5.0},
    "relay": {"cycles": 4, "longest_s": 60.0},
}


@pytest.fixture
def small() -> dict[str, dict[str, Any]]:
    """Options of every procedure that keep it short."""
    return SMALL
