"""All words of all pushes: what happened, what was done, what to do now, how soon.

The first line is all that a phone's lock screen shows. Cautions stand wherever gas may flow. Times are
those of the site's zone; the last line is the journal's number and head, so that the phone keeps a copy
of the chain's end, and the push's own id, by which a doubled push is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from nightheron.guard.alarm_list import Purpose, SiteReason, purpose
from nightheron.guard.alarm_states import AlarmState
from nightheron.guard.causes import steps
from nightheron.model import Reason

FIRST_MOST = 100
"""Characters of a first line, for a chamber's name of up to 20."""
CAUTION = (
    "If the CO2 detector sounds, or you have a headache or short breath: stay out, air the room from "
    "outside, call for help."
)
MAINS = "Water and mains kill: never reach into wet equipment that has power."
SHUT = "Gas is ordered shut and stays shut."
SHUT_SELF = "Gas is ordered shut; it opens by itself when the cause is gone."

SHUT_UNHEARD = (
    "Gas is ordered shut; whether the valve heard it is not known. It opens by itself with the valve back."
)


@dataclass(frozen=True, slots=True)
class Words:
    """One row: ``happened`` follows the chamber's name in the first line."""

    happened: str
    done: str
    caution: str = ""


_R = Reason
WORDS: dict[Reason, Words] = {
    _R.NOT_STOPPING: Words("GAS NOT STOPPED. Ordered shut, pH still falls", SHUT, CAUTION),
    _R.FOREIGN_ORDER: Words(
        "SOMEBODY ELSE OPENED THE GAS. Ordered shut again", "Gas was ordered shut again at once.", CAUTION
    ),
    _R.OUTLET_PRESSURE_HIGH: Words("GAS PRESSURE HIGH after the regulator. Gas ordered shut", SHUT, CAUTION),
    _R.VESSEL_PRESSURE_HIGH: Words("VESSEL PRESSURE HIGH. Gas ordered shut", SHUT, CAUTION),
    _R.LEAK: Words("WATER WHERE IT SHOULD NOT BE. Gas ordered shut", SHUT, MAINS),
    _R.ROOM_CO2: Words("CO2 HIGH IN THE ROOM. STAY OUT. Gas ordered shut", SHUT, CAUTION),
    _R.KEEPER_LOST: Words("valve process gone. Gas ordered shut", SHUT_UNHEARD),
    _R.VALVE_LOST: Words("valve does not answer. Gas ordered shut", SHUT_UNHEARD),
    _R.VALVE_DISAGREES: Words("valve reports another position than ordered", SHUT_SELF, CAUTION),
    _R.VALVE_PASSES: Words("one of two valves passes gas. Gas shut by the other", SHUT, CAUTION),
    _R.CORE_FAULT: Words("the guard's own logic failed. Gas shut", SHUT),
    _R.NOT_RECORDABLE: Words("journal cannot be written. Gas shut", SHUT_SELF),
    _R.NEW_JOURNAL: Words("journal lost or replaced. Gas shut", SHUT),
    _R.RESTARTS: Words("service restarts too often. Gas shut", SHUT),
    _R.CHAMBER_PH_LOST: Words("no good pH reading. Gas shut", SHUT_SELF),
    _R.PROBES_DISAGREE: Words("pH probes do not agree. Gas shut", SHUT_SELF),
    _R.DEEP_LOW: Words("pH fell far below its floor. Gas shut", SHUT),
    _R.NO_EFFECT: Words("reading does not answer the gas. Gas shut", SHUT),
    _R.SURGE: Words("pH fell far too fast. Gas shut", SHUT_SELF, CAUTION),
    _R.STALLED: Words("pH does not rise though gas is shut", SHUT_SELF, CAUTION),
    _R.GAS_BUDGET: Words("more gas than the day's budget. Gas shut", SHUT),
    _R.TANK_LOW: Words("tank pH low. Gas shut", SHUT_SELF),
    _R.TANK_PH_LOST: Words("no good tank pH reading. Gas shut", SHUT_SELF),
    _R.CIRCULATION_STOPPED: Words("circulation stopped. Gas shut", SHUT_SELF, MAINS),
    _R.FEED_STOPPED: Words("water feed stopped. Gas shut", SHUT_SELF, MAINS),
    _R.FLOW_LOW: Words("effluent too slow. Gas shut", SHUT_SELF),
    _R.TEMPERATURE: Words("temperature out of range. Gas shut", SHUT_SELF, MAINS),
    _R.SIGNAL_LOST: Words("a required sensor is lost. Gas shut", SHUT_SELF),
    _R.SIGNAL_SILENT: Words("a sensor is lost; gas is not held for it", "Nothing was changed."),
    _R.FEEDBACK_SILENT: Words(
        "valve's own report is missing; gas is not held for it", "Nothing was changed."
    ),
    _R.DRIFT: Words("gas or water not as usual; gas is not held for it", "Nothing was changed."),
    _R.PROBE_DRIFT: Words("a probe drifts; gas is not held for it", "Nothing was changed."),
    _R.TANK_DRIFT: Words("tank pH off its usual; gas is not held for it", "Nothing was changed."),
    _R.SERVICE: Words("still held shut by a person", "Gas stays shut until the hold is ended."),
    _R.GUARD_LATE: Words("guard was held up. Gas was shut", SHUT_SELF),
}
"""One row for each reason that can alarm."""
NOT_DELIVERED = Words(
    "GAS MAY STILL FLOW. The close was not delivered", "The close is sent again and again.", CAUTION
)
SEEN_OPEN = Words("VALVE SEEN OPEN though ordered shut", "It was ordered shut again.", CAUTION)
TANK_FAR_LOW = Words("TANK pH FAR TOO LOW. Gas ordered shut", SHUT_SELF, CAUTION)
WAKE_WORDS = {
    _R.KEEPER_LOST: NOT_DELIVERED,
    _R.VALVE_LOST: NOT_DELIVERED,
    _R.VALVE_DISAGREES: SEEN_OPEN,
    _R.TANK_LOW: TANK_FAR_LOW,
}
"""Rows that stand in where a reason that is mostly a notice wakes."""
SITE_WORDS = {
    SiteReason.DIGEST_NOT_TAKEN: Words(
        "the digest was not taken. Pushes may not arrive", "It is tried again."
    )
}
"""Rows about the site as a whole."""
LATER = Words("alarm", SHUT)
WAKES_NOW = Purpose(purpose("not_stopping").priority, "", purpose("not_stopping").action, 300.0)


