"""What can go wrong while recording."""

from pathlib import Path

from hotbench.core.errors import FellShort


class RecordingFailed(FellShort):
    """The run folder can no longer be written; what was written before is intact."""

    def __init__(self, folder: Path, error: OSError) -> None:
        reason = error.strerror or type(error).__name__
        super().__init__(
            f"{folder}: recording failed: {reason}; every earlier row is kept and readable"
        )
