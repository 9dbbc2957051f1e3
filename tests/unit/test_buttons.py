"""Buttons can begin a hold and nothing else, whatever they say, and however often."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings, strategies as st
from nightheron.model import Act, Gas, Reason
from nightheron.runtime.buttons import Buttons
from nightheron.runtime.inbox import ActFor, Inbox
from nightheron.settings.site import ButtonPlan
from nightheron_drivers.protocols import Heard

from tests.support.loops import Bench

WORDS = ["pressed", "1", "0", "released", "", "nan", "on", "off", "service_off", "{}", "\\xff", "ed"]
REFUSALS = [None, None, "retained", "empty", "not_a_number", "backlog", "partial", "too_long", "not_allowed"]
MESSAGES = st.tuples(st.sampled_from(WORDS), st.sampled_from(REFUSALS))


def button(rest_text: str | None = None) -> ButtonPlan:
    return ButtonPlan("button/west/0", "west", "mqtt", None, rest_text, 60.0)


def says(raw: str, refused: str | None = None) -> Heard:
    """One message, as a driver hands it on; no button's number matters."""
    return Heard("button/west/0", 0, None, raw, refused or "not_a_number")


def asked(rest_text: str | None, raw: str, refused: str | None = None) -> list[ActFor]:
    """The requests that one message leads to."""
    inbox = Inbox()
    assert Buttons(inbox, [button(rest_text)]).post(says(raw, refused))
    heard, others = inbox.take()
    assert heard == [], "a button's message is no reading"
    return [item for item in others if isinstance(item, ActFor)]


class Site(Bench):
    """A chamber with a button, and gas flowing."""

    def __init__(self, rest_text: str | None = None) -> None:
        super().__init__("west")
        self.ear = Buttons(self.inbox, [button(rest_text)])
        self.open_gas()

    def hears(self, raw: str, refused: str | None = None) -> None:
        self.ear.post(says(raw, refused))
        self.step()

    def acts(self) -> list[Any]:
        return [row["act"] for row in self.journal.of("act")]


@pytest.mark.parametrize("raw", WORDS)
@pytest.mark.parametrize("refused", REFUSALS[1:])
def test_every_message_holds(raw: str, refused: str | None) -> None:
    """Without a text of rest, whatever arrives asks for a hold, with who and what on record."""
    [request] = asked(None, raw, refused)
    act = request.act
    assert (request.chamber, act.act, act.for_s, act.who) == ("west", Act.HOLD, 60.0, "button button/west/0")
    assert repr(raw) in act.why
    assert ("retained" in act.why) == (refused == "retained")


def test_only_its_rest_to_the_letter_asks_for_nothing() -> None:
    """A button at rest may say so, also retained; anything near it, or garbled, asks for a hold."""
    assert asked("released", "released") == []
    assert asked("released", "released", "retained") == []
    for raw in ("Released", "released ", "release", "", "1", "pressed"):
        assert asked("released", raw), raw
    assert asked("0", "5 more that had waited", "backlog"), "what was among them nobody knows"


def test_a_half_line_may_be_the_end_of_its_rest() -> None:
    """The first line after a port is opened may be cut; only what cannot be its rest asks for a hold."""
    assert asked("released", "sed", "partial") == []
    assert asked("released", "pres", "partial")
    assert asked(None, "", "partial")


def test_readings_go_through() -> None:
    """What probes say is not touched."""
    inbox = Inbox()
    reading = Heard("chamber/west/0", 5, 6.9, "6.9")
    assert Buttons(inbox, [button()]).post(reading)
    assert inbox.take()[0] == [reading]


def test_a_press_shuts_and_only_a_person_ends_it() -> None:
    """A press shuts open gas at the next step; rest, silence and time end nothing."""
    site = Site("released")
    site.hears("pressed")
    assert (site.gas("west"), site.reasons()[0]) == (Gas.CLOSED, "service")
    for _ in range(20):
        site.hears("released")
        site.wait(30)
    assert site.gas("west") is Gas.CLOSED
    assert [alarm.reason for alarm in site.loop.view.alarms] == ["service"], "its own reminder"
    assert site.act(Act.SERVICE_OFF) is None
    assert site.wait(40).gas("west") is Gas.OPEN


def test_a_flood_costs_one_request_and_one_row() -> None:
    """Ten thousand presses are one request on its way, one row, and nothing once the hold stands."""
    site = Site()
    for _ in range(10_000):
        site.ear.post(says("pressed"))
    assert len(site.inbox.take()[1]) == 1, "one on its way"
    site = Site()
    for _ in range(200):
        site.hears("pressed")
    assert site.acts() == ["hold"]
    fed = len(site.loop.recorder._spans[0].events)
    site.hears("pressed")
    assert len(site.loop.recorder._spans[0].events) == fed, "no event for what changes nothing"


def test_a_full_inbox_does_not_wear_a_button_out() -> None:
    """A request that could not be left is asked for again by the next message."""

    class Full(Inbox):
        full = True

        def post(self, item: Any) -> bool:
            return False if self.full else super().post(item)

    inbox = Full()
    ear = Buttons(inbox, [button()])
    assert not ear.post(says("pressed"))
    inbox.full = False
    assert ear.post(says("pressed"))
    assert len(inbox.take()[1]) == 1


def test_a_button_keeps_a_persons_words() -> None:
    """A press while a person holds the gas changes neither the words nor the reminder."""
    site = Site()
    assert site.act(Act.SERVICE_ON, for_s=7200.0) is None
    site.hears("pressed")
    site.wait(120)
    assert site.loop.view.alarms == ()
    assert dict(site.loop.view.decisions[0].evidence)[Reason.SERVICE] == "ana: cleaning"


def test_a_button_ends_a_bleed() -> None:
    """A press during a bleed shuts it at once."""
    site = Site()
    site.act(Act.SERVICE_ON)
    site.wait(40)
    assert site.act(Act.BLEED, for_s=100.0) is None
    site.step()
    assert site.gas("west") is Gas.OPEN
    site.hears("pressed")
    assert site.gas("west") is Gas.CLOSED


@settings(max_examples=60, deadline=None)
@given(st.lists(MESSAGES, max_size=8), st.sampled_from([None, "released", "0", ""]))
def test_no_sequence_of_messages_opens_anything(said: list[tuple[str, str | None]], rest: str | None) -> None:
    """Whatever buttons say while a person holds the gas, it stays held."""
    site = Site(rest)
    site.act(Act.CLOSE)
    for raw, refused in said:
        site.hears(raw, refused)
        site.wait(8)
        assert site.gas("west") is Gas.CLOSED
        assert site.reasons()[0] == "service"