@dataclass(frozen=True, slots=True)
class Text:
    """One message: its first line, and the rest."""

    title: str
    body: str


def alarm_text(facts: Mapping[str, object], *, next_told: str = "", journal: str = "") -> Text:
    """A push about one alarm. ``facts`` is the alarm's row body with times in the site's zone."""
    chamber, wakes = str(facts["chamber"]), facts["class"] == "wake"
    words, what = words_of(str(facts["reason"]), wakes=wakes), purpose(str(facts["reason"]))
    if wakes and what.within_s > WAKES_NOW.within_s:
        own = str(facts["reason"]) == Reason.TANK_LOW  # its hand belongs at the tank, not at the cylinder
        what = replace(what, within_s=WAKES_NOW.within_s) if own else WAKES_NOW
    over = f" Over since, but look: {words.happened}." if facts.get("over") else ""
    title = f"{chamber}: {words.happened}, {facts['clock']}." if not over else f"{chamber}:{over}"
    detail = str(facts.get("text") or "").removeprefix(f"{chamber}: ")
    lines = [*steps(f"{detail[:1].upper()}{detail[1:]}."), words.done]
    lines += [
        f"{'NOW, within' if wakes else 'Within'} {within(what.within_s)}: {what.action}.",
        words.caution,
    ]
    lines += [next_told, f"{facts.get('push')} {journal}".strip()]
    return Text(title, "\n".join(line for line in lines if line))


def over_text(facts: Mapping[str, object], journal: str = "") -> Text:
    """The return of an alarm that was told; a latched one asks for a look all the same."""
    latched = facts.get("state") == AlarmState.LATCHED
    chamber, words = str(facts["chamber"]), words_of(str(facts["reason"]), wakes=latched)
    happened = words.happened.partition(". Gas")[0]
    if latched:
        title = (
            f"{chamber}: over by itself since {facts['over_clock']}, but look: {happened.partition('. ')[0]}."
        )
        began = f"It began {facts['clock']}. Nobody is woken for it again unless it comes back."
        action = purpose(str(facts["reason"])).action
        look = f"When you are up: {action}, if you have not; then nightheron ack."
        return Text(title, f"{began}\n{look}\n{facts.get('push')} {journal}".strip())
    title = f"{chamber}: over since {facts['over_clock']}: {happened}."
    began = f"It began {facts['clock']}. Nothing to do now."
    return Text(title, f"{began}\n{facts.get('push')} {journal}".strip())


def drill_text(facts: Mapping[str, object], journal: str = "") -> Text:
    """A drill: somebody tries whether pushes arrive."""
    title = "DRILL, nothing is wrong. Pushes arrive here."
    return Text(
        title,
        f"Asked for by {facts['by']}, {facts['clock']}. Nothing to do.\n{facts['push']} {journal}".strip(),
    )


def digest_text(facts: Mapping[str, object], journal: str = "") -> Text:
    """The morning's digest, from its lines."""
    return Text(str(facts["title"]), f"{facts['lines']}\n{facts.get('push')} {journal}".strip())


def next_told(who: str, clock: str) -> str:
    """Who is told next unless somebody says that they have seen it."""
    someone = f"{who} is told" if who else "You are told again"
    return f"{someone} at {clock} unless somebody answers: nightheron ack. Nothing reopens by that."


def group_text(texts: Sequence[Text], journal: str = "") -> Text:
    """Several at once, the first in full: a storm is one push."""
    first, others = texts[0], texts[1:]
    more = "\n".join(f"- {one.title}" for one in others)
    return Text(f"{first.title} And {len(others)} more.", f"{first.body}\nAlso:\n{more}\n{journal}".rstrip())


def words_of(reason: str, *, wakes: bool) -> Words:
    """The row of a reason by its name."""
    if reason in set(SiteReason):
        return SITE_WORDS[SiteReason(reason)]
    try:
        known = Reason(reason)
    except ValueError:
        return LATER
    return (WAKE_WORDS.get(known) if wakes else None) or WORDS.get(known, LATER)


def within(seconds: float) -> str:
    """How soon, in words."""
    if seconds <= 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} hours" if seconds <= 86_400 else f"{seconds / 86_400:.0f} days"
