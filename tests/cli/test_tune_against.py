"""From a recorded verify or relay test to its judgement, on the command line."""

import json
from pathlib import Path

import pytest

from hotbench.cli import run

EXAMPLE = str(Path(__file__).parents[2] / "data_demo" / "example_machine.yaml")
SLEEVE_GAINS = "0.05,0.015625,0.01"


def test_a_relay_is_recorded_and_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(tmp_path / "relay")
    arguments = ["record", "relay", "--port", "sim:swift-sleeve", "--out", folder, "--json"]
    assert run(arguments) == 0
    assert json.loads(capsys.readouterr().out)["outcome"] == "complete"
    assert run(["tune", EXAMPLE, "--against", folder, "--gains", SLEEVE_GAINS, "--json"]) == 0
    figures = {row["what"]: row for row in json.loads(capsys.readouterr().out)["figures"]}
    assert 0.5 < figures["swing, s"]["recorded"] < 5.0
    assert figures["later than the model, s"]["low"] is not None


@pytest.mark.slow
def test_a_machine_that_is_not_the_profile_falls_short(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A slow block judged by the profile of a sleeve: exit code 1, and what is beyond it."""
    folder = str(tmp_path / "verify")
    arguments = ["record", "verify", "--port", "sim:plain-block", "--out", folder, "--json"]
    assert run(arguments) == 0
    capsys.readouterr()
    assert run(["tune", EXAMPLE, "--against", folder, "--gains", SLEEVE_GAINS, "--json"]) == 1
    out = capsys.readouterr()
    assert "settling" in json.loads(out.out)["beyond"]
    assert out.err.count("\n") == 1


def test_a_tuned_profile_carries_its_gains(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Form, scale, sample time and margins over the interval go into the control section."""
    out = tmp_path / "tuned.yaml"
    options = ["--form", "ideal", "--duty-scale", "255", "--rule", "SIMC PI", "--sample", "0.2"]
    assert run(["tune", EXAMPLE, *options, "--out", str(out), "--json"]) == 0
    capsys.readouterr()
    text = out.read_text(encoding="utf-8")
    for stated in ("SIMC PI (Skogestad", "form: ideal", "duty_full_scale: 255.0", "Kc:", "Ti:"):
        assert stated in text
    assert "sample_time_s: 0.2" in text
    assert "feedforward_ramp" in text
    assert run(["profile", "check", str(out), "--json"]) in (0, 1)
    assert "control.gains" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--rule", "SIMC PD"], "did you mean 'SIMC PI"),
        (["--per-sample", "--form", "ideal"], "only parallel gains"),
        (["--against", "absent"], "absent"),
    ],
)
def test_bad_requests_are_one_line(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["tune", EXAMPLE, *options]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
