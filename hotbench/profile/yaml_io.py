"""The machine profile as YAML 1.2: canonical and commented when written, strict when read."""

import json
import math
import re
from io import StringIO
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.nodes import ScalarNode
from ruamel.yaml.representer import RoundTripRepresenter

from hotbench.core.errors import BadInput, unknown_key, unwritable
from hotbench.profile.migrations import upgrade
from hotbench.profile.plain import to_plain
from hotbench.profile.safe_yaml import Document, Location, clipped, load, read_bytes
from hotbench.profile.schema import known_keys
from hotbench.profile.types import MachineProfile, Part

HEADER = """\
# Machine profile written by hotbench. Every number states its unit, its interval from low to
# high, the confidence of that interval, and its basis: measured (read from a record), fitted
# (a model inside its data), extrapolated (a model outside its data), assumed, or declared.
# null means unknown. Where a limit matters, use the interval's cautious end, not the value.
"""

_WIDTH = 1 << 20
_UNKNOWN = {"extra_forbidden", "unexpected_keyword_argument"}
_MISSING = {"missing", "missing_argument"}
# Words that older readers (YAML 1.1) take for something else than text, or that hold a mark.
_PLAIN_TEXT = re.compile(r"[a-z](?:[\w ./+-]*\w)?", re.IGNORECASE | re.ASCII)
_SWITCH = re.compile(r"y|n|yes|no|on|off|true|false|null", re.IGNORECASE)


def read_profile(path: Path | str) -> MachineProfile:
    """The profile in a file. Errors: BadInput, one line, for anything that is not a profile."""
    return parse(read_bytes(Path(path)), str(path))


def loads(text: str, source: str = "profile") -> MachineProfile:
    """The profile in a text. Errors: BadInput as for `read_profile`."""
    return parse(text.encode("utf-8", "surrogatepass"), source)


def parse(raw: bytes, source: str) -> MachineProfile:
    """The profile in the bytes of a file called `source` in messages."""
    document = load(raw, source)
    data = upgrade(_versioned(document), where=document.where(("hotbench_profile",)))
    try:
        return MachineProfile.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        raise _first_problem(error, document) from error


def write_profile(profile: MachineProfile, path: Path | str) -> None:
    """Write the profile as a whole or not at all. Errors: BadInput when the path refuses."""
    target = Path(path)
    temporary = target.with_name(target.name + ".part")
    try:
        temporary.write_text(dumps(profile), encoding="utf-8", newline="\n")
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise unwritable(error, target) from error


def dumps(profile: MachineProfile) -> str:
    """The canonical text: the same profile always gives the same bytes."""
    stream = StringIO()
    _writer().dump(_commented(to_plain(profile), profile), stream)
    version, _, body = stream.getvalue().partition("\n")
    return f"{version}\n{HEADER}{body}"


def _versioned(document: Document) -> dict[str, Any]:
    if not isinstance(document.data, dict):
        what = "a profile is a mapping that starts with 'hotbench_profile: 1'"
        raise BadInput(what, where=document.where(), value=_kind(document.data))
    if next(iter(document.data), None) != "hotbench_profile":
        first = clipped(next(iter(document.data), "nothing"))
        what = "the first key must be hotbench_profile"
        remedy = "is this a machine profile?"
        raise BadInput(what, where=document.where(), value=first, remedy=remedy)
    return document.data


def _kind(data: object) -> str:
    return "a list" if isinstance(data, list) else "a single value"


def _first_problem(error: ValidationError, document: Document) -> BadInput:
    """The problem that stands first in the file."""
    problems = error.errors(include_url=False)
    return _as_bad_input(min(problems, key=lambda p: _order(p, document)), document)


def _order(problem: ErrorDetails, document: Document) -> tuple[bool, int]:
    """Unknown keys first, because a misspelt key is also a missing one; then by line."""
    line = document.lines.get(problem["loc"], _line_above(problem["loc"], document))
    return problem["type"] not in _UNKNOWN, line


def _line_above(location: Location, document: Document) -> int:
    return document.lines.get(location[:-1], 1)


