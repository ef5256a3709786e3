"""The whole job on a simulated printer: record, fit, profile, report, and judge the predictions."""

from collections.abc import Mapping
from concurrent.futures import wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hotbench.bench.analysis import Analysis, FitOptions, analyse
from hotbench.bench.choosing import choosers
from hotbench.bench.connecting import LinkOptions, connected
from hotbench.bench.judging import Judgement, judge, judgement_table
from hotbench.bench.profiling import build, headline_tables
from hotbench.bench.progress import Step, silent
from hotbench.bench.recording import PanLater, RunOptions, record
from hotbench.bench.report_words import summary
from hotbench.bench.reporting import write_report
from hotbench.bench.results import lines_table
from hotbench.bench.serving import printer_spec
from hotbench.bench.tables import Table
from hotbench.bench.warming import warmed
from hotbench.core.errors import BadInput
from hotbench.procedures import registry
from hotbench.profile.types import MachineProfile
from hotbench.profile.yaml_io import write_profile
from hotbench.store.reader import read_run
from hotbench.store.writer import check_free

HELD_OUT = "held-out"
TESTS: Mapping[str, tuple[str, Mapping[str, Any]]] = {
    "step": ("step", {"fans": (0.0, 0.5, 1.0)}),
    "ramp": ("ramp", {"low_C": 190.0, "high_C": 230.0}),
    "melt": ("extrude", {"temperatures_C": (200.0, 220.0, 240.0)}),
    HELD_OUT: ("dip", {"from_C": 230.0, "to_C": (205.0, 185.0), "fans": (0.0, 1.0)}),
}
SHARES = {"step": 0.0, "ramp": 0.2, "melt": 0.45, HELD_OUT: 0.65}
MATERIAL = "PLA, invented reel"


@dataclass(frozen=True)
class Demo:
    """What the demo made and how the predictions did."""

    out: Path
    profile: MachineProfile
    analysis: Analysis
    judgements: tuple[Judgement, ...]

    def plain(self) -> dict[str, Any]:
        """Paths and held-out errors."""
        return {
            "runs": str(self.out / "runs"),
            "profile": str(self.out / "machine.yaml"),
            "report": str(self.out / "report.html"),
            "held_out": [judgement.plain() for judgement in self.judgements],
        }

    def tables(self) -> tuple[Table, ...]:
        """Headline numbers, predictions held against runs the fit has not seen, what next."""
        files = tuple((key, value) for key, value in self.plain().items() if key != "held_out")
        return (
            *headline_tables(self.profile, self.profile.machine.name),
            judgement_table(self.judgements),
            *lines_table("in short", "", summary(self.profile, self.judgements)),
            Table("written", ("", "where"), files),
            Table("what next", ("", ""), self._next()),
        )

    def _next(self) -> tuple[tuple[str, str], ...]:
        """Commands that go on from here, first without hardware and then with it."""
        profile = self.out / "machine.yaml"
        return (
            ("look at the figures", f"open {self.out / 'report.html'} in a browser"),
            ("tune the controller", f"hotbench tune {profile}"),
            ("try another printer", "hotbench demo --printer plain-block --out demo-block"),
            ("find your own printer", "hotbench ports"),
            ("see that it answers", "hotbench check --port /dev/ttyUSB0"),
            ("measure it", "hotbench record step --port /dev/ttyUSB0 --out runs/step"),
        )


def run_demo(
    out: Path, *, printer: str = "swift-sleeve", seed: int = 1, progress: Step = silent
) -> Demo:
    """Record, fit and report in virtual time. Errors: BadInput when `out` holds runs already."""
    spec = printer_spec(printer)
    if (out / "runs").exists():
        raise BadInput("holds runs already", where=out, remedy="name another folder with --out")
    check_free(out / "runs")
    with warmed() as ready:
        for name in TESTS:
            progress(0.7 * SHARES[name], f"recording {name}")
            _record(name, out / "runs" / name, printer, seed, spec.fault_deviation_K)
        progress(0.6, "compiling the fit, once per machine")
        wait([ready])
    progress(0.65, "fitting")
    options = FitOptions(fault_deviation_K=spec.fault_deviation_K)
    analysis = analyse([out / "runs" / name for name in TESTS if name != HELD_OUT], options)
    profile = build(analysis, name=f"{printer} (simulated)")
    write_profile(profile, out / "machine.yaml")
    held_out = [read_run(out / "runs" / HELD_OUT)]
    judgements = judge(analysis, held_out)
    progress(0.9, "writing the report")
    write_report(
        analysis, out / "report.html", profile=profile, judgements=judgements, held_out=held_out
    )
    progress(1.0, "done")
    return Demo(out, profile, analysis, judgements)


def _record(name: str, folder: Path, printer: str, seed: int, fault_K: float) -> None:
    """One test on a board of its own, switched on for it: the same seed gives the same run."""
    procedure, settings = TESTS[name]
    stated = {**settings, "fault_deviation_K": fault_K} if procedure == "ramp" else settings
    about = RunOptions(material=MATERIAL)
    plain, injected = choosers(procedure, stated, about.filament_density_g_per_cm3)
    if procedure == "extrude":
        injected["scale"] = PanLater()
    link = LinkOptions(port=f"sim:{printer}", seed=seed * len(TESTS) + list(TESTS).index(name))
    with connected(link) as line:
        record(registry.build(procedure, plain, **injected), line, link, folder, about)
