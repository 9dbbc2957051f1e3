"""Whether a site may be left alone for some days: from configuration and last nights, with what to do.

A doubt counts against leaving. What no sensor shows is listed as not known, and is nobody's promise. The
bounds below are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from nightheron.guard.interlock import RULES
from nightheron.model import JsonValue, Reason, State
from nightheron.report.answers import FRESH_S, length

LOOK_BACK_DAYS = 7.0
PROOF_MOST_DAYS = 2.0
DIGEST_MOST_DAYS = 2.0
WATCHED_LEAST_DAYS = 2.0
ALONE_MOST_S = 900.0
CRASHES_MOST = 1
TRIPS_MOST = 2
BUDGET_SHARE_MOST = 0.8
CALIBRATION_MOST_DAYS = 60.0
DISK_LEAST_BYTES = 100e6
DISK_TIMES = 2.0
"""The disk must hold the rows of this many absences."""
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Concern:
    """One reason to stay, or to put right before going."""

    about: str
    what: str
    do: str


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the verdict rests on; times are UTC texts of the journal's form."""

    days: float
    now: str
    chambers: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...] = ()
    """Key and sentence of each warning about the configuration."""
    shut: tuple[str, ...] = ()
    """Chambers that the configuration keeps shut until commissioning is finished."""
    pushes: bool = True
    """There is an address that the morning's digest goes to."""
    budget_s: Mapping[str, float] = field(default_factory=dict)
    """Open seconds a day each chamber is allowed."""
    journal_fault: str = ""
    """Why there is nothing to read; empty when there is."""
    night: Mapping[str, Any] | None = None
    """``report.night.night`` of the last days."""
    alarms: Sequence[Mapping[str, Any]] = ()
    """Newest row of each alarm that has not ended."""
    proved: Mapping[str, str | None] = field(default_factory=dict)
    """When the water last proved each chamber's gas shut."""
    digest: str | None = None
    """When a push service last took a digest."""
    crashes: int = 0
    """Starts of the last days that no clean stop preceded."""
    calibrated: Mapping[str, str] = field(default_factory=dict)
    free_bytes: float | None = None
    bytes_per_day: float | None = None


def concerns(facts: Facts) -> list[Concern]:
    """Every reason against leaving; empty means that none is known."""
    found = [*_configured(facts)]
    if facts.journal_fault or facts.night is None:
        why = facts.journal_fault or "no journal was read"
        return [*found, Concern("journal", why, "let it run and be watched for some nights before you go")]
    return [*_now(facts, facts.night), *found, *_nights(facts, facts.night), *_site(facts)]


def unknown(facts: Facts) -> list[str]:
    """What this program cannot know, each with how a person finds out."""
    found = [
        "cylinder: not known how much is left; weigh it (a gauge says nothing while liquid is left)",
        "media: not known how much is left; look, and shut the gas to top it up",
        "water, mains, pumps and hoses: not known; look at each, and for drips",
        "CO2 detector of the room: not known; press its test button and see its battery",
        "flow: not known whether regulator and needle hold the gas to what is harmless; see nightheron check",
        "your helper: not known; let them shut the hand valve once while you watch",
    ]
    found += [
        f"{name}: not known when its probe was last held against a buffer; do it before you go"
        for name in facts.chambers
        if name not in facts.calibrated
    ]
    found += [
        f"{key.split('.')[1]}: not known whether probe, valve and detector were tried before first gas"
        for key, _ in facts.cautions
        if key.endswith(".commissioning")
    ]
    if facts.free_bytes is None or facts.bytes_per_day is None:
        found.append("disk: not known whether it lasts; see how much is free")
    return found


def verdict(facts: Facts, against: Sequence[Concern]) -> str:
    """The first line."""
    span = f"for {days_text(facts.days)}"
    if not against:
        return f"SAFE TO LEAVE {span}, as far as this program can know; see what is not known"
    return f"NOT SAFE TO LEAVE {span}: {len(against)} reason{'' if len(against) == 1 else 's'}"


def days_text(days: float) -> str:
    """``1 day``, ``14 days`` or ``1.5 days``."""
    return f"{days:g} day{'' if days == 1 else 's'}"


def body(facts: Facts) -> dict[str, JsonValue]:
    """The verdict for programs."""
    against = concerns(facts)
    listed: list[JsonValue] = [{"about": c.about, "what": c.what, "do": c.do} for c in against]
    return {
        "safe": not against,
        "days": facts.days,
        "verdict": verdict(facts, against),
        "reasons": listed,
        "unknown": list(unknown(facts)),
    }


BLOCKING = {
    "alerts.urls_file": "name a push address there, then: nightheron alarms test",
    "alerts.heartbeat_url": "name an address that tells you when it falls silent",
    "gas_budget_s_per_day": "set it from a usual day's open time, or fit a second probe",
    "port": "plug it in, or correct the name",
    "unit": "calibrate the probe",
}
"""Warnings that count against leaving, by key or by its last word; all others are for an ordinary day."""


def _configured(facts: Facts) -> Iterator[Concern]:
    for key, why in facts.cautions:
        if why.startswith("NOT BOUNDED"):
            yield Concern(key, why, "fit a valve with its own timer, and see it shut by itself once")
            continue
        do = BLOCKING.get(key) or BLOCKING.get(key.rpartition(".")[2])
        if do is not None:
            yield Concern(key, why, do)
    for name in facts.shut:
        do = "finish it, or expect no gas while you are away"
        yield Concern(name, "commissioning is not finished: the gas stays shut", do)


