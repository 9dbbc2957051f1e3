"""What a person does or asks for at the board, taken into the state of a chamber.

No act opens gas: each one closes, forgets, or takes an objection of a person's own away, and the
table decides. A bleed is the one that a hold is set aside for, and it is an opening like any other:
every other row must permit it, its row is on disk before it, it ends with its seconds or with the
first objection, is never made longer, and is not carried over a start.
"""

from __future__ import annotations

from typing import assert_never

from nightheron.guard.explain import NORMAL
from nightheron.guard.facts import Facts, gather
from nightheron.guard.judge import would_stand
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.release import release
from nightheron.guard.rule import Rule
from nightheron.guard.state import ChamberState, Phase
from nightheron.guard.work import WORKS, forget_answers
from nightheron.model import NS, Act, Acted, Clear, Effect, Reason, Refused

LONGEST_REMINDER_S = 366 * 86400.0
LEAST_BLEED_S, LONGEST_BLEED_S = 1.0, 120.0


def act(s: ChamberState, event: Acted, limits: ChamberLimits) -> list[Effect]:
    """Change ``s`` by what a person did; a refusal leaves it as it was."""
    match event.act:
        case Act.SERVICE_ON | Act.CLOSE:
            return _hold(s, event, event.why)
        case Act.HOLD:
            s.bleed_until_ns = None
            return [] if s.service else _hold(s, event, event.why)
        case Act.SERVICE_OFF:
            return _end_hold(s, event)
        case Act.RELEASE:
            return release(s, gather(s, limits))
        case Act.CHANGED:
            return _changed(s, event)
        case Act.TEST:
            return _test(s, event)
        case Act.BLEED:
            return _bleed(s, event, limits)
        case _:
            assert_never(event.act)


def _hold(s: ChamberState, event: Acted, why: str) -> list[Effect]:
    s.service, s.bleed_until_ns = True, None
    s.service_why = _said(event.who, why)
    s.service_until_ns = None
    if event.for_s is not None and 0 <= event.for_s <= LONGEST_REMINDER_S:
        s.service_until_ns = event.at_ns + round(event.for_s * NS)
    s.proof.give_up()
    s.watch.doubt("a person held the gas shut")
    standing = s.objections.get(Reason.SERVICE)
    if standing is None or not standing.told:
        return []
    standing.told = False  # its reminder was heard; the new end has its own
    return [Clear(Reason.SERVICE)]


def _end_hold(s: ChamberState, event: Acted) -> list[Effect]:
    if not s.service:
        return []
    if s.phase is not Phase.CLOSED:
        s.work_done = _said(event.who, "the hold was ended during a bleed")
    s.service, s.service_why, s.service_until_ns, s.bleed_until_ns = False, "", None, None
    forget_answers(s)
    s.break_runs()
    return []


def _changed(s: ChamberState, event: Acted) -> list[Effect]:
    if event.work is None:
        return [Refused("it was not said what was changed")]
    row = WORKS[event.work]
    s.work_done = _said(event.who, row.done, event.why)
    for forget in row.forgets:
        forget(s)
    s.break_runs()
    return _hold(s, event, _said(row.done, event.why)) if row.holds else []


def _test(s: ChamberState, event: Acted) -> list[Effect]:
    if s.bleed_until_ns is not None:
        return [Refused("a bleed is under way; wait for its end")]
    if s.phase is not Phase.OPEN:
        return [Refused("gas is not open, so there is no closing to watch")]
    s.test_asked = _said("proof test by " + event.who, event.why)
    return []


def _bleed(s: ChamberState, event: Acted, limits: ChamberLimits) -> list[Effect]:
    for_s = event.for_s
    if for_s is None or not LEAST_BLEED_S <= for_s <= LONGEST_BLEED_S:
        return [Refused(f"a bleed lasts {LEAST_BLEED_S:g} to {LONGEST_BLEED_S:g} s")]
    if s.bleed_until_ns is not None:
        return [Refused("a bleed is under way, and none is made longer; wait for its end")]
    if not s.service:
        return [Refused("a bleed is for hands at the valve: begin with a hold (service on)")]
    s.bleed_until_ns = s.now_ns + round(for_s * NS)
    facts = gather(s, limits)
    against = would_stand(s, facts)
    if not against:
        return []
    s.bleed_until_ns = None
    return [Refused("this stands against it: " + "; ".join(_against(s, rule, facts) for rule in against))]


def _against(s: ChamberState, rule: Rule, facts: Facts) -> str:
    standing = s.objections.get(rule.reason)
    shown = standing.evidence if standing is not None and standing.latched else rule.evidence(facts)
    return rule.sentence.removesuffix(NORMAL) + (f" ({shown})" if shown else "")


def _said(*parts: str) -> str:
    return ": ".join(part for part in parts if part)
