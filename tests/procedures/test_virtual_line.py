"""Every procedure on every simulated printer, through the real client and wire."""

import math
from collections.abc import Sequence

import numpy as np
import pytest

from hotbench.core.errors import ControllerFault
from hotbench.core.records import Event, Extrusion, Run, RunInfo, Sample
from hotbench.fitting.ramps import Direction, ramp_trials, stretches
from hotbench.fitting.rate_choice import LadderPlan, next_rate
from hotbench.fitting.repetition import repeated_dips
from hotbench.link.client import Printer
from hotbench.link.config import LinkConfig
from hotbench.procedures.ramps import RampTest, RampTrial
from hotbench.procedures.registry import PROCEDURES, build
from hotbench.procedures.runner import run
from hotbench.sim.board import SimulatedPrinter
from hotbench.sim.printers import PRINTERS

SHORT = {
    "step": {"to_C": (220.0,), "hold_s": 20.0, "cool_to_C": 150.0, "dip": (215.0, 200.0)},
    "ramp": {"low_C": 200.0, "high_C": 210.0, "rates_K_per_s": (0.2, 0.3)},
    "dip": {"to_C": (205.0,), "fans": (1.0,)},
    "hold": {"duration_s": 30.0},
    "extrude": {
        "temperatures_C": (220.0,),
        "flows_mm3_per_s": (5.0,),
        "reference_flow_mm3_per_s": 3.0,
        "length_mm": 40.0,
    },
    "jump": {"low_C": 200.0, "sizes_K": (5.0, 15.0)},
    "repeat": {"to_C": 210.0, "count": 2, "rests_s": (5.0, 2.0)},
    "verify": {"flow_mm3_per_s": 4.0, "flow_s": 10.0, "watch_s": 30.0},
    "relay": {"cycles": 5, "longest_s": 90.0},
}
CASES = [
    pytest.param(machine, name, marks=() if machine == "swift-sleeve" else pytest.mark.slow)
    for machine in PRINTERS
    for name in PROCEDURES
]


