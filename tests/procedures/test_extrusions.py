import math

import pytest

from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import Extrusion
from hotbench.procedures.extrusions import ExtrudeTest, gain_g
from hotbench.procedures.runner import run

AREA_mm2 = math.pi / 4.0 * 1.75**2
SHORT = {"length_mm": 20.0, "reference_flow_mm3_per_s": 6.0, "rest_s": 2.0}


class Pan:
    """A pan that gains what the printer was told to feed, 1.24 g/cm³."""

    def __init__(self, printer) -> None:
        self._printer = printer

    def mass_g(self) -> float | None:
        fed_mm = sum(length for length, _ in self._printer.called("extrude"))
        return 5.0 + fed_mm * AREA_mm2 * 1.24e-3


def test_every_flow_is_extruded_between_references_and_weighed(fake_printer) -> None:
    printer = fake_printer()
    test = ExtrudeTest(
        temperatures_C=(200.0, 220.0), flows_mm3_per_s=(12.0,), scale=Pan(printer), **SHORT
    )
    run(test, printer)
    shots = [(e.setpoint_C, e.commanded_mm3_per_s) for e in printer.extrusions]
    assert shots == [(t, f) for t in (200.0, 220.0) for f in (6.0, 12.0, 6.0)]
    # 20 mm of 1.75 mm filament at 1.24 g/cm³, prime excluded
    masses = [e.delivered_mass_g for e in printer.extrusions]
    assert masses == pytest.approx([20.0 * AREA_mm2 * 1.24e-3] * 6, abs=1e-6)
    length_mm, speed_mm_per_s = printer.called("extrude")[2]
    assert (length_mm, speed_mm_per_s) == (20.0, pytest.approx(12.0 / AREA_mm2))


def test_samples_during_an_extrusion_carry_its_phase_and_flow(fake_printer) -> None:
    printer = fake_printer()
    run(ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(12.0,), **SHORT), printer)
    during = [s for s in printer.samples if s.phase == "extrude 200 12.0"]
    assert len(during) * printer.interval_s == pytest.approx(20.0 * AREA_mm2 / 12.0, abs=1.0)
    assert {round(s.flow_mm3_per_s, 6) for s in during[:-2]} == {12.0}
    assert printer.phases().index("prime 200") < printer.phases().index("extrude 200 6.0")


class Slipping(Pan):
    """A pan that shows nothing, or less than before, after some of the extrusions."""

    def __init__(self, printer, slips: dict[int, float]) -> None:
        super().__init__(printer)
        self._slips, self._reads, self._before_g = slips, 0, 0.0

    def mass_g(self) -> float | None:
        shot, after = divmod(self._reads, 2)
        self._reads += 1
        if after and shot in self._slips:
            return self._before_g + self._slips[shot]
        self._before_g = super().mass_g() or 0.0
        return self._before_g


@pytest.mark.parametrize("gain", [0.0, -0.02])
def test_a_pan_that_gained_nothing_is_weighed_again(fake_printer, gain: float) -> None:
    printer = fake_printer()
    scale = Slipping(printer, {1: gain})
    run(
        ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(12.0,), scale=scale, **SHORT), printer
    )
    done = [(e.commanded_mm3_per_s, e.delivered_mass_g is None) for e in printer.extrusions]
    assert done == [(6.0, False), (12.0, True), (12.0, False), (6.0, False)]
    assert [n for n in printer.notes if f"pan gained {gain:g} g at 12" in n]


def test_the_choice_never_sees_an_extrusion_that_gained_nothing(fake_printer) -> None:
    seen: list[int] = []

    def choose(history):
        seen.append(len(history))
        assert all(e.delivered_mass_g for e in history)
        return (200.0, 6.0 + len(history)) if len(history) < 3 else None

    printer = fake_printer()
    scale = Slipping(printer, {0: 0.0, 2: -0.01})
    run(ExtrudeTest(temperatures_C=(200.0,), next_flow=choose, scale=scale, **SHORT), printer)
    assert seen == [0, 0, 1, 1, 2, 3]


def test_nothing_twice_in_a_row_ends_the_session_with_its_record(fake_printer) -> None:
    printer = fake_printer()
    scale = Slipping(printer, {1: 0.0, 2: 0.0})
    test = ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(12.0,), scale=scale, **SHORT)
    with pytest.raises(FellShort, match="gained nothing 2 times in a row at 12 mm³/s"):
        run(test, printer)
    assert len(printer.extrusions) == 3
    assert printer.extrusions[0].delivered_mass_g is not None
    assert printer.setpoint_C == 0.0


