"""Which runs serve which fit, what becomes a gap, and what a profile and a report make of it."""

import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from hotbench.bench.analysis import Analysis, FitOptions, analyse, analyse_runs
from hotbench.bench.dips import recorded_dips, time_back, time_down
from hotbench.bench.figures import melt_pictures, slew_pictures
from hotbench.bench.judging import judge, judgement_table
from hotbench.bench.predicting import dip_rows, heater_flow, rate_caps, slew_rows
from hotbench.bench.profiling import build, build_file, check_file, show_file
from hotbench.bench.reporting import summary, write_report
from hotbench.core.errors import BadInput, FellShort
from hotbench.core.records import Event, Run, RunInfo, Sample
from hotbench.fitting.ramps import trials_of
from hotbench.profile.yaml_io import dumps, read_profile
from hotbench.sim import truth
from hotbench.sim.printers import PRINTERS

pytestmark = pytest.mark.slow
HOSTILE = "step<script>alert(1)&"
SVG = "{http://www.w3.org/2000/svg}"


def test_each_run_serves_its_fit(analysis: Analysis) -> None:
    assert analysis.heater is not None
    assert analysis.slew is not None
    assert analysis.melt is not None
    assert [run.info.procedure for run in analysis.ladders] == ["ramp"]
    assert {residual.run_id for residual in analysis.heater.residuals} == {HOSTILE}


@pytest.mark.parametrize("procedure", ["verify", "relay", "jump", "repeat"])
def test_runs_that_judge_the_controller_stay_out_of_the_heater_fit(
    procedure: str, analysis: Analysis
) -> None:
    """With filament and held out, such a run chose a model of one node at 3 K."""
    step, _, melt = analysis.runs
    info = replace(melt.info, run_id="judging", procedure=procedure)
    judging = replace(melt, info=info, phase=np.full(len(melt), "validate flow step 220 6"))
    found = analyse_runs([step, judging], analysis.options)
    assert found.heater is not None
    assert analysis.heater is not None
    assert found.heater.candidates == analysis.heater.candidates
    assert found.heater.validation == analysis.heater.validation


def test_judging_runs_alone_say_what_to_record() -> None:
    samples = [Sample(0.1 * i, 200.0 + 0.1 * i, duty=0.5, fan=0.0) for i in range(50)]
    alone = Run.from_samples(RunInfo(run_id="relay", procedure="relay", created=""), samples)
    with pytest.raises(FellShort, match="only judge the controller; record step"):
        analyse_runs([alone]).raise_if_nothing_identified()


def test_the_fit_as_json(analysis: Analysis) -> None:
    facts = analysis.plain()
    json.dumps(facts, allow_nan=False)
    assert set(facts["runs"]) == {HOSTILE, "ramp", "melt"}
    assert facts["options"]["fault_deviation_K"] == 9.0
    captions = " ".join(table.caption for table in analysis.tables())
    for words in ("heater model", "held-out", "safe slew rate", "melt"):
        assert words in captions


def test_progress_only_grows(folders: list[Path]) -> None:
    shares: list[float] = []
    analyse(folders[:1], progress=lambda share, text: shares.append(share))
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0


def test_the_same_run_twice_is_refused(folders: list[Path]) -> None:
    with pytest.raises(BadInput, match="same name"):
        analyse([folders[0], folders[0]])


def test_nothing_identified() -> None:
    samples = [Sample(0.1 * i, 24.0, duty=0.0, fan=0.0) for i in range(50)]
    idle = Run.from_samples(RunInfo(run_id="idle", procedure="hold", created=""), samples)
    found = analyse_runs([idle])
    assert found.heater is None
    assert found.gaps
    with pytest.raises(FellShort, match="neither heating nor cooling"):
        found.raise_if_nothing_identified()


