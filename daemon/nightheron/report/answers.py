"""What a person asks of a night: did anything go wrong, is gas safe now, what must I do; and three sentences.

Nothing here calls gas safe because nothing is known against it: shut is said only of a close that the
valve acknowledged, and the end of a span without rows is said to be unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from nightheron.guard.delivery import PATIENCE_S
from nightheron.guard.explain import CAUTION, SHUT_BY_HAND
from nightheron.guard.interlock import RULES
from nightheron.model import Gas, JsonValue, Reason, State
from nightheron.report.usual import percents

Found = Mapping[str, Any]
FRESH_S = 180.0
"""A row a minute is written; after three without one, nobody is watching."""
CLOSINGS = ("cuts", "rests", "trips", "other")


def answers(night: Found, zone: tzinfo) -> dict[str, JsonValue]:
    """``wrong`` and ``do`` as lists (empty: nothing), ``gas`` as a clause, ``headline`` and ``sentences``."""
    wrong, do = wrong_of(night), do_of(night)
    gas = gas_of(night, zone)
    begin = f"Went wrong: {'; '.join(wrong)}." if wrong else "Nothing went wrong."
    if night["rows"] == 0:
        begin = "Nothing is known of this time: the journal has no row in it."
    todo = " ".join(do) if do else "Nothing to do."
    return {
        "wrong": list(wrong),
        "gas": gas,
        "do": list(do),
        "headline": f"{begin} {_sentence(gas)} {todo}",
        "sentences": [did(night), proved(night), unknown(night)],
    }


def wrong_of(night: Found) -> list[str]:
    """What did not go as it should, worst first; cuts and planned rests are normal work."""
    closings = [one for kind in CLOSINGS for one in night[kind]]
    found = []
    if failed := [one for one in closings if one["verdict"] == "not_proved"]:
        found.append(f"gas was not seen to stop after {_count(failed, 'closing')}")
    if late := [one for one in closings if one["late"]]:
        found.append(f"{_count(late, 'closing')} took longer than promised")
    if night["trips"]:
        names = ", ".join(dict.fromkeys(one["reason"] for one in night["trips"]))
        found.append(f"{_count(night['trips'], 'trip')} ({names})")
    if lost := [one for one in night["gaps"] if one["why"] != "unwatched"]:
        words = ", ".join(dict.fromkeys(str(one["why"]).replace("_", " ") for one in lost))
        found.append(f"{_count(lost, 'gap')} in the record ({words})")
    alone = [one for one in night["not_watched"] if one["why"] != "before_the_journal"]
    if alone and night["rows"]:
        found.append(f"nobody watched for {length(_total_s(alone))}")
    return found


def gas_of(night: Found, zone: tzinfo) -> str:
    """The state of the gas by the span's last rows, chamber by chamber where they differ."""
    if not night["chambers"]:
        return "whether gas is shut is not known from here"
    if night["stopped"] is not None:
        if night["stopped"]:
            return f"the service stopped, and no close was acknowledged by {', '.join(night['stopped'])}"
        return f"the service stopped at {hour(night['last_row'], zone)} with the gas shut; nobody watches"
    if _s(night["last_row"], night["to"]) > FRESH_S:
        return f"nobody has watched since {hour(night['last_row'], zone)}; whether gas is shut is not known"
    said: dict[str, list[str]] = {}
    for one in night["chambers"]:
        said.setdefault(_gas(one["last"]), []).append(one["chamber"])
    if len(said) == 1:
        return next(iter(said))
    return "; ".join(f"{', '.join(names)}: {words}" for words, names in said.items())


def _gas(last: Found) -> str:
    """Safe is open with every condition met, or shut as the valve or the water said themselves."""
    shown = "" if last["ph"] is None else f", pH {last['ph']:.2f}"
    if last["gas"] == Gas.OPEN:
        return f"gas is safe: open within its limits{shown}"
    if Reason.NOT_STOPPING in (last["reasons"] or []):
        return f"GAS NOT STOPPED: ordered shut, and pH still falls{shown}"
    if last["delivered"] is False:
        return f"gas ordered shut, NOT YET ACKNOWLEDGED by the valve{shown}"
    if last["delivered"] is None:
        return f"gas ordered shut, by {last['reason']}; whether the valve took it is not known{shown}"
    by = "proved by the water" if last["verdict"] == "proved" else "acknowledged by the valve"
    return f"gas is safe: shut by {last['reason']}, {by}{shown}"


def do_of(night: Found) -> list[str]:
    """What a hand must do, most urgent first; one sentence each."""
    found = []
    for one in night["chambers"]:
        last, name = one["last"], one["chamber"]
        reasons = [Reason(reason) for reason in last["reasons"] or [] if reason in set(Reason)]
        if Reason.NOT_STOPPING in reasons or _may_flow(night, one):
            found.append(f"{name}: {SHUT_BY_HAND}. {CAUTION}")
        elif last["state"] == State.LATCHED and reasons:
            worst = next((r for r in reasons if RULES[r].state != State.RESTING), reasons[0])
            found.append(
                f"{name}: stays shut ({RULES[worst].sentence}); "
                f"once the cause is gone: nightheron release {name}."
            )
        elif last["state"] == State.SERVICE:
            found.append(f"{name}: a person holds it shut; to end that: nightheron service off {name}.")
        elif last["state"] == State.TRIPPED and reasons:
            worst = next((r for r in reasons if RULES[r].state == State.TRIPPED), reasons[0])
            found.append(f"{name}: look at it: {RULES[worst].sentence}.")
    if night["stopped"] is not None:
        found.append("Start the service if the chamber is to be fed.")
    elif not night["rows"]:
        found.append("See whether the service runs (nightheron status), and look at the valve.")
    elif night["chambers"] and _s(night["last_row"], night["to"]) > FRESH_S:
        found.append("See why the service does not run (nightheron status), and look at the valve.")
    return found


