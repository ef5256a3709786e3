"""Rehearsals as they are shown: tables, facts, motion and margins, and refusals in one line."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench.rehearsing import read_motion, rehearse_file
from hotbench.bench.results import Result
from hotbench.bench.scheduling import Outputs, Roles, read_roles
from hotbench.cli import run
from hotbench.core.errors import BadInput, FellShort
from hotbench.jobs.limits import GUARD_K, SLEW_MARGIN
from hotbench.jobs.wishes import Wish

PROFILE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
CALM = "M109 S210\nG92 E0\nG1 X0 Y0 F6000\n;wall\nG1 X100 E4 F1200\n;bridge\nG1 X0 E8\nM104 S0\n"
GREEDY = CALM.replace("E4 F1200", "E40 F6000").replace("E8", "E80")
STEEP = CALM.replace(";bridge", "M104 S240\n;bridge")
ROLES = "roles:\n  wall: {pattern: wall}\n  bridge: {pattern: bridge, at_C: 210, tolerance_K: 6}\n"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "job.gcode"
    path.write_text(CALM, encoding="utf-8")
    return path


@pytest.fixture
def roles(tmp_path: Path) -> Path:
    path = tmp_path / "roles.yaml"
    path.write_text(ROLES, encoding="utf-8")
    return path


def captions(result: Result) -> list[str]:
    return [table.caption for table in result.tables()]


def rows(result: Result, caption: str) -> list[tuple[str, ...]]:
    (table,) = (table for table in result.tables() if table.caption == caption)
    return list(table.rows)


def test_a_calm_job_shows_verdict_surfaces_margins_and_motion(job: Path, roles: Path) -> None:
    result = rehearse_file(job, PROFILE, roles_file=roles)
    assert captions(result) == [
        "rehearsal",
        "temperatures at the surface, the job as it is",
        "margins kept",
        "motion the times rest on",
    ]
    result.raise_if_short()
    assert ("verdict", "within the limits") in rows(result, "rehearsal")


def test_surfaces_state_interval_and_band(job: Path, roles: Path) -> None:
    result = rehearse_file(job, PROFILE, roles_file=roles)
    wall, bridge = rows(result, "temperatures at the surface, the job as it is")
    assert (wall[0], wall[-1]) == ("wall", "-")
    # A cold start overshoots by 2 K here: within the wished 6 K, outside 3 K.
    assert (bridge[0], bridge[-1]) == ("bridge", "100%")
    assert all(" to " in cell and cell.endswith("°C") for cell in (*wall[3:5], *bridge[3:5]))
    heats = {heat["role"]: heat for heat in result.plain()["surfaces"]}
    assert heats["wall"]["surely_inside"] is None
    assert heats["bridge"]["low_C"] < 210.0 < heats["bridge"]["high_C"]


def test_margins_say_what_they_rest_on(job: Path) -> None:
    result = rehearse_file(job, PROFILE)
    share, guard = rows(result, "margins kept")
    assert share == ("share kept off the safe slew", f"{SLEW_MARGIN:.0%}", "assumed")
    # The example's heater missed by 2.1 K at worst, which is more than the guard assumed.
    assert guard == ("kept inside a wished band", "2.1 K", "fitted")
    stated = result.plain()["margins"]
    assert stated["guard"]["value"] >= GUARD_K
    assert stated["slew_share"]["basis"] == "assumed"


@pytest.mark.parametrize(
    ("text", "caption"),
    [(GREEDY, "more flow than melts, worst first"), (STEEP, "setpoint faster than is safe")],
)
def test_a_job_that_asks_too_much_falls_short_and_says_where(
    text: str, caption: str, job: Path
) -> None:
    job.write_text(text, encoding="utf-8")
    result = rehearse_file(job, PROFILE)
    assert caption in captions(result)
    with pytest.raises(FellShort, match="more than this hot end can do"):
        result.raise_if_short()


def test_a_schedule_makes_a_greedy_job_fit(job: Path, tmp_path: Path) -> None:
    job.write_text(GREEDY, encoding="utf-8")
    new = tmp_path / "new.gcode"
    rehearse_file(job, PROFILE, outputs=Outputs(job=new)).raise_if_short()
    again = rehearse_file(new, PROFILE)
    again.raise_if_short()
    assert again.plain()["share_above_flow_limit"]["value"] == 0.0


def test_a_stated_motion_limit_is_shown_and_slows(job: Path) -> None:
    quick = rehearse_file(job, PROFILE).plain()
    slow = rehearse_file(job, PROFILE, motion={"speed_mm_per_s": 10.0}).plain()
    assert slow["printing_s"] > 1.5 * quick["printing_s"]
    (stated,) = (item for item in slow["motion"] if item["name"] == "speed_mm_per_s")
    assert (stated["value"], stated["basis"]) == (10.0, "stated")


@pytest.mark.parametrize("option", ["speed", "speed=", "=fast", "speed=1,5", "a=b=c"])
def test_motion_options_that_are_none(option: str) -> None:
    with pytest.raises(BadInput, match="LIMIT=VALUE"):
        read_motion([option])


@given(st.dictionaries(st.from_regex(r"[a-z_]{1,12}", fullmatch=True), st.floats(0.1, 1e4)))
def test_motion_options_read_back(limits: dict[str, float]) -> None:
    assert read_motion([f"{name} = {value!r}" for name, value in limits.items()]) == limits


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("G1 X0 E1 F600\nG1 X9 E2\n", "prints before any set temperature"),
        ("M104 S210\nG1 X\n", "line 2"),
        ("M104 S1e999\nG1 X1 E1\n", "line 1"),
        ("M104 S210\nG4 P-5\nG1 X1 E1\n", "line 2"),
        ("M104 SNaN\nG1 X0 F600\nG1 X1 E1\n", "line 1"),
        ("", "job.gcode"),
        ("; only words\n", "job.gcode"),
    ],
)
def test_unusable_jobs_are_named_in_one_line(
    text: str, part: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job.write_text(text, encoding="utf-8")
    assert run(["rehearse", str(job), "--profile", str(PROFILE)]) == 2
    said = capsys.readouterr().err.strip()
    assert part in said
    assert str(job) in said
    assert "\n" not in said


def test_a_missing_job_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["rehearse", str(tmp_path / "none"), "--profile", str(PROFILE)]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_a_refused_wish_writes_nothing(job: Path, tmp_path: Path) -> None:
    far = tmp_path / "far.yaml"
    far.write_text(ROLES.replace("210", "290"), encoding="utf-8")
    outputs = Outputs(schedule=tmp_path / "s.csv", job=tmp_path / "n.gcode")
    with pytest.raises(BadInput, match="beyond what was measured"):
        rehearse_file(job, PROFILE, roles_file=far, outputs=outputs)
    assert not (tmp_path / "s.csv").exists()
    assert not (tmp_path / "n.gcode").exists()


def test_json_is_finite_and_complete(
    job: Path, roles: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["rehearse", str(job), "--profile", str(PROFILE), "--roles", str(roles), "--json"]
    assert run([*words, "--schedule", str(tmp_path / "s.yaml")]) == 0

    def refuse(text: str) -> float:
        raise AssertionError(text)

    facts = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert {"surfaces", "scheduled_surfaces", "margins", "motion", "worst", "steep"} <= set(facts)
    assert len(facts["scheduled_surfaces"]) == 2


names = st.from_regex(r"[a-z]{1,8}", fullmatch=True)
bands = st.tuples(st.integers(150, 300), st.integers(0, 20))


@settings(max_examples=25, deadline=None)
@given(st.dictionaries(names, bands, max_size=5), st.booleans())
def test_roles_read_back(
    tmp_path_factory: pytest.TempPathFactory, wished: dict[str, tuple[int, int]], layered: bool
) -> None:
    lines = ['layer: "^layer"'] if layered else []
    lines += ["roles:" + ("" if wished else " {}")]
    lines += [
        f'  "{name}": {{pattern: "{name}", at_C: {at_C}, tolerance_K: {off}}}'
        for name, (at_C, off) in wished.items()
    ]
    path = tmp_path_factory.mktemp("roles") / "roles.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    read = read_roles(path)
    assert isinstance(read, Roles)
    assert read.patterns.layer == ("^layer" if layered else None)
    assert read.wishes.roles == {
        name: Wish.near(float(at_C), float(off)) for name, (at_C, off) in wished.items()
    }
