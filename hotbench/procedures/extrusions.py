"""Extruding into air at commanded flows and temperatures, and weighing what comes out."""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

from hotbench.core.errors import BadInput, FellShort
from hotbench.core.ports import PrinterPort, Scale
from hotbench.core.records import Extrusion
from hotbench.procedures import moves, phases
from hotbench.procedures.course import Course
from hotbench.procedures.options import (
    check_fans,
    check_positive,
    check_range,
    check_temperatures,
    option,
)
from hotbench.procedures.plan import ASSUMED_PACE, Pace, Plan, listed, plan_of
from hotbench.procedures.procedure import Procedure
from hotbench.procedures.waiting import Settling, pause, samples_for

Shot = tuple[float, float]
"""Temperature in °C and flow in mm³/s."""
NextFlow = Callable[[Sequence[Extrusion]], Shot | None]
"""Everything extruded so far to the next temperature and flow, or None when done."""

STEADY = Settling(within_K=1.0, window_s=6.0, timeout_s=180.0)
PRIME_REST_s = 3.0
OFF_TARGET_K = 8.0
EMPTY_IN_A_ROW = 2
"""A second extrusion that gains nothing is no slip of the hand: feeding on would grind filament."""
LOADS = (0.45, 1.0)
"""Flows chosen as it goes lie by these shares of the limit, about equally often."""
FEWEST_SHARE = 0.5
"""Of the weighings allowed for: where the limits become clear early."""


class LaterScale:
    """No scale at hand: every mass is filled in after the run."""

    def mass_g(self) -> float | None:
        """Unknown."""
        return None


