"""Schedules handed out: roles read from a file, rows, a rewritten job and a picture."""

import csv
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from hotbench.bench.rehearsing import rehearse_file
from hotbench.bench.scheduling import Outputs, read_roles
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.jobs.rewrite import restore
from hotbench.profile import types as p
from hotbench.profile.yaml_io import write_profile

ROLES = """
layer: "^ ?layer"
roles:
  bridge: {pattern: "role: bridge", at_C: 205, tolerance_K: 4}
  pillar: {pattern: "role: pillar", low_C: 215}
  wall: {pattern: "role: wall"}
"""


def row(flow: float) -> Quantity:
    return Quantity(
        value=flow, unit="mm3/s", low=0.95 * flow, high=1.05 * flow, confidence=0.95, basis="fitted"
    )


@pytest.fixture
def profile_file(tmp_path: Path) -> Path:
    def slew(direction: p.Direction, temperature_C: float) -> p.SlewRate:
        return p.SlewRate(
            direction=direction,
            temperature_C=temperature_C,
            rate_K_per_s=3.0,
            limiting_cause="power",
            basis="fitted",
            evidence=p.SlewEvidence(trials=12),
        )

    limits = [(200.0, 9.0), (220.0, 11.0), (240.0, 13.0)]
    profile = p.MachineProfile(
        machine=p.Machine(name="made up"),
        slew=tuple(slew(d, t) for d in ("heating", "cooling") for t in (190.0, 240.0)),
        melt=p.Melt(
            material="PLA",
            filament_diameter_mm=1.75,
            evidence_kind="delivered mass",
            criterion="5 % loss",
            flow_limit=tuple(p.FlowLimit.of(row(q), temperature_C=t) for t, q in limits),
        ),
        heater=p.Heater(
            model="two-node", combined_lag=Quantity(value=0.5, unit="s", basis="fitted")
        ),
        provenance=p.Provenance(software_version="0", date="2026-01-01T00:00:00Z"),
    )
    write_profile(profile, tmp_path / "machine.yaml")
    return tmp_path / "machine.yaml"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    lines = ["G21", "G90", "M83", "M109 S220", "; layer 1", "; role: wall", "G1 X0 Y0 Z0.2 F6000"]
    for i in range(80):
        lines.append(f"G1 X{100 * ((i + 1) % 2)} E4 F3000")
        if i == 40:
            lines.append("; role: bridge")
    path = tmp_path / "job.gcode"
    path.write_text("\n".join([*lines, "M104 S0"]) + "\n", encoding="utf-8")
    return path


def test_everything_is_handed_out(job: Path, profile_file: Path, tmp_path: Path) -> None:
    roles = tmp_path / "roles.yaml"
    roles.write_text(ROLES.replace('  pillar: {pattern: "role: pillar", low_C: 215}\n', ""))
    outputs = Outputs(tmp_path / "s.csv", tmp_path / "new.gcode", tmp_path / "picture.svg")
    result = rehearse_file(job, profile_file, roles_file=roles, outputs=outputs)
    text = (tmp_path / "s.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert rows[0]["command"].startswith("M109 S")
    assert {"time_s", "line", "command"} <= set(rows[0])
    rewritten = (tmp_path / "new.gcode").read_bytes()
    assert b";hotbench+" in rewritten
    assert b"".join(restore(rewritten)) == job.read_bytes()
    assert (tmp_path / "picture.svg").read_text(encoding="utf-8").count("<svg") == 1
    costs = result.plain()["schedule_costs"]
    assert costs["schedule_s"] <= costs["smoothing_s"] * 1.001
    assert [table.caption for table in result.tables()].count("print time") == 1


def test_yaml_schedule_reads_back(job: Path, profile_file: Path, tmp_path: Path) -> None:
    rehearse_file(job, profile_file, outputs=Outputs(schedule=tmp_path / "s.yaml"))
    read = YAML(typ="safe").load((tmp_path / "s.yaml").read_text(encoding="utf-8"))
    assert read["hotbench_schedule"] == 1
    assert all("command" in row for row in read["rows"])


def test_roles_and_wishes(tmp_path: Path) -> None:
    (tmp_path / "r.yaml").write_text(ROLES, encoding="utf-8")
    roles = read_roles(tmp_path / "r.yaml")
    assert roles.patterns.layer == "^ ?layer"
    assert roles.wishes.roles["bridge"].low_C == 201.0
    assert roles.wishes.roles["pillar"].low_C == 215.0
    assert "wall" not in roles.wishes.roles


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("roles: 3", "must be a mapping"),
        ("role: {}", "did you mean 'roles'?"),
        ("roles: {bridge: {at_C: 200}}", "needs a pattern"),
        ("roles: {bridge: {pattern: '(', at_C: 200}}", "regular expression"),
        ("roles: {bridge: {pattern: b, at_C: warm}}", "must be a number"),
        ("roles: {bridge: {pattern: b, at_C: 200, low_C: 190}}", "excludes"),
        ("roles: {bridge: {pattern: b, at_c: 200}}", "did you mean 'at_C'?"),
        ("roles: {bridge: {pattern: b, low_C: 220, high_C: 200}}", "low above high"),
        ("- 1", "must be a mapping"),
    ],
)
def test_unusable_roles(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "r.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=words.replace("?", r"\?")):
        read_roles(tmp_path / "r.yaml")


def test_unusable_outputs(tmp_path: Path) -> None:
    existing = tmp_path / "job.gcode"
    existing.write_text("x")
    for given in ({"picture": Path("a.bmp")}, {"schedule": Path("a.txt")}, {"job": existing}):
        with pytest.raises(BadInput):
            Outputs(**given)