class Memory:
    """An observer that keeps everything."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.events: list[Event] = []
        self.extrusions: list[Extrusion] = []

    def on_sample(self, sample: Sample) -> None:
        self.samples.append(sample)

    def on_event(self, event: Event) -> None:
        self.events.append(event)

    def on_extrusion(self, extrusion: Extrusion) -> None:
        self.extrusions.append(extrusion)

    def run(self, name: str) -> Run:
        info = RunInfo(run_id=name, procedure=name, created="2026-01-01T00:00:00Z")
        return Run.from_samples(info, self.samples, events=self.events, extrusions=self.extrusions)


def record(machine: str, name: str, board: SimulatedPrinter, **injected) -> Run:
    memory = Memory()
    printer = Printer(board.transport(), [memory], LinkConfig(sample_interval_s=0.2))
    try:
        run(build(name, SHORT[name], **injected), printer)
    finally:
        assert (board.target_C, board.fan) == (0.0, 0.0)
    return memory.run(name)


@pytest.mark.parametrize(("machine", "name"), CASES)
def test_every_procedure_runs_on_every_printer(machine: str, name: str) -> None:
    board = SimulatedPrinter(PRINTERS[machine], seed=31)
    injected = {"scale": board.scale} if name == "extrude" else {}
    recorded = record(machine, name, board, **injected)
    assert np.all(np.diff(recorded.time_s) > 0.0)
    assert recorded.temperature_C[0] == pytest.approx(PRINTERS[machine].ambient_C, abs=1.0)
    assert not [event for event in recorded.events if event.kind == "fault"]
    CHECKS[name](recorded)


def check_step(recorded: Run) -> None:
    held = recorded.temperature_C[recorded.phase == "hold 220"]
    assert np.mean(held[-50:]) == pytest.approx(220.0, abs=1.0)
    cool = recorded.mask_phase("cool")
    assert np.nanmax(recorded.duty[cool][1:]) == 0.0
    assert recorded.mask_phase("validate").sum() > 50


def check_ramp(recorded: Run) -> None:
    trials = ramp_trials(recorded)
    assert [(t.direction, t.rate_K_per_s) for t in trials] == [
        ("heating", 0.2),
        ("cooling", 0.2),
        ("heating", 0.3),
        ("cooling", 0.3),
    ]
    ramp = recorded.phase == "ramp up 0.3"
    moving = ramp & (recorded.setpoint_C > 200.5) & (recorded.setpoint_C < 209.5)
    slope = np.polyfit(recorded.time_s[moving], recorded.setpoint_C[moving], 1)[0]
    assert slope == pytest.approx(0.3, rel=0.03)
    for first, _ in stretches(recorded):
        before = slice(first - 15, first)
        off_K = recorded.temperature_C[before] - recorded.setpoint_C[before]
        assert abs(np.mean(off_K)) < 0.4  # else the ramp's deviation would be off by as much


def check_dip(recorded: Run) -> None:
    dip = recorded.phase == "dip 220-205"
    assert recorded.temperature_C[dip].min() < 207.0
    assert np.mean(recorded.temperature_C[dip][-10:]) == pytest.approx(220.0, abs=1.5)
    assert set(recorded.fan[dip]) == {1.0}
    first = int(np.argmax(dip))
    assert np.mean(recorded.temperature_C[first - 15 : first]) == pytest.approx(220.0, abs=0.5)


def check_hold(recorded: Run) -> None:
    held = recorded.phase == "hold 220"
    assert np.ptp(recorded.time_s[held]) == pytest.approx(30.0, abs=0.5)


def check_extrude(recorded: Run) -> None:
    assert [e.commanded_mm3_per_s for e in recorded.extrusions] == [3.0, 5.0, 3.0]
    # 40 mm of 1.75 mm filament of 1.24 g/cm³; the printers deliver 98.5 %, weighed to 1 %
    whole_g = 40.0 * math.pi / 4.0 * 1.75**2 * 1.24e-3
    masses = [e.delivered_mass_g for e in recorded.extrusions]
    assert masses == pytest.approx([0.985 * whole_g] * 3, rel=0.04)
    during = recorded.phase == "extrude 220 5.0"
    assert np.median(recorded.flow_mm3_per_s[during]) == pytest.approx(5.0, rel=1e-3)


def check_jump(recorded: Run) -> None:
    assert {"jump up 5", "jump down 5", "jump up 15", "jump down 15"} <= set(recorded.phase)


def check_repetition(recorded: Run) -> None:
    dips = repeated_dips(recorded)
    assert [dip.rest_s for dip in dips] == [5.0, 5.0, 2.0, 2.0]
    assert all(dip.clean and (dip.from_C, dip.to_C) == (220.0, 210.0) for dip in dips)


def check_verify(recorded: Run) -> None:
    stepping = recorded.mask_phase("validate setpoint step 200-220")
    assert recorded.temperature_C[stepping][0] == pytest.approx(200.0, abs=2.0)
    assert recorded.temperature_C[stepping][-1] == pytest.approx(220.0, abs=2.0)
    fed = recorded.mask_phase("validate flow step 220 4")
    assert np.median(recorded.flow_mm3_per_s[fed]) == pytest.approx(4.0, rel=1e-3)
    assert np.ptp(recorded.time_s[fed]) == pytest.approx(10.0, abs=0.5)


def check_relay(recorded: Run) -> None:
    """The setpoint turns as often as was asked, and the reading stays within the bound."""
    swinging = recorded.mask_phase("validate relay")
    setpoint_C = recorded.setpoint_C[swinging]
    assert set(setpoint_C) == {218.0, 222.0}
    assert np.count_nonzero(np.diff(setpoint_C)) >= 9
    assert np.abs(recorded.temperature_C[swinging] - 220.0).max() < 8.0


CHECKS = {
    "step": check_step,
    "ramp": check_ramp,
    "dip": check_dip,
    "hold": check_hold,
    "extrude": check_extrude,
    "jump": check_jump,
    "repeat": check_repetition,
    "verify": check_verify,
    "relay": check_relay,
}


@pytest.mark.parametrize("reset_allowed", [False, True])
def test_a_ladder_beyond_the_board_s_limit_faults_and_recovers_where_allowed(
    reset_allowed: bool,
) -> None:
    board = SimulatedPrinter(PRINTERS["swift-sleeve"], seed=32)
    memory = Memory()
    ladder = build(
        "ramp",
        {
            "low_C": 190.0,
            "high_C": 215.0,
            "rates_K_per_s": (1.0,),
            "cooling_rates_K_per_s": (0.5, 8.0),
            "reset_allowed": reset_allowed,
        },
    )
    printer = Printer(board.transport(), [memory], LinkConfig(sample_interval_s=0.2))
    if reset_allowed:
        assert run(ladder, printer) == "complete"
    else:
        with pytest.raises(ControllerFault, match="strayed"):
            run(ladder, printer)
    assert (board.target_C, board.fan) == (0.0, 0.0)
    trials = ramp_trials(memory.run("ramp"))
    faulted = [(t.direction, t.rate_K_per_s) for t in trials if t.fault]
    assert faulted == [("cooling", 8.0)]
    confirmed = [t.direction for t in trials if t.rate_K_per_s == 0.5 and t.clean]
    assert confirmed == (["cooling", "heating", "cooling"] if reset_allowed else ["cooling"])


@pytest.mark.slow
@pytest.mark.parametrize("machine", list(PRINTERS))
def test_an_adaptive_ladder_with_a_guard_provokes_no_fault(machine: str) -> None:
    spec = PRINTERS[machine]
    board, memory = SimulatedPrinter(spec, seed=33), Memory()

    def chooser(direction: Direction, first_K_per_s: float):
        def choose(trials: Sequence[RampTrial]) -> float | None:
            whole = [trial for trial in trials if not trial.abandoned]
            lost = [t.rate_K_per_s for t in trials if t.abandoned and t.direction == direction]
            plan = LadderPlan(
                direction=direction,
                first_K_per_s=first_K_per_s,
                highest_K_per_s=0.85 * min(lost, default=100.0),
                fault_deviation_K=spec.fault_deviation_K,
                ramps=6,
            )
            choice = next_rate([t for trial in whole for t in as_fitted(trial)], plan)
            return choice.rate_K_per_s if choice else None

        return choose

    ladder = RampTest(
        next_heating_rate=chooser("heating", 0.3),
        next_cooling_rate=chooser("cooling", 0.1),
        max_ramps=6,
        abandon_deviation_K=0.7 * spec.fault_deviation_K,
    )
    assert run(ladder, Printer(board.transport(), [memory])) == "complete"
    assert not [event for event in memory.events if event.kind == "fault"]
    trials = ramp_trials(memory.run("ramp"))
    assert {trial.direction for trial in trials} == {"heating", "cooling"}
    assert len(trials) >= 6


def as_fitted(trial: RampTrial):
    """A trial as the fitting room sees ramps."""
    info = RunInfo(run_id="ladder", procedure="ramp", created="")
    return ramp_trials(Run.from_samples(info, trial.samples))
