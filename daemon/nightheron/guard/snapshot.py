"""State to plain JSON values and back, exactly: integers, floats, enums, lists, dicts, dataclasses.

``null`` is kept for None; no NaN or infinity can occur, since the state holds none.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from enum import Enum
from functools import lru_cache
from typing import Any, TypeVar

from nightheron.model import JsonValue

T = TypeVar("T")


def to_json(value: Any) -> JsonValue:
    """Plain JSON values of a dataclass, enum, list, tuple, dict or scalar; TypeError for anything else."""
    if isinstance(value, Enum):
        return typing.cast("JsonValue", value.value)
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, list | tuple):
        return [to_json(v) for v in value]
    if isinstance(value, dict):
        return {str(to_json(k)): to_json(v) for k, v in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
    raise TypeError(f"cannot be written down: {type(value).__name__}")


def from_json(kind: type[T], value: JsonValue) -> T:
    """The ``kind`` that ``to_json`` wrote; KeyError, ValueError or TypeError if it is not one."""
    return typing.cast("T", _build(kind, value))


@lru_cache(maxsize=64)
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _build(kind: Any, value: Any) -> Any:
    origin = typing.get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        if value is None:
            return None
        (kind,) = (a for a in typing.get_args(kind) if a is not types.NoneType)
        return _build(kind, value)
    if origin is list:
        (item,) = typing.get_args(kind)
        return [_build(item, v) for v in value]
    if origin is tuple:
        items = typing.get_args(kind)
        if items[-1] is Ellipsis:
            return tuple(_build(items[0], v) for v in value)
        return tuple(_build(item, v) for item, v in zip(items, value, strict=True))
    if origin is dict:
        key, item = typing.get_args(kind)
        return {int(k) if key is int else _build(key, k): _build(item, v) for k, v in value.items()}
    if dataclasses.is_dataclass(kind):
        hints = _hints(typing.cast("type", kind))
        return typing.cast("Any", kind)(**{name: _build(hints[name], v) for name, v in value.items()})
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    if kind is float and isinstance(value, int):
        return value  # an integer kept as such, so that the round trip is exact
    return value