@pytest.mark.parametrize("name", ["fault_deviation_K", "power_W"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan")])
def test_options_are_positive(name: str, value: float) -> None:
    with pytest.raises(BadInput, match=name):
        FitOptions(**{name: value})


def test_two_builds_are_the_same_bytes(folders: list[Path], analysis: Analysis) -> None:
    again = analyse(folders, FitOptions(fault_deviation_K=9.0))
    assert dumps(build(again)) == dumps(build(analysis))


def test_the_built_file_is_accepted(folders: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "machine.yaml"
    facts = build_file(folders, out, FitOptions(), name="bench sleeve").plain()
    assert facts["machine"] == read_profile(out).machine.name == "bench sleeve"
    assert check_file(out, folders[0].parent).shortfall is None
    shown = show_file(out).plain()["headline"]
    assert [row["label"] for row in shown] == [row["label"] for row in facts["headline"]]
    for built, written in zip(facts["headline"], shown, strict=True):
        assert written["value"] == pytest.approx(built["value"], rel=1e-3)  # four digits


def test_other_evidence_is_refused(analysis: Analysis, folders: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "machine.yaml"
    changed = replace(analysis.runs[0], sha256={"samples.csv": "0" * 64})
    profile = build(replace(analysis, runs=(changed, *analysis.runs[1:])))
    out.write_text(dumps(profile), "utf-8")
    result = check_file(out, folders[0].parent)
    assert result.shortfall
    assert any(HOSTILE in line for line in result.plain()["runs"])


def test_claims_never_pass_what_the_heater_can(analysis: Analysis) -> None:
    assert analysis.heater is not None
    trials = trials_of(analysis.ladders)
    caps = rate_caps(analysis.heater, trials)
    assert set(caps) == {"heating", "cooling"}
    claims = slew_rows(analysis.slew, analysis.heater)
    assert {row.direction for row in claims} == {"heating", "cooling"}
    for row in claims:
        assert row.rate_K_per_s > 0.0
        if row.evidence.trials:
            assert row.evidence.runs == ("ramp",)
            assert row.rate_K_per_s <= 1.001 * caps[row.direction].rate_K_per_s


def test_dips_with_the_fan_are_quicker(analysis: Analysis) -> None:
    assert analysis.heater is not None
    down = {(d.from_C, d.to_C, d.fan): d.time_down.value for d in dip_rows(analysis.heater)}
    assert {fan for _, _, fan in down} == {0.0, 1.0}
    for high_C, low_C, _ in down:
        assert down[high_C, low_C, 1.0] < down[high_C, low_C, 0.0]


def test_the_heater_saturates_sooner_when_hotter(analysis: Analysis) -> None:
    assert analysis.heater is not None
    saturates_at = heater_flow(analysis.heater)
    assert saturates_at is not None
    assert saturates_at(240.0) < saturates_at(200.0)
    assert heater_flow(replace(analysis.heater, load_per_flow=None)) is None


def test_held_out_dip_judged(analysis: Analysis) -> None:
    (step, *_) = analysis.runs
    rows = judge(analysis, [step])
    down = [row for row in rows if row.what.startswith("time down")]
    assert down[0].error_percent is not None
    assert abs(down[0].error_percent) < 2 * 2.6
    assert len(down) == 1
    assert rows[0].error_percent is None
    assert judgement_table(rows).plain()[0]["measured"] == "-"


def test_crossings_are_read_from_the_command_on() -> None:
    """A dip of 2 K/s either way, commanded at 0 and at 16 s: through 192 and through 217 °C."""
    temperatures_C = [220.0 - 2.0 * i for i in range(16)] + [190.0 + 2.0 * i for i in range(18)]
    samples = [
        Sample(float(i), t, fan=0.0, phase="dip 220-190") for i, t in enumerate(temperatures_C)
    ]
    sent = [Event(0.0, "command", "M104 S190"), Event(16.0, "command", "M104 S220")]
    info = RunInfo(run_id="r", procedure="dip", created="")
    run = Run.from_samples(info, samples, events=sent)
    (dip,) = recorded_dips(run)
    down, back = time_down(run, dip, run.temperature_C), time_back(run, dip, run.temperature_C)
    assert down is not None
    assert back is not None
    assert down.value == pytest.approx(14.0, abs=0.1)
    assert back.value == pytest.approx(13.5, abs=0.1)
    assert time_down(run, dip, run.temperature_C + 50.0) is None


def test_a_report_is_well_formed_and_harmless(analysis: Analysis, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    profile = build(analysis, name="<img src=x onerror=alert(1)>")
    held_out = [analysis.runs[0]]
    write_report(
        analysis, out, profile=profile, judgements=judge(analysis, held_out), held_out=held_out
    )
    text = out.read_text("utf-8")
    assert "<script" not in text
    assert "<img" not in text
    assert "step&lt;script&gt;alert(1)&amp;" in text
    assert "http://" not in text.replace("http://www.w3.org/", "")
    assert "https://" not in text
    pictures = svgs(text)
    assert len(pictures) >= 8
    for picture in pictures:
        named_and_described(picture)
    ids = [e.get("id") for picture in pictures for e in picture.iter() if e.get("id")]
    assert len(ids) == len(set(ids))


def svgs(page: str) -> list[ElementTree.Element]:
    """Every drawing, parsed strictly."""
    starts = [i for i in range(len(page)) if page.startswith("<svg", i)]
    ends = [page.index("</svg>", i) + len("</svg>") for i in starts]
    return [ElementTree.fromstring(page[i:j]) for i, j in zip(starts, ends, strict=True)]  # noqa: S314


def named_and_described(picture: ElementTree.Element) -> None:
    title, description = picture.find(f"{SVG}title"), picture.find(f"{SVG}desc")
    assert picture.get("role") == "img"
    assert title is not None
    assert description is not None
    assert title.text
    assert description.text
    assert picture.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"


def test_a_report_into_a_folder_is_refused(analysis: Analysis, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        write_report(analysis, tmp_path)


def test_summary_says_only_what_is_known(analysis: Analysis) -> None:
    whole = " ".join(summary(build(analysis), ()))
    assert "From cold, full power takes it past" in whole
    assert "simulated" in whole
    bare = build(replace(analysis, heater=None, slew=None))
    assert "From cold" not in " ".join(summary(bare, ()))


def test_slew_and_melt_have_their_pictures(analysis: Analysis) -> None:
    assert analysis.slew is not None
    assert analysis.melt is not None
    titles = [p.title for p in (*slew_pictures(analysis.slew), *melt_pictures(analysis.melt))]
    assert titles == ["Ramps heating", "Ramps cooling", "Delivered amount", "Flow limit"]


def test_rates_within_the_intervals_they_claim(analysis: Analysis) -> None:
    """Against the simulated physics; intervals claim 95 %, so all but one of these must hold."""
    assert analysis.heater is not None
    spec = PRINTERS["swift-sleeve"]
    held = []
    for row in analysis.heater.cooling_rate:
        if row.quantity.basis == "fitted":
            figure = row.figure
            true = truth.cooling_rate_K_per_s(
                spec, figure.temperature_C, fan=figure.fan, start_C=figure.start_C or np.nan
            )
            held.append(row.quantity.low <= true <= row.quantity.high)
    assert len(held) >= 6
    assert held.count(False) <= 1
