"""One chamber's closings, folded from its rows: reason by reason, with what the valve and the water said.

Lengths are taken from the clock that never steps, row to row within a boot; wall time only names
the hour. Time that nobody watched counts neither as open nor as watched.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from nightheron.guard.interlock import RULES
from nightheron.model import NS, Gas, JsonValue, Reason, State, Verdict
from nightheron.report.promised import Promises

Entry = Mapping[str, Any]
"""One row of the journal as ``journal.query.entries`` gives it."""
TRIPS = frozenset(rule.reason for rule in RULES.values() if rule.state in (State.TRIPPED, State.LATCHED))
WAITS = frozenset({Reason.SETTLING, Reason.MIN_REST})
"""They stand in every closing and are nobody's reason."""
SILENCE = re.compile(r"last reading (\d+(?:\.\d+)?) s ago")


@dataclass(slots=True)
class Closing:
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
    evidence: str = ""
    later: dict[str, dict[str, JsonValue]] = field(default_factory=dict)
    """Reasons that came after the first, in the order in which they came."""
    cause_ns: int | None = None
    """When what shut it was seen, or the last sign of life of what fell silent; None from before the span."""
    boot: str = ""
    closed_s: float | None = None
    """From the cause to the valve's acknowledgement."""
    promised_s: float | None = None
    latched: bool = False

    def see_low(self, ph: float | None) -> None:
        """One more lowest reading of this stretch."""
        if ph is not None:
            self.lowest_ph = ph if self.lowest_ph is None else min(self.lowest_ph, ph)

    def finish(self, row: Entry) -> None:
        """Gas opens, or the reason is over, with this row."""
        self.end = row["utc"]
        self.verdict = row.get("verdict") or self.verdict
        if self.verdict == Verdict.PENDING:
            self.verdict = Verdict.COULD_NOT_TELL.value

    def see_order(self, row: Entry) -> None:
        """What the valve has acknowledged by now."""
        taken_ns, cause_ns = row.get("taken_ns"), self.cause_ns
        if self.closed_s is not None or cause_ns is None or taken_ns is None or row["boot"] != self.boot:
            return
        if row.get("taken") == Gas.CLOSED and taken_ns >= (row.get("ordered_ns") or 0):
            self.closed_s = (taken_ns - cause_ns) / NS

    @property
    def late(self) -> bool:
        """It took longer than was promised."""
        return self.closed_s is not None and self.promised_s is not None and self.closed_s > self.promised_s

    def body(self) -> dict[str, JsonValue]:
        """As it stands in ``night --json``."""
        return {
            "chamber": self.chamber,
            "from": self.begin,
            "to": self.end,
            "reason": self.reason,
            "lowest_ph": self.lowest_ph,
            "verdict": self.verdict,
            "seconds": round(self.seconds, 3),
            "within": self.within,
            "evidence": self.evidence,
            "later": list(self.later.values()),
            "latched": self.latched,
            "closed_s": None if self.closed_s is None else round(self.closed_s, 3),
            "promised_s": self.promised_s,
            "late": self.late,
        }


