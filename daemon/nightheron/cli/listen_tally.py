"""What ``nightheron listen`` counts: lines, readings, refusals, the interval and the resolution seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from nightheron_drivers.protocols import Heard

from nightheron.model import NS, JsonValue

INTERVALS_MOST = 3600
VALUES_MOST = 1000


@dataclass(slots=True)
class Tally:
    """One probe, listened to. Memory is bounded however long somebody listens."""

    lines: int = 0
    readings: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    _last_ns: int | None = None
    _intervals_s: list[float] = field(default_factory=list)
    _values: set[float] = field(default_factory=set)

    def take(self, heard: Heard) -> float | None:
        """Count one message; seconds since the last reading when this is one and not the first."""
        self.lines += 1
        if heard.value is None:
            self.refused[heard.refused or "no_reason"] += 1
            return None
        self.readings += 1
        if len(self._values) < VALUES_MOST:
            self._values.add(heard.value)
        interval_s = None
        if self._last_ns is not None:
            interval_s = (heard.at_ns - self._last_ns) / NS
            if len(self._intervals_s) < INTERVALS_MOST:
                self._intervals_s.append(interval_s)
        self._last_ns = heard.at_ns
        return interval_s

    @property
    def interval_s(self) -> float | None:
        """The usual interval between readings, seconds; None with fewer than two."""
        return median(self._intervals_s) if self._intervals_s else None

    @property
    def longest_s(self) -> float | None:
        """The longest interval between readings, seconds."""
        return max(self._intervals_s, default=None)

    @property
    def resolution(self) -> float | None:
        """The smallest step between two values seen, in the probe's unit; None when only one was seen."""
        ordered = sorted(self._values)
        steps = [round(b - a, 9) for a, b in pairwise(ordered)]
        return min((step for step in steps if step > 0), default=None)

    def as_json(self) -> dict[str, JsonValue]:
        """The summary as one JSON object."""
        return {
            "lines": self.lines,
            "readings": self.readings,
            "refused": dict(sorted(self.refused.items())),
            "interval_s": self.interval_s,
            "longest_interval_s": self.longest_s,
            "resolution": self.resolution,
        }

    def as_text(self) -> str:
        """The summary in a few lines."""
        refused = ", ".join(f"{count} {reason}" for reason, count in sorted(self.refused.items())) or "none"
        rows = [f"messages  {self.lines}", f"readings  {self.readings}", f"refused   {refused}"]
        if self.interval_s is not None:
            rows.append(f"interval  {self.interval_s:.2f} s, at most {self.longest_s:.2f} s")
        if self.resolution is not None:
            rows.append(f"smallest step between two values  {self.resolution:g}")
        return "\n".join(rows)


def none_read(tallies: Sequence[Tally]) -> str:
    """Why there was no reading: nothing came, or nothing that came could be read."""
    lines = sum(tally.lines for tally in tallies)
    if not lines:
        return "No reading was seen: nothing came; look at cable, rate or topic, and the probe's supply."
    came = "1 message came" if lines == 1 else f"{lines} messages came"
    reasons = sorted({reason for tally in tallies for reason in tally.refused})
    if "no_match" in reasons:
        return f"{came}, the pattern read none; it must match the whole line."
    return f"{came}, none was a reading ({', '.join(reasons)})."
