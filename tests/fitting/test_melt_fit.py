"""The melt fit on weighings whose truth is known."""

import json
from collections.abc import Sequence
from dataclasses import asdict

import numpy as np
import pytest
from melt_truths import Truth

from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion, Run, RunInfo
from hotbench.fitting.melt import compare_fits, fit_melt, without_points
from hotbench.fitting.melt_curve import SHAPE_MISFIT
from hotbench.fitting.melt_points import melt_points
from hotbench.fitting.melt_solve import CURVE_MISFIT
from hotbench.models import melt, units
from hotbench.sim.melting import flow_limit_mm3_per_s as finite_contact_limit
from hotbench.sim.physics import Env, heat_flows_W, uniform_fields
from hotbench.sim.plant import cells_of, env_of, flow_limit_of
from hotbench.sim.printers import PRINTERS

TEMPERATURES_C = (200.0, 220.0, 240.0)
LOADS = (0.4, 0.45, 0.5, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2)
ALPHA_L, SOFTENING_C, EXPONENT, FULL = 0.9, 128.0, 6.0, 0.985


def limit(temperature_C: float) -> float:
    return float(melt.flow_limit_mm3_per_s(temperature_C, ALPHA_L, SOFTENING_C, feed_C=30.0))


def weigh(
    temperature_C: float, flow: float, noise: float = 0.0, random: np.random.Generator | None = None
) -> Extrusion:
    ratio = melt.delivered_ratio(flow, limit(temperature_C), EXPONENT, FULL)
    ratio *= 1.0 + (noise * random.standard_normal() if random else 0.0)
    mass_g = ratio * units.mass_of_length_g(100.0, 1.75, 1.24)
    return Extrusion(temperature_C, flow, 100.0, delivered_mass_g=float(mass_g))


def session(
    temperatures_C: Sequence[float] = TEMPERATURES_C, noise: float = 0.0, seed: int = 0
) -> list[Extrusion]:
    random = np.random.default_rng(seed)
    return [weigh(at, load * limit(at), noise, random) for at in temperatures_C for load in LOADS]


def test_exact_weighings_give_the_truth_back() -> None:
    fit = fit_melt(session())
    assert fit.alpha_L_eff is not None
    assert fit.softening is not None
    for found in fit.limits:
        assert found.limit.value == pytest.approx(limit(found.temperature_C), rel=3e-3)
    assert fit.alpha_L_eff.value == pytest.approx(ALPHA_L, rel=1e-2)
    assert fit.softening.value == pytest.approx(SOFTENING_C, abs=1.0)
    assert fit.exponent.value == pytest.approx(EXPONENT, rel=1e-2)
    assert fit.levels[0].value == pytest.approx(FULL, rel=1e-3)
    assert fit.unidentified == ()


def test_curve_holds_between_and_beyond_the_measured_temperatures() -> None:
    fit = fit_melt(session(noise=0.005, seed=4))
    for at in (190.0, 200.0, 210.0, 230.0, 250.0):
        found = fit.flow_limit(at)
        assert found.low is not None
        assert found.high is not None
        assert found.low < limit(at) < found.high
        assert found.basis == ("fitted" if 200.0 <= at <= 240.0 else "extrapolated")
    widths = [fit.flow_limit(at).half_width / limit(at) for at in (240.0, 250.0, 270.0)]
    assert widths == sorted(widths)
    assert fit.flow_limit(100.0).value == 0.0


def test_minimum_temperature_inverts_the_band() -> None:
    fit = fit_melt(session(noise=0.01, seed=1))
    flow = fit.flow_limit(215.0)
    found = fit.minimum_temperature(flow.value)
    assert found.value == pytest.approx(215.0, abs=0.05)
    assert found.low < 215.0 < found.high
    # The upper band reaches this flow at `low`, the lower band at `high`.
    assert fit.flow_limit(found.low).high == pytest.approx(flow.value, rel=2e-3)
    assert fit.flow_limit(found.high).low == pytest.approx(flow.value, rel=2e-3)
    # 5 % in flow is about 11 K: the interval must be that much wider in temperature.
    assert found.half_width > 5.0
    with pytest.raises(BadInput, match="no temperature melts"):
        fit.minimum_temperature(1000.0)


