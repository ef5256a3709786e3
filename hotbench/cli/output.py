"""What commands say: tables, JSON, questions and cautions."""

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click

from hotbench.core.errors import BadInput

PAGE = 80
CAUTIONS = (
    "Hot: the hot end burns skin and plastic fumes; ventilate, keep hands and cables away, "
    "never leave it unattended. Mains and induction parts are for qualified people; keep probes, "
    "magnets and medical implants away from an induction field. The firmware's own protections "
    "stay enabled; the maker's instructions and local codes come first."
)


def ask(text: str) -> str:
    """A person's answer; empty where nothing was entered."""
    return str(click.prompt(text, default="", show_default=False, err=True))


def confirmer(*, yes: bool) -> Callable[[Sequence[str]], None]:
    """Shows the plan and the cautions before heat is commanded, and asks a person at a terminal."""

    def confirm(plan: Sequence[str]) -> None:
        for line in (*plan, CAUTIONS):
            click.echo(click.wrap_text(line, PAGE), err=True)
        if yes:
            return
        if not sys.stdin.isatty():
            raise BadInput("nobody at a terminal to agree to heating", remedy="scripts give --yes")
        click.confirm("Start heating?", abort=True, err=True)

    return confirm


def announcer(*, as_json: bool) -> Callable[[Mapping[str, Any]], None]:
    """Prints facts at once, a line each or as one JSON object."""

    def announce(facts: Mapping[str, Any]) -> None:
        lines = [_fact(key, value) for key, value in facts.items()]
        click.echo(json.dumps(dict(facts)) if as_json else "\n".join(lines))
        sys.stdout.flush()

    return announce


def _fact(key: str, value: object) -> str:
    """'fault deviation: 9 K' for fault_deviation_K and 9.0."""
    if key.endswith("_K") and isinstance(value, float):
        key, value = key.removesuffix("_K"), f"{value:g} K"
    return f"{key.replace('_', ' ')}: {value}"


def emit(
    plain: Mapping[str, Any],
    *,
    as_json: bool,
    tables: Sequence[Any] = (),
    lines: Sequence[str] = (),
) -> None:
    """Print one JSON object, or tables and lines for people."""
    if as_json:
        click.echo(json.dumps(plain, ensure_ascii=False, allow_nan=False))
        return
    for line in lines:
        click.echo(line)
    if tables:
        from hotbench.bench.tables import print_tables

        print_tables(tables)
