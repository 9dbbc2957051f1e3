"""Text and MQTT payloads to one number, or to the word for why not.

Strict on purpose: ``float()`` takes ``nan``, ``1_0``, ``inf`` and digits of other scripts, and each of
them is a probe that talks nonsense. Reason words: ``empty``, ``too_long``, ``not_a_number``,
``not_json``, ``no_value``, ``no_time``, ``bad_time``, ``old``, ``ahead``.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn

PAYLOAD_MOST = 65_536
"""The most bytes of a payload that are looked at."""

AHEAD_MOST_S = 60.0
"""How far a message's own time may lie ahead of the wall clock."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,2})?")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_BAD_TILDE = re.compile(r"~(?![01])")
_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d):(\d\d)(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Number:
    """A finite value, or None and the reason word."""

    value: float | None
    refused: str | None = None


def decimal(text: str) -> float | None:
    """The value of an ASCII decimal number, at most 15 digits each side and exponent 99; else None."""
    return float(text) if _NUMBER.fullmatch(text) else None


def pointer_fault(pointer: str) -> str | None:
    """Why this is not a JSON pointer (RFC 6901), or None."""
    if pointer and not pointer.startswith("/"):
        return "a JSON pointer is empty or starts with '/', such as '/ph'"
    if _BAD_TILDE.search(pointer):
        return "in a JSON pointer '~' is written '~0' and '/' inside a name '~1'"
    return None


def at_pointer(document: Any, pointer: str) -> Any:
    """The part of a JSON document a pointer (RFC 6901) names; LookupError when it names none."""
    for token in pointer.split("/")[1:]:
        key = token.replace("~1", "/").replace("~0", "~")
        if isinstance(document, dict):
            document = document[key]
        elif isinstance(document, list) and _INDEX.fullmatch(key):
            document = document[int(key)]
        else:
            raise LookupError(pointer)
    return document


def read_payload(
    payload: bytes, value_pointer: str, time_pointer: str, stale_s: float, wall_s: float
) -> Number:
    """One MQTT payload: a bare number, or JSON where a pointer is given.

    ``wall_s`` is Unix time in seconds. The message's own time can refuse it and can do nothing else.
    """
    if not payload.strip():
        return Number(None, "empty")
    if len(payload) > PAYLOAD_MOST:
        return Number(None, "too_long")
    if not value_pointer:
        value = decimal(payload.decode("ascii", "replace").strip())
        return Number(value, None if value is not None else "not_a_number")
    try:
        document = json.loads(payload, parse_constant=_refuse, object_pairs_hook=_once)
    except (ValueError, RecursionError):
        return Number(None, "not_json")
    try:
        value = _finite(at_pointer(document, value_pointer))
    except LookupError:
        return Number(None, "no_value")
    if value is None:
        return Number(None, "not_a_number")
    refused = _time_refused(document, time_pointer, stale_s, wall_s) if time_pointer else None
    return Number(None if refused else value, refused)


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is not JSON")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = dict(pairs)
    if len(names) != len(pairs):
        raise ValueError("a name stands twice: nobody knows which one is meant")
    return names


def _finite(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _time_refused(document: Any, pointer: str, stale_s: float, wall_s: float) -> str | None:
    try:
        stamp = at_pointer(document, pointer)
    except LookupError:
        return "no_time"
    sent_s = rfc3339_s(stamp) if isinstance(stamp, str) else _finite(stamp)
    if sent_s is None:
        return "bad_time"
    if not wall_s - sent_s <= stale_s:
        return "old"
    return None if sent_s - wall_s <= AHEAD_MOST_S else "ahead"


def rfc3339_s(text: str) -> float | None:
    """Unix seconds of an RFC 3339 time with its offset; a leap second counts as the one before it."""
    match = _RFC3339.fullmatch(text)
    if match is None:
        return None
    day, minute, second, fraction, offset = match.groups()
    second = "59" if second == "60" else second
    zone = "+00:00" if offset in "Zz" else offset
    try:
        whole = datetime.fromisoformat(f"{day}T{minute}:{second}{zone}").timestamp()
    except (ValueError, OverflowError):
        return None
    return whole + float(fraction or 0)
