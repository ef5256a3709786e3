"""What a notebook keeps of a bench panel: words and runs, for when its kernel is gone."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from hotbench.bench.lab import table_html
from hotbench.bench.tables import Table

NEWEST = 5
BACK = (
    "Where no panel is shown above, or 'model not found', the kernel that it lived in has ended: "
    "run this cell again to bring it back. A test ends with its kernel, heater off, and what it "
    "recorded is kept in that folder."
)


@dataclass(frozen=True)
class Stored:
    """Shown below a panel; the panel's style hides it as long as the panel is alive.

    runs: as the panel lists them, newest first.
    """

    port: str
    folder: str
    runs: Sequence[Mapping[str, Any]] = ()

    @property
    def head(self) -> str:
        """Which panel it was."""
        count = f"{len(self.runs)} run{'' if len(self.runs) == 1 else 's'}"
        return f"Bench panel of {self.port}, {count} in {self.folder}."

    def _repr_mimebundle_(self, **_: Any) -> dict[str, str]:
        return {"text/plain": self._text(), "text/html": self._html()}

    def _text(self) -> str:
        rows = [" ".join(row).rstrip() for row in self._rows()]
        return "\n".join([self.head, *(f"  {row}" for row in rows), BACK])

    def _html(self) -> str:
        heads = ("newest runs", "test", "recorded", "outcome")
        table = table_html(Table("", heads, self._rows())) if self.runs else ""
        words = f"<p><b>{escape(self.head)}</b></p>{table}<p>{escape(BACK)}</p>"
        return f'<div class="hb-stored">{words}</div>'

    def _rows(self) -> tuple[tuple[str, ...], ...]:
        shown = self.runs[:NEWEST]
        return tuple(
            (str(r["run"]), str(r["test"]), _when(str(r["created"])), _outcome(r)) for r in shown
        )


def _when(created: str) -> str:
    return created.replace("T", " ").replace("Z", " UTC")


def _outcome(run: Mapping[str, Any]) -> str:
    return str(run["problem"] or run["outcome"])
