"""Buttons: what can ask for a hold from outside, and can ask for nothing else.

A button is heard by a probe driver, and what it says is no reading. Whatever it says, other than to the
letter what it says at rest, begins a hold: a retained request may be one that was made while nobody
listened, and what cannot be read may be one that was garbled, so both close. Nothing it says ends a hold.
"""

from __future__ import annotations

from collections.abc import Iterable

from nightheron_drivers.protocols import Heard

from nightheron.model import Act, Acted
from nightheron.runtime.inbox import ActFor, Inbox, Item, Reply
from nightheron.settings.site import ButtonPlan

DOUBTS = frozenset({"retained", "old", "ahead", "backlog", "partial", "not_allowed"})
"""Words of the drivers that say more of the message than its text does."""


class Buttons:
    """Stands before the inbox: buttons become acts here, and everything else goes through.

    A button has at most one request on its way to the loop, so that a flood of them costs one a step.
    """

    def __init__(self, inbox: Inbox, plans: Iterable[ButtonPlan]) -> None:
        self._inbox = inbox
        self._plans = {plan.id: plan for plan in plans}
        self._asked: dict[str, Reply] = {}

    def post(self, item: Item) -> bool:
        """As the inbox does."""
        plan = self._plans.get(item.probe) if isinstance(item, Heard) else None
        if plan is None or not isinstance(item, Heard):
            return self._inbox.post(item)
        return _rests(item, plan.rest_text) or self._press(plan, item)

    def _press(self, plan: ButtonPlan, said: Heard) -> bool:
        asked = self._asked.get(plan.id)
        if asked is not None and not asked.wait(0)[0]:
            return True
        doubt = f" ({said.refused})" if said.refused in DOUBTS else ""
        act = Acted(0, Act.HOLD, f"button {_where(plan)}", f"it said {said.raw!r}{doubt}", plan.remind_s)
        reply = Reply()
        taken = self._inbox.post(ActFor(plan.chamber, act, reply))
        if taken:
            self._asked[plan.id] = reply
        return taken


def _rests(said: Heard, rest_text: str | None) -> bool:
    """It says, to the letter, that nobody asks for anything; a half line may be the end of that."""
    if rest_text is None:
        return False
    return said.raw == rest_text or (said.refused == "partial" and rest_text.endswith(said.raw))


def _where(plan: ButtonPlan) -> str:
    names = ("topic", "port")
    return next((str(at) for name in names if (at := getattr(plan.options, name, None))), plan.id)