@dataclass(slots=True)
class Watched:
    """What one chamber did so far."""

    name: str
    promises: Promises = field(default_factory=Promises)
    last: Entry | None = None
    closing: Closing | None = None
    joined: dict[str, Closing] = field(default_factory=dict)
    """Protective reasons that stand in the present closing, which something else began."""
    closings: list[Closing] = field(default_factory=list)
    open_s: float = 0.0
    shut_s: dict[str, float] = field(default_factory=dict)
    """Closed time by kind of closing."""
    watched_s: float = 0.0
    ph_min: float | None = None
    ph_max: float | None = None
    tank_min: float | None = None
    tank_max: float | None = None
    started: bool = True
    """The service started since the last row, so that nobody watched in between."""

    def see(self, row: Entry) -> None:
        """One decision or witness row."""
        if self.last is not None and not self.started:
            self._pass(max(0.0, (row["mono_ns"] - self.last["mono_ns"]) / NS))
        self._see_ph(row)
        if row["gas"] == Gas.OPEN:
            self._open(row)
        else:
            self._closed(row)
        self.last, self.started = row, False

    def _see_ph(self, row: Entry) -> None:
        low, high, tank = row.get("ph_min"), row.get("ph_max"), row.get("tank_ph")
        if low is not None:
            self.ph_min = low if self.ph_min is None else min(self.ph_min, low)
        if high is not None:
            self.ph_max = high if self.ph_max is None else max(self.ph_max, high)
        if tank is not None:
            self.tank_min = tank if self.tank_min is None else min(self.tank_min, tank)
            self.tank_max = tank if self.tank_max is None else max(self.tank_max, tank)

    def _pass(self, seconds: float) -> None:
        self.watched_s += seconds
        if self.closing is None:
            self.open_s += seconds
            return
        kind = kind_of(self.closing.reason)
        self.shut_s[kind] = self.shut_s.get(kind, 0.0) + seconds
        self.closing.seconds += seconds
        for joined in self.joined.values():
            joined.seconds += seconds

    def _open(self, row: Entry) -> None:
        for span in (self.closing, *self.joined.values()):
            if span is not None:
                span.see_low(row.get("ph_min"))
                span.finish(row)
        self.closing = None
        self.joined.clear()

    def _closed(self, row: Entry) -> None:
        if self.closing is None:
            self.closing = self._begin(row)
            self.closings.append(self.closing)
            self.closing.see_low(row.get("ph"))
        else:
            if self.started and self.last is not None:
                self.closing.seconds += max(0.0, _wall_s(self.last["utc"], row["utc"]))
            self.closing.see_low(row.get("ph_min"))
        closing = self.closing
        closing.verdict = row.get("verdict") or closing.verdict
        closing.latched = closing.latched or row.get("state") == State.LATCHED
        closing.see_order(row)
        self._later(row, closing)
        self._join(row, closing)

    def _begin(self, row: Entry) -> Closing:
        begin, reason = row.get("since") or row["utc"], str(row.get("reason"))
        made = Closing(self.name, begin, reason, boot=str(row["boot"]))
        made.seconds = max(0.0, _wall_s(begin, row["utc"]))
        made.evidence = evidence_of(row, reason)
        at_ns = row.get("at_ns")
        if at_ns is not None and at_ns == row.get("ordered_ns"):
            silence = SILENCE.search(made.evidence) if reason in (row.get("reasons") or []) else None
            made.cause_ns = at_ns - round(float(silence[1]) * NS) if silence else at_ns
            made.promised_s = self.promises.seconds(reason)
        return made

    def _later(self, row: Entry, closing: Closing) -> None:
        for reason in row.get("reasons") or []:
            if reason != closing.reason and reason not in WAITS and reason not in closing.later:
                closing.later[reason] = {
                    "reason": reason,
                    "from": row["utc"],
                    "evidence": evidence_of(row, reason),
                }

    def _join(self, row: Entry, closing: Closing) -> None:
        """Each protective reason that stands in a closing which something else began."""
        if kind_of(closing.reason) == "trips":
            return
        standing = [reason for reason in row.get("reasons") or [] if kind_of(reason) == "trips"]
        for reason, joined in list(self.joined.items()):
            joined.see_low(row.get("ph_min"))
            if reason not in standing:
                joined.end = row["utc"]
                del self.joined[reason]
        for reason in standing:
            if reason not in self.joined:
                self.joined[reason] = Closing(self.name, row["utc"], reason, within=closing.reason)
                self.joined[reason].evidence = evidence_of(row, reason)
                self.joined[reason].see_low(row.get("ph"))
                self.closings.append(self.joined[reason])
            self.joined[reason].latched |= row.get("state") == State.LATCHED


def kind_of(reason: str) -> str:
    """Which list of the night a closing with this first reason belongs to."""
    if reason == Reason.FLOOR:
        return "cuts"
    if reason == Reason.PLANNED_REST:
        return "rests"
    return "trips" if reason in TRIPS else "other"


def evidence_of(row: Entry, reason: str) -> str:
    """The number or word on which a standing reason rests in this row; empty when there is none."""
    return str(next((text for name, text in row.get("evidence") or [] if name == reason), ""))


def _wall_s(begin: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds()