def _may_flow(night: Found, one: Found) -> bool:
    """Ordered shut, and the valve did not acknowledge it; a stop in good order says so itself."""
    if night["stopped"] is not None:
        return one["chamber"] in night["stopped"]
    return bool(one["last"]["gas"] == Gas.CLOSED and one["last"]["unanswered_s"] >= PATIENCE_S)


def did(night: Found) -> str:
    """What it did."""
    parts = [
        _count(night["cuts"], "cut"),
        _count(night["rests"], "planned rest"),
        _count(night["trips"], "trip"),
    ]
    text = f"It made {', '.join(parts[:-1])} and {parts[-1]}"
    if night["open_share"] is not None:
        text += (
            f"; gas was open {100 * night['open_share']:.0f} % of the {length(night['watched_s'])} watched"
        )
        if len(night["chambers"]) == 1:
            text += f" ({_usual(night['chambers'][0]['usual_open_share'])})"
    for label, low, high in (("pH", "ph_min", "ph_max"), ("tank", "tank_min", "tank_max")):
        if night[low] is not None and night[high] is not None:
            text += f"; {label} {night[low]:.2f} to {night[high]:.2f}"
    return text + "."


def _usual(one: Found | None) -> str:
    return "too few nights before to say what is usual" if one is None else percents(one)


def proved(night: Found) -> str:
    """What it proved."""
    closings = [one for kind in CLOSINGS for one in night[kind] if one["within"] is None]
    if not closings:
        return "It proved no closing, because there was none."
    counts = {word: sum(1 for one in closings if one["verdict"] == word) for word in WORDS}
    said = [f"{number} {WORDS[word]}" for word, number in counts.items() if number]
    none = len(closings) - sum(counts.values())
    said += [f"{none} with nothing to prove"] if none else []
    text = f"Of {_count(closings, 'closing')}: {', '.join(said)}"
    timed = [one for one in closings if one["closed_s"] is not None and one["promised_s"]]
    if timed:
        worst = max(timed, key=lambda one: one["closed_s"] / one["promised_s"])
        took = f"{tenths(worst['closed_s'])} of {worst['promised_s']:g} s promised"
        text += (
            f"; the slowest close TOOK {took}" if worst["late"] else f"; every close in time, at most {took}"
        )
    return text + "."


WORDS = {
    "proved": "proved shut by the water",
    "could_not_tell": "where the water could not tell",
    "pending": "where the water has still to answer",
    "not_proved": "NOT SEEN TO STOP",
}


def unknown(night: Found) -> str:
    """What it cannot know."""
    parts = []
    known: dict[str, list[str]] = {}
    for one in night["chambers"]:
        known.setdefault(_calibrated(one, night["to"]), []).append(one["chamber"])
    for words, names in known.items():
        probes = f"probe of {names[0]} reads" if len(names) == 1 else f"probes of {', '.join(names)} read"
        parts.append(f"whether the {probes} true ({words})")
    if alone_s := _total_s(night["not_watched"]):
        parts.append(f"what happened in the {length(alone_s)} nobody watched")
    parts.append("whether the journal was cut short or computed anew, unless you noted a head elsewhere")
    return f"It cannot know {'; '.join(parts)}."


def _calibrated(one: Found, now: str) -> str:
    utc, by = one["calibrated"], one["calibrated_by"]
    if utc is None:
        return "no calibration is recorded"
    days = _s(utc, now) / 86400
    age = f"{days:.0f} days before" if days >= 1.5 else "within a day or two"
    return f"last held against a buffer {age}" + (", by its file's date" if by == "file_date" else "")


def length(seconds: float | None) -> str:
    """A length such as ``3 d 4 h``, ``2 h 05 min``, ``17 min`` or ``8 s``."""
    if seconds is None:
        return "unknown"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes >= 48 * 60:
        return f"{minutes // 1440} d {minutes % 1440 // 60} h"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def tenths(seconds: float) -> str:
    """Seconds with one digit behind the point, and never a flat zero."""
    return "under 0.1 s" if seconds < 0.1 else f"{seconds:.1f} s"


def hour(utc: str, zone: tzinfo) -> str:
    """Hour and minute in ``zone``."""
    return datetime.fromisoformat(utc).astimezone(zone).strftime("%H:%M")


def _s(begin: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(begin)).total_seconds()


def _sentence(clause: str) -> str:
    return f"{clause[:1].upper()}{clause[1:]}."


def _total_s(stretches: Sequence[Found]) -> float:
    return sum(float(one["seconds"] or 0.0) for one in stretches)


def _count(items: Sequence[Any], word: str) -> str:
    return f"{len(items)} {word}" if len(items) == 1 else f"{len(items)} {word}s"