def _as_bad_input(problem: ErrorDetails, document: Document) -> BadInput:
    location, kind = problem["loc"], problem["type"]
    where = document.where(location)
    if kind in _UNKNOWN:
        parent = document.where(location[:-1]) if not document.lines.get(location) else where
        return unknown_key(clipped(str(location[-1])), known_keys(location[:-1]), where=parent)
    if kind in _MISSING:
        return BadInput(f"missing key '{location[-1]}'", where=document.where(location[:-1]))
    what = problem["msg"].removeprefix("Value error, ").removeprefix("Input ")
    value = problem["input"]
    shown = None if isinstance(value, (dict, list)) else _shown(value)
    return BadInput(what, where=where, value=shown)


def _shown(value: object) -> str:
    return f"'{clipped(value)}'" if isinstance(value, str) else clipped(value)


class _Representer(RoundTripRepresenter):
    """Scalars that YAML 1.1 and 1.2 readers take for the same value."""


def _float_node(representer: _Representer, value: float) -> ScalarNode:
    text = repr(value)
    if not math.isfinite(value):
        raise ValueError(f"a profile holds finite numbers only, got {text}")
    if "e" in text and "." not in text:
        text = text.replace("e", ".0e")
    return representer.represent_scalar("tag:yaml.org,2002:float", text)


def _text_node(representer: _Representer, value: str) -> ScalarNode:
    style = None if _PLAIN_TEXT.fullmatch(value) and not _SWITCH.fullmatch(value) else '"'
    return representer.represent_scalar("tag:yaml.org,2002:str", value, style=style)


def _null_node(representer: _Representer, _: None) -> ScalarNode:
    return representer.represent_scalar("tag:yaml.org,2002:null", "null")


_Representer.add_representer(float, _float_node)
_Representer.add_representer(str, _text_node)
_Representer.add_representer(type(None), _null_node)


def _writer() -> YAML:
    yaml = YAML(typ="rt", pure=True)
    yaml.Representer = _Representer
    yaml.width = _WIDTH
    yaml.allow_unicode = True
    yaml.indent(mapping=2, sequence=4, offset=2)
    return yaml


def _commented(plain: dict[str, Any], profile: MachineProfile) -> CommentedMap:
    document = CommentedMap()
    for name, section in plain.items():
        part = getattr(profile, name)
        document[name] = _block(section, part if isinstance(part, Part) else None, 2)
        if name != "hotbench_profile":
            comment = f"\n{MachineProfile.model_fields[name].description}"
            document.yaml_set_comment_before_after_key(name, before=comment)
    return document


def _block(plain: Any, part: Part | None, indent: int) -> Any:
    """Mappings and lists of a section in block style, quantities and rows on one line each."""
    if isinstance(plain, list):
        return CommentedSeq(_row(row) for row in plain)
    if not isinstance(plain, dict):
        return plain
    if set(plain) >= {"value", "unit", "basis"}:
        return _flow(plain)
    block = CommentedMap((name, _block(inner, None, indent + 2)) for name, inner in plain.items())
    for name in block if part else ():
        _describe(block, name, part, indent)
    return block


def _describe(block: CommentedMap, name: str, part: Part | None, indent: int) -> None:
    description = type(part).model_fields[name].description if part else None
    if description:
        block.yaml_set_comment_before_after_key(name, before=description, indent=indent)


def _row(plain: Any) -> Any:
    """A flat row on one line; one that holds quantities or lists with a line for each column."""
    nested = isinstance(plain, dict) and any(isinstance(v, (dict, list)) for v in plain.values())
    return CommentedMap((k, _flow(v)) for k, v in plain.items()) if nested else _flow(plain)


def _flow(plain: Any) -> Any:
    if isinstance(plain, dict):
        mapping = CommentedMap((name, _flow(inner)) for name, inner in plain.items())
        mapping.fa.set_flow_style()
        return mapping
    if isinstance(plain, list):
        items = CommentedSeq(_flow(inner) for inner in plain)
        items.fa.set_flow_style()
        return items
    return plain
