"""Two states of a chamber held against each other, as plain values, to the last bit."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping

Pair = tuple[object, object]


def same(one: object, other: object) -> bool:
    """Equal to the last bit: 0.0 is not -0.0, and 1 is not 1.0."""
    return one == other and json.dumps(one) == json.dumps(other)


def apart(one: object, other: object, path: str = "") -> Iterator[tuple[str, Pair]]:
    """The innermost named places where two plain values differ."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in {**one, **other}:
            yield from apart(one.get(name), other.get(name), _within(path, name))
    elif not same(one, other):
        yield path, (one, other)


def lacking(written: object, whole: object, path: str = "") -> Iterator[str]:
    """The names that ``whole`` has and ``written`` has not: what another version did not write down yet."""
    if not isinstance(written, dict) or not isinstance(whole, dict):
        return
    for name in whole:
        if name not in written:
            yield _within(path, name)
        else:
            yield from lacking(written[name], whole[name], _within(path, name))


def without(found: Iterable[tuple[str, Pair]], lacks: Iterable[str]) -> Mapping[str, Pair]:
    """What was found apart, except at or below a place that was not written down."""
    left_out = tuple(lacks)
    return {
        path: pair
        for path, pair in found
        if not any(path == place or path.startswith(f"{place}.") for place in left_out)
    }


def _within(path: str, name: object) -> str:
    return f"{path}.{name}" if path else str(name)
