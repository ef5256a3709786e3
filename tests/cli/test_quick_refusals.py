"""A file that is no profile is refused before anything heavy is loaded."""

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("numba", "scipy", "lmfit", "matplotlib", "pandas")
WATCHED = f"""
import sys
from hotbench.cli import run
code = run(sys.argv[1:])
print(code, [name for name in {HEAVY!r} if name in sys.modules])
"""


@pytest.mark.parametrize(
    "arguments",
    [
        ("profile", "check"),
        ("profile", "show"),
        ("tune",),
        ("compare", "{good}"),
    ],
)
def test_refused_without_loading_what_works_on_profiles(
    arguments: tuple[str, ...], tmp_path: Path
) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("x: 1\n", encoding="utf-8")
    good = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
    given = [argument.format(good=good) for argument in arguments]
    done = subprocess.run(  # noqa: S603 (this package's own command line)
        [sys.executable, "-c", WATCHED, *given, str(bad)],
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )
    assert done.stdout.strip() == "2 []"
    assert "the first key must be hotbench_profile" in done.stderr
    assert done.stderr.count("\n") == 1


def test_runs_that_are_not_there_are_refused_as_quickly(tmp_path: Path) -> None:
    good = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"
    done = subprocess.run(  # noqa: S603 (this package's own command line)
        [sys.executable, "-c", WATCHED, "compare", str(good), f"{tmp_path},{tmp_path}/gone"],
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )
    assert done.stdout.strip() == "2 []"
    assert "gone: no such run folder" in done.stderr
    assert done.stderr.count("\n") == 1
