"""The example consumers: separate programs that know the YAML file and not this package."""

import subprocess
import sys
from pathlib import Path

import pytest
from ruamel.yaml import YAML


def run(folder: Path, script: str, *arguments: str) -> tuple[int, str]:
    command = [sys.executable, "-X", "utf8", script, "example_machine.yaml", *arguments]
    done = subprocess.run(  # noqa: S603 (our own example, our own arguments)
        command, cwd=folder, capture_output=True, encoding="utf-8", check=False, timeout=30
    )
    assert done.stderr == ""
    return done.returncode, done.stdout.strip()


def test_limits_are_read_at_their_cautious_end(demo_folder: Path) -> None:
    code, text = run(demo_folder, "read_limits.py")
    assert code == 0
    lines = text.splitlines()
    assert "ramp, heating at 220 °C, fan 0: 9.1 K/s (controller fault, fitted)" in lines
    assert "flow at 220 °C: 15 mm3/s (fitted)" in lines
    assert "dip 220 to 190 °C, fan 1: allow 5.4 s (fitted)" in lines
    assert len(set(lines)) == len(lines)


@pytest.mark.parametrize(
    ("temperature_C", "flow", "code", "answer"),
    [
        ("210", "14.2", 0, "allowed"),
        (
            "210",
            "14.4",
            1,
            "refused: 14.4 mm3/s at 210 °C is not within 0 and the limit of 14.3 mm3/s",
        ),
        (
            "220",
            "nan",
            1,
            "refused: nan mm3/s at 220 °C is not within 0 and the limit of 15.0 mm3/s",
        ),
        ("220", "-1", 1, "refused: -1 mm3/s at 220 °C is not within 0 and the limit of 15.0 mm3/s"),
        ("nan", "1", 1, "refused: nan °C was not measured (known: 200 to 220 °C)"),
        ("270", "1", 1, "refused: 270 °C is above the machine's limit of 260 °C"),
        ("190", "1", 1, "refused: 190 °C was not measured (known: 200 to 220 °C)"),
    ],
)
def test_guard(demo_folder: Path, temperature_C: str, flow: str, code: int, answer: str) -> None:
    assert run(demo_folder, "guard_request.py", temperature_C, flow) == (code, answer)


@pytest.mark.parametrize("script", ["read_limits.py", "guard_request.py"])
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hotbench_profile: 2\n", "version 2 is unknown here"),
        ("- 1\n", "version None is unknown here"),
        ("hotbench_profile: [\n", "cannot be read"),
        (None, "cannot be read (FileNotFoundError)"),
    ],
)
def test_what_cannot_be_read_allows_nothing(
    script: str, text: str | None, said: str, demo_folder: Path, tmp_path: Path
) -> None:
    """One line, no traceback, exit 1; the guard refuses."""
    if text is not None:
        (tmp_path / "m.yaml").write_text(text, encoding="utf-8")
    request = ["220", "1"] if script.startswith("guard") else []
    command = [sys.executable, "-X", "utf8", str(demo_folder / script), str(tmp_path / "m.yaml")]
    done = subprocess.run(  # noqa: S603 (our own example, our own arguments)
        [*command, *request], capture_output=True, encoding="utf-8", check=False, timeout=30
    )
    lines = (done.stdout + done.stderr).splitlines()
    assert done.returncode == 1
    assert len(lines) == 1
    assert said in lines[0]


def test_too_few_arguments_are_a_usage_error(demo_folder: Path) -> None:
    for script in ("read_limits.py", "guard_request.py"):
        command = [sys.executable, str(demo_folder / script)]
        done = subprocess.run(  # noqa: S603 (our own example)
            command, capture_output=True, encoding="utf-8", check=False, timeout=30
        )
        assert done.returncode == 2
        assert done.stderr.startswith("usage:")


def test_consumers_import_nothing_of_this_package(demo_folder: Path) -> None:
    for script in ("read_limits.py", "guard_request.py"):
        assert "hotbench." not in (demo_folder / script).read_text(encoding="utf-8")


def test_guard_knows_a_single_temperature(demo_folder: Path, tmp_path: Path) -> None:
    """A table of one row holds for its own temperature and for no other."""
    profile = YAML(typ="safe").load((demo_folder / "example_machine.yaml").read_text("utf-8"))
    profile["melt"]["flow_limit"] = profile["melt"]["flow_limit"][:1]
    YAML(typ="safe").dump(profile, tmp_path / "one.yaml")
    script = demo_folder / "guard_request.py"

    def ask(temperature_C: str) -> str:
        command = [sys.executable, "-X", "utf8", str(script), str(tmp_path / "one.yaml")]
        done = subprocess.run(  # noqa: S603 (our own example, our own arguments)
            [*command, temperature_C, "5"], capture_output=True, encoding="utf-8", check=False
        )
        return done.stdout.strip()

    at_C = f"{profile['melt']['flow_limit'][0]['temperature_C']:g}"
    assert ask(at_C) == "allowed"
    assert ask("213").startswith("refused: 213 °C was not measured")