def _now(facts: Facts, night: Mapping[str, Any]) -> Iterator[Concern]:
    """What stands at this moment."""
    last = night["last_row"]
    if night["stopped"] is not None or last is None or _days(last, facts.now) * DAY_S > FRESH_S:
        yield Concern(
            "service", "nobody watches now: the journal has no fresh row", "start it: nightheron status"
        )
    seen = {one["chamber"]: one["last"] for one in night["chambers"]}
    for name in facts.chambers:
        if name not in seen:
            yield Concern(name, "the last days have no row of it", f"see nightheron why {name}")
            continue
        yield from _standing(name, seen[name])
    for row in facts.alarms:
        yield Concern(
            str(row["id"]), f"this alarm stands: {row['text']}", "see nightheron alarms for what to do"
        )


def _standing(name: str, last: Mapping[str, Any]) -> Iterator[Concern]:
    state, reasons = last["state"], [Reason(r) for r in last["reasons"] or [] if r in set(Reason)]
    said = "; ".join(RULES[r].sentence for r in reasons if RULES[r].state is not State.RESTING) or "no reason"
    if state == State.LATCHED:
        yield Concern(name, f"latched, stays shut: {said}", f"end the cause, then: nightheron release {name}")
    elif state == State.SERVICE:
        yield Concern(name, "a person holds it shut", f"when the work is done: nightheron service off {name}")
    elif state in (State.TRIPPED, State.STANDBY):
        yield Concern(name, f"not at its usual work: {said}", f"see nightheron why {name}")
    if last["delivered"] is False:
        yield Concern(name, "the valve has not acknowledged its order", "look at the valve itself")


def _nights(facts: Facts, night: Mapping[str, Any]) -> Iterator[Concern]:
    """What the last days were like."""
    if night["watched_s"] < WATCHED_LEAST_DAYS * DAY_S:
        what = f"watched for {length(night['watched_s'])} of the last {LOOK_BACK_DAYS:g} days"
        yield Concern("nights", what, f"see it work for {WATCHED_LEAST_DAYS:g} days before you go")
    alone = [one for one in night["not_watched"] if one["why"] != "before_the_journal"]
    if (alone_s := sum(float(one["seconds"] or 0.0) for one in alone)) > ALONE_MOST_S:
        yield Concern(
            "nights", f"nobody watched for {length(alone_s)}", "find out why: nightheron night --last 7d"
        )
    if lost := [one for one in night["gaps"] if one["why"] != "unwatched"]:
        yield Concern("nights", f"{len(lost)} gaps in the record", "see nightheron night --last 7d")
    closings = [one for kind in ("cuts", "rests", "trips", "other") for one in night[kind]]
    if bad := [one for one in closings if one["verdict"] == "not_proved"]:
        what = f"gas was not seen to stop, {len(bad)} times"
        yield Concern("nights", what, "clean or change the valve, then: nightheron valve test")
    if len(night["trips"]) > TRIPS_MOST:
        names = ", ".join(dict.fromkeys(str(one["reason"]) for one in night["trips"]))
        yield Concern(
            "nights", f"{len(night['trips'])} trips ({names})", "end their cause: nightheron night --last 7d"
        )
    for one in night["chambers"]:
        share, most_s = one["open_share"], facts.budget_s.get(one["chamber"])
        if share is not None and most_s is not None and share * DAY_S > BUDGET_SHARE_MOST * most_s:
            what = f"gas open {share * DAY_S:.0f} s a day, near its budget of {most_s:.0f} s, which latches"
            yield Concern(one["chamber"], what, "find out why it needs more: media, flow, probe")


def _site(facts: Facts) -> Iterator[Concern]:
    """Proofs, pushes, restarts, calibration, disk."""
    for name in facts.chambers:
        when = facts.proved.get(name)
        do = f"nightheron valve test {name}"
        if when is None:
            yield Concern(name, "the water proved no closing of it on record", do)
        elif (since := _days(when, facts.now)) > PROOF_MOST_DAYS:
            yield Concern(name, f"the water last proved its gas shut {since:.0f} days ago", do)
    if facts.pushes and (facts.digest is None or _days(facts.digest, facts.now) > DIGEST_MOST_DAYS):
        what = "no push service has taken a morning's digest yet"
        if facts.digest is not None:
            what = f"no push service took a morning's digest for {_days(facts.digest, facts.now):.0f} days"
        yield Concern("alerts", what, "nightheron alarms test, then see the next morning's digest come")
    if facts.crashes > CRASHES_MOST:
        what = f"{facts.crashes} starts in {LOOK_BACK_DAYS:g} days that no clean stop preceded"
        yield Concern("service", what, "look at power and log")
    for name, when in facts.calibrated.items():
        if (age := _days(when, facts.now) + facts.days) > CALIBRATION_MOST_DAYS:
            what = f"its probe's calibration would be {age:.0f} days old when you are back"
            yield Concern(name, what, "hold it against two fresh buffers")
    if facts.free_bytes is not None:
        need = max(DISK_LEAST_BYTES, DISK_TIMES * facts.days * (facts.bytes_per_day or 0.0))
        if facts.free_bytes < need:
            what = f"{facts.free_bytes / 1e6:.0f} MB free for the journal, {need / 1e6:.0f} MB wanted"
            yield Concern("disk", what, "make room; a full disk shuts the gas")


def _days(begin: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds() / DAY_S
