"""What lies in a run folder: the package, the whole rows, and where a recording was cut."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from hotbench.core.errors import BadInput
from hotbench.core.records import Outcome
from hotbench.store.files import facts_of
from hotbench.store.layout import RESOURCES, SAMPLES, Package, load_package
from hotbench.store.locking import is_locked


@dataclass(frozen=True)
class Content:
    """The whole rows of each file, and the unfinished rest that each may end in."""

    package: Package
    whole: Mapping[str, bytes]
    rest: Mapping[str, bytes]

    @property
    def cut(self) -> bool:
        """Whether the package or any file says that the end is missing."""
        return self.package.outcome == "recording" or any(
            facts is not None and facts_of(self.whole.get(name, b"")).rows < facts.rows
            for name, facts in self.package.files.items()
        )


def load(folder: Path) -> Content:
    """What is in a run folder; BadInput when it holds no run or cannot be read."""
    package = load_package(folder)
    whole, rest = {}, {}
    for name in RESOURCES:
        try:
            data = (folder / name).read_bytes()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise BadInput(f"cannot be read: {error.strerror}", where=folder / name) from error
        whole[name], rest[name] = split_whole_rows(data)
    return Content(package, whole, rest)


def split_whole_rows(data: bytes) -> tuple[bytes, bytes]:
    """Whole rows and the rest; a power cut may leave zeros behind, which are no rows."""
    sound = data.partition(b"\0")[0]
    end = sound.rfind(b"\n") + 1
    return data[:end], data[end:]


def outcome_of(folder: Path, content: Content) -> Outcome:
    """The run's outcome, judged by what is there."""
    if not content.cut:
        return content.package.outcome
    recording = content.package.outcome == "recording"
    return "recording" if recording and is_locked(folder / SAMPLES, folder) else "cut off"


def hashes(folder: Path) -> dict[str, str]:
    """sha256 by file name of the data files as they are now."""
    paths = [folder / name for name in RESOURCES if (folder / name).is_file()]
    return {path.name: facts_of(path.read_bytes()).sha256 for path in paths}
