"""Reading run folders, whole or cut off."""

from pathlib import Path

from hotbench.core.records import Run
from hotbench.store.checking import RunEntry, Verification, list_runs, recover, verify
from hotbench.store.content import hashes, load, outcome_of
from hotbench.store.layout import EVENTS, EXTRUSIONS, SAMPLES
from hotbench.store.tables import read_events, read_extrusions, read_samples

__all__ = ["RunEntry", "Verification", "hashes", "list_runs", "read_run", "recover", "verify"]


def read_run(folder: Path) -> Run:
    """The run in `folder` up to its last whole row.

    outcome: 'recording' while a writer is at work, 'cut off' when the end is missing. sha256 are
    those of the files as read, for any run that is not being recorded. BadInput when the folder
    holds no run or a cell is no number.
    """
    folder = Path(folder)
    content = load(folder)
    outcome = outcome_of(folder, content)
    columns = read_samples(content.whole.get(SAMPLES, b""), folder / SAMPLES)
    return Run(
        info=content.package.info,
        **columns,
        events=read_events(content.whole.get(EVENTS, b""), folder / EVENTS),
        extrusions=read_extrusions(content.whole.get(EXTRUSIONS, b""), folder / EXTRUSIONS),
        outcome=outcome,
        sha256={} if outcome == "recording" else hashes(folder),
    )
