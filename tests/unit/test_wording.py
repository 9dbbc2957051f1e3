"""Every push there can be, rendered: its first line fits a lock screen, and nothing is missing from it."""

from __future__ import annotations

import re

import pytest
from nightheron.guard.alarm_list import HAND, PURPOSES, SITE_PURPOSES, SiteReason
from nightheron.guard.interlock import RULES
from nightheron.model import Reason
from nightheron.notify.wording import (
    CAUTION,
    FIRST_MOST,
    SITE_WORDS,
    WAKE_WORDS,
    WORDS,
    Text,
    alarm_text,
    drill_text,
    group_text,
    next_told,
    over_text,
)

CHAMBER = "north-greenhouse-west"
JOURNAL = "No. 412, 7f3a91c2"
EVERY = [(reason, False) for reason in WORDS] + [(reason, True) for reason in WAKE_WORDS]


def facts(reason: str, *, wakes: bool = False, chamber: str = CHAMBER) -> dict[str, object]:
    return {
        "chamber": chamber,
        "reason": reason,
        "class": "wake" if wakes else "notice",
        "text": f"{chamber}: what the guard saw (pH 6.31)",
        "clock": "03:07",
        "over_clock": "03:40",
        "push": f"{chamber}-{reason}-7",
    }


def rendered(reason: Reason, *, wakes: bool) -> Text:
    wakes = wakes or RULES[reason].alarm == "wake"
    told = next_told("Rui", "03:20") if wakes else ""
    return alarm_text(facts(reason.value, wakes=wakes), next_told=told, journal=JOURNAL)


def test_every_alarm_has_its_words() -> None:
    """Each reason that can alarm has its row of words, and no row speaks of anything else."""
    assert WORDS.keys() == PURPOSES.keys()
    assert SITE_WORDS.keys() == SITE_PURPOSES.keys() == set(SiteReason)
    text = alarm_text(facts(SiteReason.DIGEST_NOT_TAKEN, chamber="site"), journal=JOURNAL)
    assert text.title == "site: the digest was not taken. Pushes may not arrive, 03:07."


@pytest.mark.parametrize(("reason", "wakes"), EVERY, ids=lambda one: str(getattr(one, "value", one)))
def test_a_push_says_what_was_done_and_what_to_do(reason: Reason, wakes: bool) -> None:
    """The first line fits and names the chamber; then what was done, how soon to do what, the journal."""
    text = rendered(reason, wakes=wakes)
    assert text.title.startswith(f"{CHAMBER}: ")
    assert "\n" not in text.title
    assert len(text.title) <= FIRST_MOST
    lines = text.body.split("\n")
    assert lines[0] == "What the guard saw (pH 6.31)."
    (now,) = [line for line in lines if line.startswith(("NOW, within ", "Within "))]
    assert re.match(r".*ithin [0-9]+ (min|hours|days): \w", now)
    assert lines[-1] == f"{CHAMBER}-{reason.value}-7 {JOURNAL}"
    assert not [line for line in lines if not line.strip() or "  " in line or ".." in line]


GAS_MAY_FLOW = (Reason.NOT_STOPPING, Reason.FOREIGN_ORDER, Reason.ROOM_CO2, *WAKE_WORDS)


@pytest.mark.parametrize("reason", GAS_MAY_FLOW, ids=str)
def test_where_gas_may_flow_the_caution_stands(reason: Reason) -> None:
    """Whoever is sent to the cylinder is told when not to go in."""
    body = rendered(reason, wakes=True).body
    assert CAUTION in body
    assert HAND in body or "stay out" in body


def test_a_wake_says_who_is_told_next() -> None:
    """With a ladder the next person and time, without one that it is told again."""
    assert "Rui is told at 03:20" in rendered(Reason.NOT_STOPPING, wakes=True).body
    assert next_told("", "03:20").startswith("You are told again at 03:20")


def test_what_is_over_says_so() -> None:
    """A return names what it was and since when; a wake that ended before it was sent says both."""
    over = over_text(facts("chamber_ph_lost"), JOURNAL)
    assert over.title == f"{CHAMBER}: over since 03:40: no good pH reading."
    assert "It began 03:07." in over.body
    late = alarm_text({**facts("not_stopping", wakes=True), "over": True}, journal=JOURNAL)
    assert "Over since" in late.title


def test_a_latched_alarm_that_ended_by_itself_still_asks_for_a_look() -> None:
    """Who was woken reads when it ended, what it was and what to look at, not that all is done."""
    over = over_text({**facts("not_stopping", wakes=True), "state": "latched"}, JOURNAL)
    assert over.title == f"{CHAMBER}: over by itself since 03:40, but look: GAS NOT STOPPED."
    assert "shut the hand valve on the cylinder" in over.body
    assert "Nothing to do" not in over.body


def test_a_group_tells_the_first_in_full_and_names_the_others() -> None:
    """Twelve chambers at once are one message in which each has its line."""
    texts = [alarm_text(facts("chamber_ph_lost", chamber=f"c{n}"), journal=JOURNAL) for n in range(12)]
    grouped = group_text(texts)
    assert grouped.title == f"{texts[0].title} And 11 more."
    assert all(f"- {one.title}" in grouped.body for one in texts[1:])


def test_a_drill_says_that_nothing_is_wrong() -> None:
    """Nobody gets up for a drill."""
    text = drill_text({"by": "ana", "clock": "03:07", "push": "drill-1"}, JOURNAL)
    assert text.title.startswith("DRILL, nothing is wrong")
    assert "ana" in text.body
    assert JOURNAL in text.body


def test_a_reason_of_a_later_version_is_still_told() -> None:
    """An alarm that this version does not know is told by its own text."""
    text = alarm_text(facts("of_later"), journal=JOURNAL)
    assert "What the guard saw" in text.body
