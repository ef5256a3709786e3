"""JSON Schema of the profile, generated from the types that read it."""

import json
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from hotbench.profile.types import VERSION, MachineProfile

SCHEMA_FILE = Path(__file__).with_name("profile.schema.json")
"""The schema as shipped with the package."""

_HEAD = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "$id": f"urn:hotbench:profile:{VERSION}",
}


def json_schema() -> dict[str, Any]:
    """JSON Schema, draft 2020-12, of a profile as the YAML file holds it.

    Stricter than the types in one point: unknown keys are refused in quantities too.
    """
    schema = {**_HEAD, **MachineProfile.model_json_schema()}
    schema["required"] = ["hotbench_profile", *schema["required"]]
    for definition in schema["$defs"].values():
        definition.setdefault("additionalProperties", False)
    return schema


def schema_text() -> str:
    """The schema file's text."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False, sort_keys=True) + "\n"


def known_keys(location: Iterable[str | int]) -> list[str]:
    """Keys that the schema knows at a location; empty where any key goes or none does."""
    schema = _schema()
    node = schema
    for part in location:
        node = _step(schema, node, part)
    return list(_resolved(schema, node).get("properties", {}))


@cache
def _schema() -> dict[str, Any]:
    return json_schema()


def _step(schema: dict[str, Any], node: dict[str, Any], part: str | int) -> dict[str, Any]:
    node = _resolved(schema, node)
    if isinstance(part, int):
        return dict(node.get("items", {}))
    inner = node.get("properties", {}).get(part, node.get("additionalProperties"))
    return inner if isinstance(inner, dict) else {}


def _resolved(schema: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    """The node behind a reference, or behind the first non-null alternative."""
    for alternative in node.get("anyOf", []):
        if alternative.get("type") != "null":
            node = alternative
            break
    name = node.get("$ref", "").rpartition("/")[2]
    return dict(schema["$defs"][name]) if name else node


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