def test_without_a_scale_masses_are_left_for_later(fake_printer) -> None:
    printer = fake_printer()
    run(ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(12.0,), **SHORT), printer)
    assert [e.delivered_mass_g for e in printer.extrusions] == [None] * 3
    assert gain_g(None, 2.0) is None
    assert gain_g(1.0, None) is None


def test_the_choice_decides_on_temperature_and_flow_and_when_to_end(fake_printer) -> None:
    asked: list[int] = []

    def choose(history):
        asked.append(len(history))
        return [(220.0, 6.0), (220.0, 8.4), (200.0, 6.0), None][len(history)]

    printer = fake_printer()
    run(ExtrudeTest(temperatures_C=(200.0, 220.0), next_flow=choose, **SHORT), printer)
    assert asked == [0, 1, 2, 3]
    assert [p for p in printer.phases() if p.startswith(("prime", "extrude"))] == [
        "prime 220",
        "extrude 220 6.0",
        "extrude 220 8.4",
        "prime 200",
        "extrude 200 6.0",
    ]
    cold = [s.temperature_C for s in printer.samples if s.phase == "extrude 200 6.0"]
    assert max(cold) < 203.0


def test_the_number_of_weighings_is_bounded(fake_printer) -> None:
    printer = fake_printer()
    endless = ExtrudeTest(
        temperatures_C=(200.0,), next_flow=lambda history: (200.0, 9.0), max_weighings=4, **SHORT
    )
    run(endless, printer)
    assert len(printer.extrusions) == 4


def test_an_interrupted_session_is_taken_up_where_it_ended(fake_printer) -> None:
    done = tuple(Extrusion(200.0, flow, 20.0, 0.06) for flow in (6.0, 12.0))
    printer = fake_printer()
    run(
        ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(12.0, 18.0), done=done, **SHORT),
        printer,
    )
    assert [e.commanded_mm3_per_s for e in printer.extrusions] == [18.0, 6.0]


def test_too_cold_is_refused_before_anything_heats() -> None:
    with pytest.raises(BadInput, match=r"^temperatures_C: too cold.*got 160 °C, limit 170 °C"):
        ExtrudeTest(temperatures_C=(160.0, 220.0), flows_mm3_per_s=(6.0,))


def test_a_choice_that_is_too_cold_is_refused(fake_printer) -> None:
    printer = fake_printer()
    with pytest.raises(BadInput, match="chosen temperature: too cold"):
        run(ExtrudeTest(next_flow=lambda history: (150.0, 6.0)), printer)
    assert not printer.called("extrude")
    assert printer.setpoint_C == 0.0


def test_a_hot_end_that_lost_its_heat_while_weighing_extrudes_nothing(fake_printer) -> None:
    printer = fake_printer()

    class SlowScale:
        def mass_g(self) -> float | None:
            printer.temperature_C = 150.0
            return 1.0

    test = ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(6.0,), scale=SlowScale(), **SHORT)
    with pytest.raises(FellShort, match=r"instead of 200 °C: not extruding"):
        run(test, printer)
    assert len(printer.called("extrude")) == 1  # the prime, before


def test_a_hot_end_that_sags_too_far_ends_the_extrusion(fake_printer) -> None:
    def trip(printer, call: str) -> None:
        if printer.phase.startswith("extrude"):
            printer.heater = -1.0

    printer = fake_printer(trip)
    with pytest.raises(FellShort, match="below 170 °C"):
        run(ExtrudeTest(temperatures_C=(200.0,), flows_mm3_per_s=(6.0,), length_mm=100.0), printer)
    assert printer.setpoint_C == 0.0


@pytest.mark.parametrize(
    ("options", "name"),
    [
        ({}, "flows_mm3_per_s"),
        ({"flows_mm3_per_s": (0.0,)}, "flows_mm3_per_s"),
        ({"flows_mm3_per_s": (5.0,), "length_mm": 0.0}, "length_mm"),
        ({"flows_mm3_per_s": (5.0,), "filament_diameter_mm": -1.0}, "filament_diameter_mm"),
        ({"flows_mm3_per_s": (5.0,), "max_weighings": 0}, "max_weighings"),
        ({"flows_mm3_per_s": (5.0,), "rest_s": -1.0}, "rest_s"),
        ({"flows_mm3_per_s": (5.0,), "temperatures_C": ()}, "temperatures_C"),
    ],
)
def test_extrusion_options_out_of_range_are_named(options, name: str) -> None:
    with pytest.raises(BadInput, match=f"^{name}: "):
        ExtrudeTest(**options)
