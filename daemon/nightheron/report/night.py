"""A night, from journal rows: what shut the gas, for how long, what the water said, and who watched."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from types import MappingProxyType

from nightheron.model import NS, JsonValue
from nightheron.report.answers import FRESH_S, answers
from nightheron.report.calibrated import Calibrated
from nightheron.report.closings import Entry, Watched, kind_of
from nightheron.report.promised import promises

DECIDING = ("decision", "witness")
KINDS = ("cuts", "trips", "rests", "other")


@dataclass(slots=True)
class _Site:
    """What was read so far."""

    chambers: dict[str, Watched] = field(default_factory=dict)
    gaps: list[JsonValue] = field(default_factory=list)
    unwatched: list[Entry] = field(default_factory=list)
    """The gaps in which nobody watched."""
    acts: list[JsonValue] = field(default_factory=list)
    alarms: dict[str, dict[str, JsonValue]] = field(default_factory=dict)
    stop: Entry | None = None
    """The last row, when it says that the service stopped."""
    first: Entry | None = None
    last: Entry | None = None
    rows: int = 0

    def chamber(self, row: Entry) -> Watched:
        name = str(row["chamber"])
        found = self.chambers.get(name)
        if found is None:
            found = self.chambers[name] = Watched(name)
        return found

    def see(self, row: Entry) -> None:
        """One row."""
        self.rows += 1
        self.first, self.last, self.stop = self.first or row, row, None
        kind = row["kind"]
        if kind in DECIDING:
            self.chamber(row).see(row)
        elif kind == "start" and row.get("chamber") is None:
            for one in self.chambers.values():
                one.started = True
        elif kind == "snapshot":
            self.chamber(row).promises = promises(row.get("limits"))
        elif kind == "gap":
            self.gaps.append(_gap(row))
            if row.get("why") == "unwatched":
                self.unwatched.append(row)
        elif kind == "act":
            self.acts.append(_act(row))
        elif kind == "alarm":
            self._alarm(row)
        elif kind == "delivery":
            self._delivery(row)
        elif kind == "stop":
            self.stop = row

    def _delivery(self, row: Entry) -> None:
        """Who was told of an alarm, and which push was given up."""
        alarm = self.alarms.get(str(row.get("alarm")))
        if alarm is None or row.get("about") != "alarm":
            return
        for state, name in (("accepted", "told"), ("given_up", "not_told")):
            listed = alarm[name]
            if row.get("state") == state and isinstance(listed, list):
                listed.append({"channel": row.get("channel"), "at": row["utc"]})
        if row.get("state") == "seen":
            alarm["seen"] = alarm["seen"] or row["utc"]

    def _alarm(self, row: Entry) -> None:
        name = str(row.get("id"))
        one = self.alarms.setdefault(
            name,
            {
                "id": name,
                "chamber": row["chamber"],
                "reason": row["reason"],
                "class": row.get("class"),
                "from": row.get("since") or row["utc"],
                "to": None,
                "seen": None,
                "told": [],
                "not_told": [],
                "text": row["text"],
            },
        )
        if row["state"] == "normal" or row.get("over"):
            one["to"] = one["to"] or row["utc"]
        else:
            one["to"] = None  # it came back before it was calm for long enough
        if row["state"] == "normal":
            return
        if row["state"] == "acknowledged":
            one["seen"] = one["seen"] or row["utc"]
        else:
            one["class"], one["text"] = row.get("class"), row["text"]


def night(
    entries: Iterable[Entry],
    since: str,
    until: str,
    before: Iterable[Entry] = (),
    calibrated: Mapping[str, Calibrated] = MappingProxyType({}),
    zone: tzinfo = UTC,
    usual: Mapping[str, JsonValue] = MappingProxyType({}),
) -> dict[str, JsonValue]:
    """The night between two UTC times of the journal's form, from its rows, oldest first.

    ``cuts``, ``rests``, ``trips`` and ``other`` (starts, holds) are closings: chamber, from, to (None
    while it lasts), reason, lowest_ph, verdict, seconds (so far), and more. ``open_share`` is open over
    watched time, 0 to 1, None when nothing was watched. The rows from the first in the span to the last
    in it count, also those between whose wall time lies outside it. ``before`` are snapshot rows from
    before the span, for the limits in force when it begins; ``calibrated`` says of chambers when their probe
    was. ``answers`` has what a person asks first, hours in ``zone``.
    """
    site = _Site()
    for row in before:
        site.chamber(row).promises = promises(row.get("limits"))
    for row in _span(entries, since, until):
        site.see(row)
    seen = [one for one in site.chambers.values() if one.last is not None]
    spans = sorted((span for one in seen for span in one.closings), key=lambda span: span.begin)
    lists: dict[str, list[JsonValue]] = {name: [] for name in KINDS}
    for span in spans:
        lists[kind_of(span.reason)].append(span.body())
    found: dict[str, JsonValue] = {
        "from": since,
        "to": until,
        **lists,
        "gaps": site.gaps,
        "acts": site.acts,
        "alarms": list(site.alarms.values()),
        "ph_min": min((one.ph_min for one in seen if one.ph_min is not None), default=None),
        "ph_max": max((one.ph_max for one in seen if one.ph_max is not None), default=None),
        "tank_min": min((one.tank_min for one in seen if one.tank_min is not None), default=None),
        "tank_max": max((one.tank_max for one in seen if one.tank_max is not None), default=None),
        "open_share": _share(seen),
        "watched_s": round(min((one.watched_s for one in seen), default=0.0), 3),
        "not_watched": _not_watched(site, since, until),
        "head": site.last["hash"] if site.last else None,
        "rows": site.rows,
        "chambers": [_summary(one, calibrated.get(one.name), usual.get(one.name)) for one in seen],
        "first_row": site.first["utc"] if site.first else None,
        "last_row": site.last["utc"] if site.last else None,
        "stopped": None if site.stop is None else list(site.stop.get("unacknowledged") or []),
    }
    found["answers"] = answers(found, zone)
    return found


def _span(entries: Iterable[Entry], since: str, until: str) -> Iterator[Entry]:
    """From the first row in the span to the last in it, in the journal's order."""
    aside: list[Entry] = []
    begun = False
    for row in entries:
        if since <= row["utc"] < until:
            yield from aside
            aside.clear()
            begun = True
            yield row
        elif begun:
            aside.append(row)


