"""Choosers, serving, importing, comparing, tuning and rehearsing as bench composes them."""

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from hotbench.bench.choosing import choosers, ladder_plan, rate_chooser
from hotbench.bench.comparing import compare_files
from hotbench.bench.connecting import LinkOptions
from hotbench.bench.importing import import_log, run_table
from hotbench.bench.rehearsing import rehearse_file
from hotbench.bench.results import Result, lines_table
from hotbench.bench.serving import printer_spec, serve
from hotbench.bench.tuning import tune_file
from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import Extrusion, Sample
from hotbench.procedures import registry
from hotbench.procedures.ramps import RampTrial
from hotbench.profile.yaml_io import read_profile
from hotbench.store.reader import read_run

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


@pytest.mark.parametrize("name", ["step", "dip", "hold"])
def test_other_procedures_need_no_chooser(name: str) -> None:
    assert choosers(name, {"a": 1}, 1.24) == ({"a": 1}, {})


def test_fixed_rates_need_no_chooser() -> None:
    settings = {"rates_K_per_s": (1.0,), "first_rate_K_per_s": 2.0, "fault_deviation_K": 9.0}
    plain, injected = choosers("ramp", settings, 1.24)
    assert injected == {}
    registry.build("ramp", plain)


def test_a_ladder_begins_where_it_is_told() -> None:
    plain, injected = choosers("ramp", {"first_rate_K_per_s": 0.7}, 1.24)
    test = registry.build("ramp", plain, **injected)
    assert test.next_heating_rate is not None
    assert test.next_heating_rate([]) == 0.7


def test_a_ladder_climbs_while_ramps_are_clear() -> None:
    choose = rate_chooser(ladder_plan("heating", 1.0, 100.0, 9.0, 14))
    assert choose([]) == 1.0
    following = choose([_clear_ramp(1.0)])
    assert following is not None
    assert following > 1.0


def _clear_ramp(rate_K_per_s: float) -> RampTrial:
    """A ramp of 20 K that trails by 0.5 K."""
    count = int(20.0 / rate_K_per_s / 0.25)
    samples = tuple(
        Sample(
            0.25 * i,
            200.0 + 0.25 * i * rate_K_per_s - 0.5,
            200.0 + 0.25 * i * rate_K_per_s,
            0.5,
            0.0,
            phase=f"ramp up {rate_K_per_s}",
        )
        for i in range(count)
    )
    return RampTrial(
        direction="heating",
        rate_K_per_s=rate_K_per_s,
        from_C=200.0,
        to_C=220.0,
        fan=0.0,
        samples=samples,
    )


def test_flows_are_chosen_at_the_temperatures_asked_for() -> None:
    settings = {"temperatures_C": (205.0, 225.0), "max_weighings": 12}
    _, injected = choosers("extrude", settings, 1.24)
    history: list[Extrusion] = []
    while (choice := injected["next_flow"](history)) is not None:
        temperature_C, flow = choice
        # Delivers all: 10 mm of 1.75 mm filament at 1.24 g/cm³.
        history.append(Extrusion(temperature_C, flow, 10.0, delivered_mass_g=0.02983))
        assert len(history) <= 12
    assert {shot.setpoint_C for shot in history} == {205.0, 225.0}
    assert all(shot.commanded_mm3_per_s > 0.0 for shot in history)


def test_serving_announces_addresses(tmp_path: Path) -> None:
    heard: list[Mapping[str, Any]] = []

    def announce(facts: Mapping[str, Any]) -> None:
        heard.append(facts)
        raise KeyboardInterrupt

    serve("plain-block", tcp_port=0, speed=5.0, seed=1, announce=announce)
    assert heard[0]["port"].startswith("socket://127.0.0.1:")
    assert heard[0]["scale"] != heard[0]["port"]
    assert heard[0]["speed"] == "5"
    assert threading.active_count() >= 1


def test_unknown_simulated_printer() -> None:
    with pytest.raises(BadInput, match="did you mean 'plain-block'"):
        printer_spec("plane-block")