def test_tables_mark_extrapolation_and_the_governing_limit() -> None:
    fit = fit_melt(session())
    rows = fit.flow_limit_table([200.0, 240.0, 260.0], heater_flow=lambda at: 12.5)
    assert [row.governed_by for row in rows] == ["melting", "heater power", "heater power"]
    assert [row.flow.value for row in rows[1:]] == [12.5, 12.5]
    assert [row.extrapolated for row in rows] == [False, False, True]
    low, high = fit.minimum_temperature_table([limit(205.0), limit(255.0)])
    assert (low.extrapolated, high.extrapolated) == (False, True)


def test_even_surface_rises_with_flow() -> None:
    fit = fit_melt(session())
    rows = fit.even_surface_table([4.0, 8.0, 12.0], reference_C=210.0, reference_mm3_per_s=8.0)
    walls = [row.temperature.value for row in rows]
    assert walls == sorted(walls)
    assert walls[1] == pytest.approx(210.0)
    assert {row.temperature.basis for row in rows} == {"extrapolated"}


@pytest.mark.parametrize("name", sorted(PRINTERS))
def test_even_surface_holds_the_exit_temperature_of_the_simulated_printer(name: str) -> None:
    """Filament heated cell by cell at a uniform wall, against the fit to its flow limits alone."""
    spec = PRINTERS[name]
    cells, env = cells_of(spec), env_of(spec)

    def leaving_C(wall_C: float, flow: float) -> float:
        fields = uniform_fields(spec.cell_count, wall_C)
        taken_W = heat_flows_W(cells, fields, env, 0.0, 0.0, flow)["filament"]
        return float(env[Env.FEED_C] + taken_W / (flow * env[Env.FILAMENT_J_per_mm3_K]))

    full_g = units.mass_of_length_g(100.0, 1.75, 1.24)
    weighed = [
        Extrusion(
            at,
            load * flow_limit_of(spec, at),
            100.0,
            float(full_g * melt.delivered_ratio(load, 1.0, EXPONENT, FULL)),
        )
        for at in TEMPERATURES_C
        for load in LOADS
    ]
    limit_220 = flow_limit_of(spec, 220.0)
    reference = 0.5 * limit_220
    kept_C = leaving_C(220.0, reference)
    flows = [load * limit_220 for load in (0.25, 0.7, 0.9)]
    rows = fit_melt(weighed).even_surface_table(
        flows, reference_C=220.0, reference_mm3_per_s=reference
    )
    for row in rows:
        found = row.temperature
        assert found.low is not None
        assert found.high is not None
        low_C, high_C = (leaving_C(at, row.flow_mm3_per_s) for at in (found.low, found.high))
        assert low_C <= kept_C <= high_C
        untouched_K = abs(leaving_C(220.0, row.flow_mm3_per_s) - kept_C)
        left_K = abs(leaving_C(found.value, row.flow_mm3_per_s) - kept_C)
        # Where the mean softens, the centreline figure takes back a third of the change only.
        assert left_K < 0.75 * untouched_K


def test_even_surface_intervals_hold_on_unlike_hot_ends() -> None:
    covered = []
    for seed in range(930_000, 930_040):
        truth = Truth(seed)
        weighed = [truth.weigh(at, x * truth.limit(at)) for at in TEMPERATURES_C for x in LOADS]
        at_220 = truth.limit(220.0)
        flows = [load * at_220 for load in (0.25, 0.7, 0.9)]
        rows = fit_melt(weighed).even_surface_table(
            flows, reference_C=220.0, reference_mm3_per_s=0.5 * at_220
        )
        gone = [truth.heated_share(flow) for flow in flows]
        walls_C = [30.0 + 190.0 * truth.heated_share(0.5 * at_220) / share for share in gone]
        covered += [
            row.temperature.low < wall_C < row.temperature.high
            for row, wall_C in zip(rows, walls_C, strict=True)
        ]
    assert np.mean(covered) >= 0.9


def test_minimum_temperatures_below_the_tried_range_hold_on_unlike_hot_ends() -> None:
    covered, floors = [], []
    for seed in range(931_000, 931_040):
        truth = Truth(seed)
        weighed = [truth.weigh(at, x * truth.limit(at)) for at in TEMPERATURES_C for x in LOADS]
        fit = fit_melt(weighed)
        for at in (165.0, 180.0, 190.0, 197.0):
            found = fit.minimum_temperature(truth.limit(at))
            covered.append(found.low <= at <= found.high)
            floors.append(found.low == fit.feed_C)
    assert np.mean(covered) >= 0.9
    # Not bought by giving up everywhere.
    assert 0.1 < np.mean(floors) < 0.9