def _summary(one: Watched, calibrated: Calibrated | None, usual: JsonValue) -> JsonValue:
    shut: dict[str, JsonValue] = {name: round(seconds, 3) for name, seconds in sorted(one.shut_s.items())}
    last: Entry = one.last or {}
    return {
        "chamber": one.name,
        "ph_min": one.ph_min,
        "ph_max": one.ph_max,
        "open_share": _share([one]),
        "open_s": round(one.open_s, 3),
        "watched_s": round(one.watched_s, 3),
        "shut_s": shut,
        "calibrated": None if calibrated is None else calibrated.utc,
        "calibrated_by": None if calibrated is None else "record" if calibrated.by_record else "file_date",
        "usual_open_share": usual,
        "last": {
            name: last.get(name)
            for name in ("utc", "gas", "state", "reason", "reasons", "ph", "tank_ph", "delivered", "verdict")
        }
        | {"unanswered_s": _unanswered_s(last)},
    }


def _unanswered_s(last: Entry) -> float:
    """For how long the valve had not acknowledged the order that stood; 0 when it had."""
    at_ns, ordered_ns = last.get("at_ns"), last.get("ordered_ns")
    if last.get("delivered") is not False or at_ns is None or ordered_ns is None:
        return 0.0
    return float(round(max(0, at_ns - ordered_ns) / NS, 3))


def _share(chambers: Sequence[Watched]) -> float | None:
    watched_s = sum(one.watched_s for one in chambers)
    return round(sum(one.open_s for one in chambers) / watched_s, 4) if watched_s > 0 else None


def _not_watched(site: _Site, since: str, until: str) -> list[JsonValue]:
    """Every stretch of the span in which nobody watched, and why, oldest first."""
    if site.first is None or site.last is None:
        return [_alone(since, until, "no_rows")]
    found: list[JsonValue] = []
    if _wall_s(since, site.first["utc"]) > FRESH_S:
        begins = site.first["seq"] == 1
        found.append(_alone(since, site.first["utc"], "before_the_journal" if begins else "no_rows"))
    found += [
        {**_alone(row.get("from_utc"), row["utc"], "unwatched"), "seconds": row.get("seconds")}
        for row in site.unwatched
    ]
    if _wall_s(site.last["utc"], until) > FRESH_S:
        found.append(_alone(site.last["utc"], until, "stopped" if site.stop else "no_rows"))
    return found


def _alone(begin: str | None, end: str, why: str) -> dict[str, JsonValue]:
    return {"from": begin, "to": end, "seconds": None if begin is None else _wall_s(begin, end), "why": why}


def _gap(row: Entry) -> JsonValue:
    return {
        "from": row.get("from_utc"),
        "to": row["utc"],
        "seconds": row.get("seconds"),
        "why": row.get("why"),
        "shut": row.get("shut"),
        "text": row.get("text"),
    }


def _act(row: Entry) -> JsonValue:
    return {
        name: row.get(name) for name in ("utc", "chamber", "act", "who", "why", "work", "refused", "text")
    }


def _wall_s(begin: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds()
