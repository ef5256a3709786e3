"""The panel's form for values measured after a run: what it shows, and what was typed into it."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hotbench.bench import entries
from hotbench.bench.weighing import grams
from hotbench.core.errors import BadInput
from hotbench.core.records import Extrusion
from hotbench.store import weighings
from hotbench.store.reader import read_run

MEASURES = ("mass", "length", "bond")
"""Kinds of evidence that the form offers; the first is where it begins."""


class EntryForm:
    """One run's extrusions with the values of one kind of evidence.

    A value that is hardly believable is kept only when it is typed twice.
    """

    def __init__(self, folder: Path, evidence: str = MEASURES[0]) -> None:
        self.folder, self.evidence = folder, evidence
        self._column = entries.column_of(evidence)
        self._doubt: tuple[int, str, str] | None = None

    def enter(self, extrusion: int, text: str) -> None:
        """Keep a value, or doubt it. Errors: BadInput for what is no number or no extrusion."""
        value = self._value(extrusion, text)
        asked = self._doubt[:2] if self._doubt else None
        shot = self._extrusion(extrusion)
        doubt = entries.doubt_about(self.folder, shot, value, self.evidence)
        sure = asked == (extrusion, text)
        if doubt is not None and not (sure and not self._impossible(shot, value)):
            self._doubt = (extrusion, text, doubt)
            return
        self._doubt = None
        entries.enter(self.folder, {extrusion: value}, self.evidence)

    def leave_out(self, extrusion: int, reason: str) -> None:
        """Reject an outlier. Errors: BadInput without a reason."""
        entries.reject(self.folder, extrusion, reason, self.evidence)

    def give_back(self, extrusion: int) -> None:
        """Take a rejection back."""
        entries.restore(self.folder, extrusion, self.evidence)

    def undo(self) -> None:
        """Take the last change back."""
        self._doubt = None
        entries.undo(self.folder)

    def plain(self, root: Path) -> dict[str, Any]:
        """What the page shows. Errors: BadInput for a run without extrusions."""
        extrusions = read_run(self.folder).extrusions
        if not extrusions:
            raise BadInput("run has no extrusions", where=self.folder)
        rejected = weighings.rejected(self.folder)
        number, typed, remark = self._doubt or (0, "", "")
        return {
            "run": str(self.folder.relative_to(root)),
            "evidence": self.evidence,
            "unit": entries.UNITS[self.evidence],
            "measures": [[kind, f"{kind} / {entries.UNITS[kind]}"] for kind in MEASURES],
            "rows": [
                {
                    "extrusion": n,
                    "setpoint_C": shot.setpoint_C,
                    "flow_mm3_per_s": shot.commanded_mm3_per_s,
                    "fed_mm": shot.commanded_mm,
                    "value": getattr(shot, self._column),
                    "left_out": _reason(rejected, (self._column, n)),
                }
                for n, shot in enumerate(extrusions, start=1)
            ],
            "pending": len(entries.pending(self.folder, self.evidence)),
            "changes": len(weighings.history(self.folder)),
            "doubt": {"extrusion": number, "text": typed, "remark": remark},
        }

    def _extrusion(self, number: int) -> Extrusion:
        extrusions = read_run(self.folder).extrusions
        if not 1 <= number <= len(extrusions):
            raise BadInput(
                "no such extrusion", where=self.folder, value=number, limit=len(extrusions)
            )
        return extrusions[number - 1]

    def _impossible(self, shot: Extrusion, value: float) -> bool:
        return entries.impossible(self.folder, shot, value, self.evidence)

    def _value(self, extrusion: int, text: str) -> float:
        where = f"{self.evidence} of extrusion {extrusion}"
        try:
            value = grams(text)
        except ValueError as error:
            raise BadInput("is not a number", where=where, value=text) from error
        if value < 0.0:
            raise BadInput("must be zero or more", where=where, value=text)
        return value


def _reason(rejected: Mapping[tuple[str, int], weighings.Change], key: tuple[str, int]) -> str:
    change = rejected.get(key)
    return "" if change is None else change.reason.removeprefix(weighings.REJECTED)
