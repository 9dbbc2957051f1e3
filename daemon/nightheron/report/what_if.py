"""Other limits for a replay: ``chamber.west.floor_ph=6.5``, held to the same bounds as the configuration."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from nightheron.guard.limits import ChamberLimits
from nightheron.settings.crosscheck import check_chamber
from nightheron.settings.faults import BadConfiguration, Faults, KeyFault
from nightheron.settings.parsed import ParsedChamber
from nightheron.settings.tables import ChamberTable
from nightheron.settings.words import validate

LIMITS = tuple(
    one.name
    for one in fields(ChamberLimits)
    if one.name in ChamberTable.model_fields and ChamberTable.model_fields[one.name].annotation is float
)
"""What may be changed, by the names of the configuration."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Changed limits, chamber by chamber."""

    changes: Mapping[str, Mapping[str, float]]

    def limits(self, recorded: ChamberLimits) -> ChamberLimits:
        """The recorded limits of a chamber with its changes."""
        changes: dict[str, Any] = {**self.changes.get(recorded.name, {})}
        return replace(recorded, **changes)


def parse(texts: Sequence[str], recorded: Sequence[ChamberLimits]) -> WhatIf:
    """The changes in ``texts``, each ``chamber.<name>.<limit>=<number>``.

    ``recorded`` are all limits the span was guarded by; the changed ones must be sound with each.
    Raises BadConfiguration, which names each bad key, why, and the nearest good one.
    """
    changes: dict[str, dict[str, float]] = {}
    good = [f"chamber.{name}.{limit}" for name in sorted({one.name for one in recorded}) for limit in LIMITS]
    for text in texts:
        key, sign, number = text.rpartition("=")
        if not sign:
            raise _bad(text, "must be written chamber.<name>.<limit>=<number>")
        if key not in good:
            raise _bad(key, _unknown(key, good))
        name, _, limit = key.removeprefix("chamber.").rpartition(".")
        if limit in changes.setdefault(name, {}):
            raise _bad(key, "is given twice")
        changes[name][limit] = _number(key, number)
    found = WhatIf(changes)
    faults = Faults()
    for one in recorded:
        if one.name in changes:
            _check(found.limits(one), faults)
    faults.stop_if_any()
    return found


def _unknown(key: str, good: Sequence[str]) -> str:
    if not good:
        return "cannot be changed: no chamber has a snapshot in this span"
    near = difflib.get_close_matches(key, good, n=1, cutoff=0.0)[0]
    return f"is not a limit that can be changed; the nearest is {near}"


def _number(key: str, text: str) -> float:
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _bad(key, f"must be a finite number, not {text[:40]!r}")
    return value


def _check(limits: ChamberLimits, faults: Faults) -> None:
    """The bounds of each limit, and of all among themselves, as the configuration has them."""
    key, values = f"chamber.{limits.name}", {name: getattr(limits, name) for name in ("name", *LIMITS)}
    table = validate(ChamberTable, values, key, faults, table="[[chamber]]")
    check_chamber(ParsedChamber(key, table, None, None, []), faults)


def _bad(key: str, why: str) -> BadConfiguration:
    return BadConfiguration((KeyFault(key, why),))
