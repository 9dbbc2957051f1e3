"""The table of a night, from journal rows: what shut the gas, for how long, and what the water said.

Lengths are taken from the clock that never steps, row to row within a boot; wall time only names
the hour. Time that nobody watched counts neither as open nor as watched.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from nightheron.guard.interlock import RULES
from nightheron.model import NS, Gas, JsonValue, Reason, State, Verdict

Entry = Mapping[str, Any]
"""One row of the journal as ``journal.query.entries`` gives it."""

DECIDING = ("decision", "witness")
TRIPS = frozenset(rule.reason for rule in RULES.values() if rule.state in (State.TRIPPED, State.LATCHED))


@dataclass(slots=True)
class _Span:
    """One stretch of closed gas, or of a protective reason within it."""

    chamber: str
    begin: str
    reason: str
    end: str | None = None
    lowest_ph: float | None = None
    verdict: str | None = None
    seconds: float = 0.0
    within: str | None = None
    """First reason of the closing in which this one joined, when another began it."""

    def see_low(self, ph: float | None) -> None:
        if ph is not None:
            self.lowest_ph = ph if self.lowest_ph is None else min(self.lowest_ph, ph)

    def body(self) -> dict[str, JsonValue]:
        return {
            "chamber": self.chamber,
            "from": self.begin,
            "to": self.end,
            "reason": self.reason,
            "lowest_ph": self.lowest_ph,
            "verdict": self.verdict,
            "seconds": round(self.seconds, 3),
            "within": self.within,
        }


@dataclass(slots=True)
class _Chamber:
    """What one chamber did so far."""

    name: str
    last: Entry | None = None
    closing: _Span | None = None
    joined: _Span | None = None
    spans: list[_Span] = field(default_factory=list)
    open_s: float = 0.0
    shut_s: dict[str, float] = field(default_factory=dict)
    """Closed time by kind of closing."""
    watched_s: float = 0.0
    ph_min: float | None = None
    started: bool = True
    """The service started since the last row, so that nobody watched in between."""

    def see(self, row: Entry) -> None:
        """One decision or witness row."""
        if self.last is not None and not self.started:
            self._pass(max(0.0, (row["mono_ns"] - self.last["mono_ns"]) / NS))
        low = row.get("ph_min")
        if low is not None:
            self.ph_min = low if self.ph_min is None else min(self.ph_min, low)
        if row["gas"] == Gas.OPEN:
            self._open(row)
        else:
            self._closed(row)
        self.last, self.started = row, False

    def _pass(self, seconds: float) -> None:
        self.watched_s += seconds
        if self.closing is None:
            self.open_s += seconds
            return
        kind = _kind(self.closing.reason)
        self.shut_s[kind] = self.shut_s.get(kind, 0.0) + seconds
        self.closing.seconds += seconds
        if self.joined:
            self.joined.seconds += seconds

    def _open(self, row: Entry) -> None:
        for span in (self.closing, self.joined):
            if span is not None:
                span.see_low(row.get("ph_min"))
                self._end(span, row)
        self.closing = self.joined = None

    def _end(self, span: _Span, row: Entry) -> None:
        span.end = row["utc"]
        span.verdict = row.get("verdict") or span.verdict
        if span.verdict == Verdict.PENDING:
            span.verdict = Verdict.COULD_NOT_TELL.value

    def _closed(self, row: Entry) -> None:
        if self.closing is None:
            begin = row.get("since") or row["utc"]
            self.closing = _Span(self.name, begin, str(row.get("reason")))
            self.closing.seconds = max(0.0, _wall_s(begin, row["utc"]))
            self.spans.append(self.closing)
            self.closing.see_low(row.get("ph"))
        else:
            if self.started and self.last is not None:
                self.closing.seconds += max(0.0, _wall_s(self.last["utc"], row["utc"]))
            self.closing.see_low(row.get("ph_min"))
        self.closing.verdict = row.get("verdict") or self.closing.verdict
        self._join(row, self.closing)

    def _join(self, row: Entry, closing: _Span) -> None:
        """A protective reason that stands in a closing which something else began."""
        if _kind(closing.reason) == "trips":
            return
        standing = [reason for reason in row.get("reasons") or [] if _kind(reason) == "trips"]
        if self.joined is not None:
            self.joined.see_low(row.get("ph_min"))
            if not standing:
                self.joined.end, self.joined = row["utc"], None
        elif standing:
            self.joined = _Span(self.name, row["utc"], standing[0], within=closing.reason)
            self.joined.see_low(row.get("ph"))
            self.spans.append(self.joined)


def night(entries: Iterable[Entry], since: str, until: str) -> dict[str, JsonValue]:
    """The night between two UTC times of the journal's form, from its rows, oldest first.

    ``cuts``, ``rests``, ``trips`` and ``other`` (starts, holds) are closings: chamber, from, to (None
    while it lasts), reason, lowest_ph, verdict, seconds (so far). ``open_share`` is open over watched time,
    0 to 1, None when nothing was watched. Rows outside the span are passed over.
    """
    chambers: dict[str, _Chamber] = {}
    gaps: list[JsonValue] = []
    head = None
    for row in entries:
        if not since <= row["utc"] < until:
            continue
        head = row["hash"]
        if row["kind"] in DECIDING:
            name = str(row["chamber"])
            chambers.setdefault(name, _Chamber(name)).see(row)
        elif row["kind"] == "start" and row.get("chamber") is None:
            for one in chambers.values():
                one.started = True
        elif row["kind"] == "gap":
            gaps.append(_gap(row))
    seen = list(chambers.values())
    spans = sorted((span for one in seen for span in one.spans), key=lambda span: span.begin)
    lists: dict[str, list[JsonValue]] = {name: [] for name in ("cuts", "trips", "rests", "other")}
    for span in spans:
        lists[_kind(span.reason)].append(span.body())
    return {
        "from": since,
        "to": until,
        **lists,
        "gaps": gaps,
        "ph_min": min((one.ph_min for one in seen if one.ph_min is not None), default=None),
        "open_share": _share(seen),
        "head": head,
        "chambers": [_summary(one) for one in seen],
    }


def _summary(one: _Chamber) -> JsonValue:
    shut: dict[str, JsonValue] = {name: round(seconds, 3) for name, seconds in sorted(one.shut_s.items())}
    return {
        "chamber": one.name,
        "ph_min": one.ph_min,
        "open_share": _share([one]),
        "open_s": round(one.open_s, 3),
        "watched_s": round(one.watched_s, 3),
        "shut_s": shut,
    }


def _share(chambers: Sequence[_Chamber]) -> float | None:
    watched_s = sum(one.watched_s for one in chambers)
    return round(sum(one.open_s for one in chambers) / watched_s, 4) if watched_s > 0 else None


def _kind(reason: str) -> str:
    if reason == Reason.FLOOR:
        return "cuts"
    if reason == Reason.PLANNED_REST:
        return "rests"
    return "trips" if reason in TRIPS else "other"


def _gap(row: Entry) -> JsonValue:
    return {
        "from": row.get("from_utc"),
        "to": row["utc"],
        "seconds": row.get("seconds"),
        "why": row.get("why"),
        "shut": row.get("shut"),
        "text": row.get("text"),
    }


def _wall_s(begin: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds()
