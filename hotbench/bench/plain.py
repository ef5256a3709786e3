"""Results as plain values that JSON and YAML can hold."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np

from hotbench.core.errors import unwritable


def plain(value: Any) -> Any:
    """`value` as dictionaries, lists, text, numbers and None; NaN and infinities become None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Sequence | set | frozenset) and not isinstance(value, str):
        return [plain(v) for v in value]
    return _scalar(value)


def _scalar(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)


def to_yaml(value: Any) -> str:
    """`value` as YAML 1.2 text in the order given."""
    from ruamel.yaml import YAML

    yaml = YAML(typ="rt")
    yaml.default_flow_style = False
    yaml.width = 110
    text = StringIO()
    yaml.dump(plain(value), text)
    return text.getvalue()


def write_yaml(value: Any, path: Path) -> None:
    """Write `value` to `path` as YAML, replacing the file in one step."""
    partial = path.with_name(path.name + ".part")
    try:
        partial.write_text(to_yaml(value), encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise unwritable(error, path) from error
