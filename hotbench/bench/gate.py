"""Simple refusals first: a profile is read before the packages that work on it are loaded."""

from pathlib import Path

from hotbench.profile.yaml_io import read_profile


def check_readable(*files: str | Path) -> None:
    """BadInput in one line for a file that is no profile; folders and lists of runs pass by."""
    for file in files:
        if not Path(file).is_dir() and "," not in str(file):
            read_profile(Path(file))
