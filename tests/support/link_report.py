"""The link's report of what must hold: one line a figure, kept beside the studies."""

from pathlib import Path

TABLE = Path(__file__).parents[1] / "studies" / "link_report.txt"


def state(what: str, figure: str) -> None:
    """Put a figure under its name, in place of an earlier one; lines are sorted by name."""
    lines = TABLE.read_text(encoding="utf-8").splitlines() if TABLE.exists() else []
    kept = [line for line in lines if line.partition(": ")[0] != what]
    TABLE.write_text("\n".join(sorted([*kept, f"{what}: {figure}"])) + "\n", encoding="utf-8")
    print(f"{what}: {figure}")  # noqa: T201
