"""From what was found to the block to paste: the interval, when it is stale, and TOML."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from nightheron_drivers.protocols import Found

from nightheron.cli.listen_tally import Tally

READINGS_LEAST = 3
"""Two intervals; with fewer nobody knows how often it speaks."""
LEAST_PERIOD_S, MOST_PERIOD_S = 0.1, 1200.0
LEAST_STALE_S, MOST_STALE_S = 5.0, 3600.0


@dataclass(frozen=True, slots=True)
class Pace:
    """How often a probe speaks, seconds, and its smallest step in its own unit; None where not known."""

    readings: int
    interval_s: float | None
    longest_s: float | None
    resolution: float | None

    @property
    def known(self) -> bool:
        return self.readings >= READINGS_LEAST

    @property
    def too_seldom(self) -> bool:
        """No guard can live on it."""
        return self.interval_s is not None and self.interval_s > MOST_PERIOD_S

    @property
    def period_s(self) -> float:
        """What to expect: the interval to two digits, within what the configuration takes."""
        usual_s = self.interval_s or LEAST_PERIOD_S
        digits = 1 - math.floor(math.log10(usual_s)) if usual_s > 0 else 1
        return min(max(round(usual_s, digits), LEAST_PERIOD_S), MOST_PERIOD_S)

    @property
    def stale_s(self) -> float:
        """Whole seconds, at least three periods and twice the longest silence heard."""
        least_s = max(LEAST_STALE_S, 3 * self.period_s, 2 * (self.longest_s or 0.0))
        return float(min(math.ceil(least_s), MOST_STALE_S))


def pace_of(found: Found) -> Pace:
    """The pace of what was heard live."""
    tally = Tally()
    for heard in found.heard:
        tally.take(heard)
    return Pace(tally.readings, tally.interval_s, tally.longest_s, tally.resolution)


def block(found: Found, pace: Pace) -> str | None:
    """The TOML to paste; None when nothing reads it, or its interval is not known or too long."""
    if found.options is None or not pace.known or pace.too_seldom:
        return None
    keys = {**found.options, "unit": found.unit, "period_s": pace.period_s, "stale_s": pace.stale_s}
    return "\n".join(["[chamber.probe]", *toml_lines(keys)])


def toml_lines(keys: Mapping[str, str | int | float]) -> Iterable[str]:
    """``key = value`` in TOML, a text without escapes where it can be so."""
    return [f"{key} = {toml_value(value)}" for key, value in keys.items()]


def toml_value(value: str | int | float) -> str:
    """One value in TOML 1.0."""
    if not isinstance(value, str):
        return repr(value)
    if "\\" in value and "'" not in value and all(c.isprintable() for c in value):
        return f"'{value}'"
    return '"' + "".join(_escaped(character) for character in value) + '"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    return f"\\U{ord(character):08x}"