@dataclass(frozen=True, kw_only=True)
class ExtrudeTest(Procedure):
    """Prime, settle, extrude a length at a flow, wait, weigh; flow by flow.

    Flows come from the list (at each temperature: a low-flow reference first and last, the listed
    flows between), or from the injected next_flow, which also decides on references. scale gives
    the total mass on the pan before and after; what it cannot give is filled in later. done holds
    the extrusions of an earlier, interrupted session: they count, and are not repeated.
    """

    name: ClassVar[str] = "extrude"
    summary: ClassVar[str] = "extrude at several flows and temperatures, and weigh"

    temperatures_C: tuple[float, ...] = option((200.0, 220.0, 240.0), "°C", "temperatures")
    flows_mm3_per_s: tuple[float, ...] = option((), "mm³/s", "flows to try at each temperature")
    reference_flow_mm3_per_s: float = option(2.0, "mm³/s", "flow of references and of priming")
    length_mm: float = option(100.0, "mm", "filament per extrusion")
    prime_mm: float = option(15.0, "mm", "filament to fill the nozzle, at each temperature")
    rest_s: float = option(4.0, "s", "wait after an extrusion, before weighing")
    max_weighings: int = option(36, "", "most extrusions, those of an earlier session included")
    min_extrusion_C: float = option(170.0, "°C", "never extrude below this")
    fan: float = option(0.0, "fraction", "fan setting")
    filament_diameter_mm: float = option(1.75, "mm", "filament diameter")
    next_flow: NextFlow | None = field(default=None, compare=False)
    scale: Scale = field(default_factory=LaterScale, compare=False)
    done: tuple[Extrusion, ...] = ()

    def __post_init__(self) -> None:
        check_temperatures("temperatures_C", self.temperatures_C)
        for flow in (*self.flows_mm3_per_s, self.reference_flow_mm3_per_s):
            check_range("flows_mm3_per_s", flow, 0.1, 200.0, "mm³/s")
        for name in ("length_mm", "prime_mm", "filament_diameter_mm"):
            check_positive(name, getattr(self, name))
        check_range("rest_s", self.rest_s, 0.0, 120.0, "s")
        check_range("max_weighings", self.max_weighings, 1, 1000, "weighings")
        check_fans("fan", (self.fan,))
        self._check_warm("temperatures_C", min(self.temperatures_C))
        if self.next_flow is None and not self.flows_mm3_per_s:
            raise BadInput("needs at least one value", where="flows_mm3_per_s")

    def plan(self, pace: Pace = ASSUMED_PACE) -> Plan:
        """Temperatures, weighings, filament and time."""
        shots = self._expected(pace)
        warm_ups = len({temperature_C for temperature_C, _ in shots})
        filament_mm = len(shots) * self.length_mm + warm_ups * self.prime_mm
        return plan_of(
            self._lines(len(shots)),
            pace,
            self._time_s,
            max_temperature_C=max(self.temperatures_C),
            least_s=lambda quick: self._time_s(quick, FEWEST_SHARE if self.next_flow else 1.0),
            filament_mm=filament_mm,
        )

    def execute(self, printer: PrinterPort) -> None:
        """Shot by shot until the choice says it is done; one that gained nothing is repeated.

        FellShort when EMPTY_IN_A_ROW gain nothing; what was recorded stays, and can be taken up.
        """
        history, at_C, empty = list(self.done), math.nan, 0
        choose = self.next_flow or self._fixed()
        while len(history) < self.max_weighings and (shot := choose(history)) is not None:
            temperature_C, flow_mm3_per_s = shot
            self._check_choice(temperature_C, flow_mm3_per_s)
            if temperature_C != at_C:
                self._prepare(printer, temperature_C)
                at_C = temperature_C
            if (extrusion := self._extrude(printer, temperature_C, flow_mm3_per_s)) is not None:
                history.append(extrusion)
                empty = 0
            elif (empty := empty + 1) == EMPTY_IN_A_ROW:
                raise FellShort(
                    f"the pan gained nothing {empty} times in a row at {flow_mm3_per_s:g} mm³/s: "
                    "look for a blocked nozzle, stripped filament or a pan that is not weighed"
                )

    @property
    def mm3_per_mm(self) -> float:
        """Filament volume per length."""
        return math.pi / 4.0 * self.filament_diameter_mm**2

    def _check_warm(self, name: str, temperature_C: float) -> None:
        if temperature_C < self.min_extrusion_C:
            raise BadInput(
                "too cold to extrude",
                where=name,
                value=f"{temperature_C:g} °C",
                limit=f"{self.min_extrusion_C:g} °C",
                remedy="a cold extrusion strips filament and breaks the drive",
            )

    def _check_choice(self, temperature_C: float, flow_mm3_per_s: float) -> None:
        self._check_warm("chosen temperature", temperature_C)
        check_range("chosen flow", flow_mm3_per_s, 0.1, 200.0, "mm³/s")

    def _prepare(self, printer: PrinterPort, temperature_C: float) -> None:
        """Come to the temperature from either side, fill the nozzle, settle."""
        moves.approach(printer, temperature_C, fan=self.fan)
        moves.rest(printer, temperature_C, STEADY)
        self._check_ready(printer, temperature_C)
        printer.set_phase(f"prime {temperature_C:g}")
        self._feed(printer, self.prime_mm, self.reference_flow_mm3_per_s)
        pause(printer, PRIME_REST_s)
        moves.rest(printer, temperature_C, STEADY)

    def _extrude(
        self, printer: PrinterPort, temperature_C: float, flow_mm3_per_s: float
    ) -> Extrusion | None:
        """The extrusion as recorded; None when the pan gained nothing."""
        moves.rest(printer, temperature_C, STEADY)
        before_g = self.scale.mass_g()
        self._check_ready(printer, temperature_C)
        printer.set_phase(phases.extrude(temperature_C, flow_mm3_per_s))
        self._feed(printer, self.length_mm, flow_mm3_per_s)
        printer.set_phase(phases.hold(temperature_C))
        pause(printer, self.rest_s)
        extrusion = Extrusion(
            setpoint_C=temperature_C,
            commanded_mm3_per_s=flow_mm3_per_s,
            commanded_mm=self.length_mm,
        )
        gained_g = self._gained_g(printer, extrusion, before_g)
        if gained_g is not None and gained_g <= 0.0:
            printer.note(
                f"pan gained {gained_g:g} g at {flow_mm3_per_s:g} mm³/s: no mass is kept, "
                "the extrusion is repeated"
            )
            printer.record_extrusion(extrusion)
            return None
        weighed = replace(extrusion, delivered_mass_g=gained_g)
        printer.record_extrusion(weighed)
        return weighed

    def _gained_g(
        self, printer: PrinterPort, extrusion: Extrusion, before_g: float | None
    ) -> float | None:
        """The extruded mass; a test that ends while it is asked for keeps what was fed."""
        try:
            return gain_g(before_g, self.scale.mass_g())
        except BaseException:
            printer.record_extrusion(extrusion)
            raise

    def _check_ready(self, printer: PrinterPort, temperature_C: float) -> None:
        """FellShort when the hot end is not at the temperature, or too cold to extrude."""
        reading_C = printer.next_sample().temperature_C
        if reading_C < self.min_extrusion_C or abs(reading_C - temperature_C) > OFF_TARGET_K:
            raise FellShort(
                f"hot end is at {reading_C:.1f} °C instead of {temperature_C:g} °C: not extruding"
            )

    def _feed(self, printer: PrinterPort, length_mm: float, flow_mm3_per_s: float) -> None:
        """Feed filament and wait until it is through; FellShort when the hot end gets too cold."""
        speed_mm_per_s = flow_mm3_per_s / self.mm3_per_mm
        printer.extrude(length_mm, speed_mm_per_s)
        for sample in samples_for(printer, length_mm / speed_mm_per_s):
            if sample.temperature_C < self.min_extrusion_C:
                raise FellShort(
                    f"hot end fell to {sample.temperature_C:.1f} °C at {flow_mm3_per_s:g} mm³/s, "
                    f"below {self.min_extrusion_C:g} °C"
                )

    def _fixed(self) -> NextFlow:
        """A chooser that works through the list, without what an earlier session did."""
        wanted = self._listed()

        def choose(history: Sequence[Extrusion]) -> Shot | None:
            left = Counter((e.setpoint_C, e.commanded_mm3_per_s) for e in history)
            for shot in wanted:
                if not left[shot]:
                    return shot
                left[shot] -= 1
            return None

        return choose

    def _listed(self) -> list[Shot]:
        reference = self.reference_flow_mm3_per_s
        flows = (reference, *self.flows_mm3_per_s, reference)
        return [(temperature, flow) for temperature in self.temperatures_C for flow in flows]

    def _expected(self, pace: Pace) -> list[Shot]:
        """The shots still to come; where they are chosen as it goes, a typical set of them."""
        count = self.max_weighings - len(self.done)
        if self.next_flow is None:
            return self._listed()[len(self.done) :][:count]
        shares = sorted(LOADS * math.ceil(count / len(LOADS)))[:count]
        places = len(self.temperatures_C)
        return [
            (self.temperatures_C[i * places // count], share * pace.melt_mm3_per_s)
            for i, share in enumerate(shares)
        ]

    def _lines(self, count: int) -> Iterator[str]:
        adaptive = self.next_flow is not None
        flows = "flows chosen as it goes" if adaptive else f"{listed(self.flows_mm3_per_s)} mm³/s"
        yield f"extrude {self.length_mm:g} mm of filament at {flows}"
        yield f"at {listed(self.temperatures_C)} °C, primed and settled before"
        most = "at most " if adaptive else ""
        yield f"{most}{count} weighings of the extruded filament; by hand they take time on top"

    def _time_s(self, pace: Pace, share: float = 1.0) -> float:
        """By the shots, or by a share of them; weighing takes no time here."""
        shots = self._expected(pace)
        shots = shots[: math.ceil(share * len(shots))]
        course, at_C = Course(pace), math.nan
        for temperature_C, flow_mm3_per_s in shots:
            if temperature_C != at_C:
                course.go(temperature_C).settle(STEADY)
                course.wait(self._feed_s(self.prime_mm, self.reference_flow_mm3_per_s))
                course.wait(PRIME_REST_s + STEADY.shortest_s)
                at_C = temperature_C
            course.wait(STEADY.shortest_s + self._feed_s(self.length_mm, flow_mm3_per_s))
            course.wait(self.rest_s)
        return course.total_s

    def _feed_s(self, length_mm: float, flow_mm3_per_s: float) -> float:
        return length_mm * self.mm3_per_mm / flow_mm3_per_s


def gain_g(before_g: float | None, after_g: float | None) -> float | None:
    """What was added to the pan; None when it was not weighed both times."""
    return None if before_g is None or after_g is None else round(after_g - before_g, 6)
