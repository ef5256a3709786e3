"""Simple refusals first: a profile is read before the packages that work on it are loaded."""

from collections.abc import Sequence
from pathlib import Path

from hotbench.core.errors import BadInput
from hotbench.profile.yaml_io import read_profile


def check_readable(*files: str | Path) -> None:
    """BadInput in one line for a file that is no profile, and for runs that are not there.

    Folders, and runs in a list separated by commas, are only looked for.
    """
    for file in files:
        listed = str(file).split(",")
        if len(listed) > 1:
            _check_there(listed)
        elif not Path(file).is_dir():
            read_profile(Path(file))


def _check_there(folders: Sequence[str]) -> None:
    for folder in folders:
        if folder.strip() and not Path(folder.strip()).exists():
            remedy = "give a profile, or run folders separated by commas"
            raise BadInput("no such run folder", where=folder.strip(), remedy=remedy)