def test_too_few_temperatures_leave_the_curve_unidentified() -> None:
    fit = fit_melt(session((200.0, 230.0)))
    assert fit.alpha_L_eff is None
    assert fit.limits[1].limit.value == pytest.approx(limit(230.0), rel=5e-3)
    assert fit.flow_limit(230.0).value == pytest.approx(limit(230.0), rel=5e-3)
    assert "3 temperatures" in fit.unidentified[0].test
    for ask in (lambda: fit.flow_limit(215.0), lambda: fit.minimum_temperature(9.0)):
        with pytest.raises(BadInput, match="temperatures"):
            ask()


def test_no_loss_seen_is_unidentified_with_its_test() -> None:
    slow = [weigh(at, load * limit(at)) for at in (200.0, 220.0) for load in (0.3, 0.4, 0.5)]
    fit = fit_melt(slow)
    names = [doubt.parameter for doubt in fit.unidentified]
    assert names[:2] == ["flow limit at 200 °C", "flow limit at 220 °C"]
    assert "until 7 % is missing" in fit.unidentified[0].test


def test_one_fumbled_weighing_does_not_move_the_limit() -> None:
    good = session(noise=0.01, seed=2)
    bad = list(good)
    assert good[6].delivered_mass_g is not None
    bad[6] = weigh(200.0, 2.0 * limit(200.0))
    bad[6] = Extrusion(200.0, good[6].commanded_mm3_per_s, 100.0, good[6].delivered_mass_g * 0.7)
    moved = fit_melt(bad).limits[0].limit.value / fit_melt(good).limits[0].limit.value
    assert abs(moved - 1.0) < 0.02


def test_excluded_entries_keep_their_reason() -> None:
    extrusions = session(noise=0.01, seed=3)
    fit = fit_melt(extrusions, exclude={2: "string fell off the pan"})
    assert fit.weighings == len(extrusions) - 1
    assert fit.excluded == {2: "string fell off the pan"}
    again = without_points(fit, {0: "nozzle dripped"})
    assert again.weighings == fit.weighings - 1
    with pytest.raises(BadInput, match="no such extrusion"):
        fit_melt(extrusions, exclude={99: "none"})


@pytest.mark.parametrize("mass_g", [0.0, -0.02, float("inf")])
def test_one_entry_of_nothing_is_left_out_and_named(mass_g: float) -> None:
    good = session(noise=0.01, seed=3)
    fit = fit_melt([*good, Extrusion(220.0, 9.0, 100.0, delivered_mass_g=mass_g)])
    assert fit.weighings == len(good)
    assert fit.excluded == {len(good): f"delivered_mass_g of {mass_g:g} is no delivered amount"}
    assert fit.limits == fit_melt(good).limits


def test_lengths_are_evidence_too() -> None:
    lengths = [
        Extrusion(e.setpoint_C, e.commanded_mm3_per_s, 100.0, delivered_mm=100.0 * ratio)
        for e in session()
        for ratio in [melt.delivered_ratio(e.commanded_mm3_per_s, limit(e.setpoint_C), 6.0, 0.99)]
    ]
    fit = fit_melt(lengths)
    assert fit.evidence == "delivered length"
    assert "5 % below" in fit.statement
    assert fit.limits[2].limit.value == pytest.approx(limit(240.0), rel=5e-3)


PLATEAUS_N = (300.0, 360.0, 390.0)


def pulled(seed: int) -> list[Extrusion]:
    """Pulled samples: 80 % of each temperature's own plateau at the limit, 6 % scatter."""
    random = np.random.default_rng(seed)
    loads = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2) * 2
    return [
        Extrusion(
            at,
            load * limit(at),
            100.0,
            bond_force_N=float(plateau_N * 0.8 ** (load**5.0) * np.exp(random.normal(0.0, 0.06))),
        )
        for at, plateau_N in zip(TEMPERATURES_C, PLATEAUS_N, strict=True)
        for load in loads
    ]


