"""Which parts of a broker's messages look like pH: pure, payloads in, places out."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from nightheron_drivers.numbers import decimal, rfc3339_s

LOOK_BYTES = 8192
"""Longer payloads are no probe's."""
DEPTH_MOST, LEAVES_MOST, SAMPLES_MOST = 6, 60, 500
PLAUSIBLE_PH = (4.0, 9.0)
CLOCKS_AGREE_S = 2.0

_PH = re.compile(r"(?:(?<![A-Za-z])[pP]_?[hH]|(?<=[a-z])(?:P[hH]|pH))(?![a-z]|[A-Z]{2})")
_ELSE = re.compile(
    r"temp|volt|batt|hum|press|cond|sal|flow|redox|orp|level|rssi|uptime|set|limit|cal|power|current", re.I
)
"""Other quantities' names, by common practice; a value under one of them is not taken for pH."""


@dataclass(slots=True)
class Place:
    """One number of one topic: where it stands, and what it was."""

    topic: str
    pointer: str
    """A JSON pointer (RFC 6901), or empty for a bare number."""
    kind: str
    """``bare number`` or ``JSON``."""
    samples: list[tuple[int, float, str]] = field(default_factory=list)
    """Live values: arrival (CLOCK_BOOTTIME ns), value, payload."""
    retained: float | None = None
    """What the broker kept from before we came."""

    @property
    def named(self) -> bool:
        """The topic, or the name in the JSON, says pH."""
        own = self.pointer.rpartition("/")[2] if self.pointer else self.topic
        whole = self.pointer or self.topic
        return bool(_PH.search(own) or (_PH.search(whole + "/" + self.topic) and not _ELSE.search(own)))

    def looks_like_ph(self) -> bool:
        """Every value may be a pH, and either the name says so or each lies where chamber and tank do."""
        values = [value for _, value, _ in self.samples]
        values += [self.retained] if self.retained is not None else []
        if not values or not all(0.0 <= value <= 14.0 for value in values):
            return False
        if self.named:
            return True
        within = all(PLAUSIBLE_PH[0] <= value <= PLAUSIBLE_PH[1] for value in values)
        return within and any(value % 1 for value in values) and not _ELSE.search(self.pointer or self.topic)


def numbers_in(payload: bytes) -> tuple[str, dict[str, float]]:
    """(kind, value by pointer) of every number of a payload; an empty kind when there is none."""
    if len(payload) > LOOK_BYTES:
        return "", {}
    value = decimal(payload.decode("ascii", "replace").strip())
    if value is not None:
        return "bare number", {"": value}
    found = {
        pointer: float(leaf)
        for pointer, leaf in leaves_of(payload)
        if isinstance(leaf, int | float) and not isinstance(leaf, bool) and abs(leaf) < 1e15
    }
    return ("JSON" if found else ""), found


def leaves_of(payload: bytes) -> list[tuple[str, Any]]:
    """The leaves of a JSON object or array with their pointers; none for anything else."""
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return []
    if not isinstance(document, dict | list):
        return []
    return [leaf for leaf, _ in zip(_walk(document, "", DEPTH_MOST), range(LEAVES_MOST), strict=False)]


def _walk(part: Any, pointer: str, depth: int) -> Iterator[tuple[str, Any]]:
    if isinstance(part, dict | list) and depth:
        items = part.items() if isinstance(part, dict) else enumerate(part)
        for key, inner in items:
            name = str(key).replace("~", "~0").replace("/", "~1")
            yield from _walk(inner, f"{pointer}/{name}", depth - 1)
    elif not isinstance(part, dict | list):
        yield pointer, part


def time_pointer(payloads: Sequence[tuple[float, bytes]]) -> str:
    """Where each of these messages says its own time, seconds; empty when nowhere, or not by our clock.

    ``payloads`` are (wall time of arrival, payload). The time must agree with the clock and move on.
    """
    stamps: dict[str, list[float]] = {}
    for wall_s, payload in payloads:
        for pointer, leaf in leaves_of(payload):
            stamp = rfc3339_s(leaf) if isinstance(leaf, str) else leaf
            if isinstance(stamp, int | float) and abs(wall_s - stamp) <= CLOCKS_AGREE_S:
                stamps.setdefault(pointer, []).append(stamp)
    for pointer, found in stamps.items():
        if len(found) == len(payloads) >= 2 and found[0] < found[-1]:
            return pointer
    return ""