def test_the_link_as_the_options_say() -> None:
    options = LinkOptions(port="sim:x", duty_scale=255.0, interval_s=0.2, limit_temperature_C=280.0)
    config = options.config()
    assert options.simulated
    assert not LinkOptions(port="/dev/null").simulated
    assert (config.duty_full_scale, config.sample_interval_s) == (255.0, 0.2)
    assert config.limit_temperature_C == 280.0


def test_import_holds_out_the_end(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("t,T\n" + "".join(f"{i},{20 + i}\n" for i in range(20)))
    columns = ["time=t", "temperature=T"]
    import_log(tmp_path / "log.csv", tmp_path / "run", columns, held_out_after_s=10.0)
    run = read_run(tmp_path / "run")
    assert run.mask_phase("validate").tolist() == [False] * 10 + [True] * 10
    with pytest.raises(BadInput, match="held-out"):
        import_log(tmp_path / "log.csv", tmp_path / "no", columns, held_out_after_s=20.0)
    assert not (tmp_path / "no").exists()


def test_a_cut_off_run_is_mended(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("t,T\n" + "".join(f"{i},{20 + i}\n" for i in range(20)))
    import_log(tmp_path / "log.csv", tmp_path / "runs" / "a", ["time=t", "temperature=T"])
    with (tmp_path / "runs" / "a" / "samples.csv").open("r+b") as file:
        file.truncate(200)
    assert run_table(tmp_path / "runs").rows[0][-1] != "intact"


def test_compare_speaks_of_prints(tmp_path: Path) -> None:
    result = compare_files(EXAMPLE, EXAMPLE)
    assert result.shortfall is None
    assert {d["change"]["value"] for d in result.plain()["differences"]} <= {0.0}


@pytest.mark.parametrize("scale", [0.0, -1.0])
def test_tuning_refuses_a_scale(scale: float) -> None:
    with pytest.raises(BadInput, match="--duty-scale"):
        tune_file(EXAMPLE, temperature_C=220.0, duty_full_scale=scale)


def job(tmp_path: Path, flow_mm3_per_s: float) -> Path:
    """One straight line of 100 mm at a constant flow, at 220 degrees."""
    filament_mm, seconds = 20.0, 20.0 * 2.405 / flow_mm3_per_s
    lines = ["G21", "G90", "M83", "M109 S220", "G1 X0 Y0 F6000"]
    lines.append(f"G1 X100 E{filament_mm} F{60.0 * 100.0 / seconds:.2f}")
    (tmp_path / "line.gcode").write_text("\n".join(lines) + "\n", "ascii")
    return tmp_path / "line.gcode"


def flow_limit_mm3_per_s() -> float:
    melt = read_profile(EXAMPLE).melt
    assert melt is not None
    return next(row.flow_mm3_per_s for row in melt.flow_limit if row.temperature_C == 220.0)


def test_a_gentle_job_passes(tmp_path: Path) -> None:
    result = rehearse_file(job(tmp_path, 0.5 * flow_limit_mm3_per_s()), EXAMPLE)
    assert result.shortfall is None
    assert result.plain()["passes"] is True


def test_a_greedy_job_falls_short(tmp_path: Path) -> None:
    greedy = 1.6 * flow_limit_mm3_per_s()
    result = rehearse_file(job(tmp_path, greedy), EXAMPLE)
    assert result.shortfall is not None
    (worst, *_) = result.plain()["worst"]
    assert worst["flow_mm3_per_s"] == pytest.approx(greedy, rel=0.02)
    assert worst["over"]["value"] == pytest.approx(0.6, abs=0.05)
    with pytest.raises(FellShort):
        result.raise_if_short()


def test_results() -> None:
    assert lines_table("c", "h", []) == ()
    assert Result({"a": float("nan")}).plain() == {"a": None}
    assert Result({}, shortfall="why").plain() == {"shortfall": "why"}