def test_bond_force_rests_on_a_share_of_its_own_plateau() -> None:
    fit = fit_melt(pulled(0), section_mm2=12.0)
    assert (fit.evidence, fit.limit_share) == ("bond force", 0.8)
    assert "20 % below" in fit.statement
    for level, plateau_N in zip(fit.levels, PLATEAUS_N, strict=True):
        assert level.unit == "N/mm2"
        assert level.value == pytest.approx(plateau_N / 12.0, rel=0.1)
    covered = [
        found.limit.low < limit(found.temperature_C) < found.limit.high
        for seed in range(12)
        for found in fit_melt(pulled(seed)).limits
    ]
    assert np.mean(covered) > 0.85


def test_runs_bring_their_filament() -> None:
    info = RunInfo(
        run_id="a",
        procedure="extrude",
        created="2026-01-01T00:00:00Z",
        material="PETG",
        filament_diameter_mm=2.85,
        filament_density_g_per_cm3=1.27,
    )
    weighed = Extrusion(220.0, 5.0, 100.0, units.mass_of_length_g(100.0, 2.85, 1.27))
    run = Run.from_samples(info, [], extrusions=[weighed] * 4)
    points = melt_points([run])
    assert (points.material, points.filament_diameter_mm) == ("PETG", 2.85)
    assert np.allclose(points.level, 1.0)
    other = Run.from_samples(RunInfo(run_id="b", procedure="extrude", created=""), [])
    with pytest.raises(BadInput, match="different filament"):
        melt_points([run, other])


@pytest.mark.parametrize(
    ("extrusions", "message"),
    [
        ([], "no extrusion has a delivered amount"),
        ([Extrusion(220.0, 5.0, 100.0)], "no extrusion has a delivered amount"),
        ([Extrusion(220.0, 5.0, 100.0, -1.0)] * 5, "delivered_mass_g must be positive"),
        ([Extrusion(220.0, 5.0, 100.0, 0.3)] * 3, "too few weighings"),
        ([Extrusion(220.0, 0.0, 100.0, 0.3)] * 5, "commanded flow must be positive"),
        ([Extrusion(40.0, 5.0, 100.0, 0.3)] * 5, "below any softening"),
    ],
)
def test_unusable_entries_are_refused(extrusions: list[Extrusion], message: str) -> None:
    with pytest.raises(BadInput, match=message):
        fit_melt(extrusions)


def test_unknown_evidence_and_share_are_refused() -> None:
    with pytest.raises(BadInput, match="did you mean 'bond force'"):
        fit_melt(session(), kind="bond forces")
    with pytest.raises(BadInput, match="limit share"):
        fit_melt(session(), limit_share=1.0)


def test_fits_stand_side_by_side() -> None:
    fits = {"short": fit_melt(session()), "again": fit_melt(session(noise=0.01))}
    rows = compare_fits(fits, [200.0, 230.0])
    assert [len(row) for row in rows] == [3, 3]
    assert rows[1][0] == "230 °C"


def test_result_is_plain() -> None:
    limits = [asdict(found) for found in fit_melt(session()).limits]
    assert json.loads(json.dumps(limits))[0]["limit"]["unit"] == "mm3/s"


@pytest.mark.parametrize("criterion", ["centre", "mean"])
@pytest.mark.parametrize("biot", [2.0, 10.0, 50.0])
def test_two_parameters_follow_other_physics(biot: float, criterion: melt.Criterion) -> None:
    # What CURVE_MISFIT stands for: departures of a centreline, perfect-contact curve from limits
    # with finite wall contact or another criterion. The fit's limits absorb them.
    def other(at: float) -> float:
        return finite_contact_limit(
            at,
            feed_C=30.0,
            melt_C=130.0,
            biot=biot,
            criterion=criterion,
            diffusivity_mm2_per_s=0.058,
            zone_mm=15.0,
        )

    density = units.mass_of_length_g(100.0, 1.75, 1.24)
    weighed = [
        Extrusion(
            at,
            load * other(at),
            100.0,
            float(density * melt.delivered_ratio(load, 1.0, EXPONENT)),
        )
        for at in TEMPERATURES_C
        for load in LOADS
    ]
    fit = fit_melt(weighed)
    for found in fit.limits:
        error = np.log(found.limit.value / other(found.temperature_C))
        assert abs(error) < CURVE_MISFIT + SHAPE_MISFIT
