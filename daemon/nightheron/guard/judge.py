"""Fold over the interlock table: objections begin, latch, end, and are told."""

from __future__ import annotations

from nightheron.guard import delivery
from nightheron.guard.alarm_list import FLAPS_S
from nightheron.guard.explain import not_delivered
from nightheron.guard.facts import Facts
from nightheron.guard.interlock import RULES, TABLE
from nightheron.guard.rule import Rule
from nightheron.guard.state import ChamberState, Objection, Phase, Spell
from nightheron.model import NS, AlarmClass, Clear, Effect, Gas, Raise, Reason, Started

ORDER = {reason: place for place, (reason, rule) in enumerate(RULES.items()) if rule.objects}
_ROWS = tuple((rule.reason, rule.permits, rule) for rule in TABLE)
"""The table as one evaluation walks it: most rows are asked one thing, and permit."""
SPELL_LEAST_NS = 2 * NS
"""What a shorter spell counts, so that readings which each come just too late are told as well."""


def against(s: ChamberState) -> list[Reason]:
    """The standing reasons against gas, in table order; empty means permitted."""
    if not s.objections:
        return []
    return sorted([reason for reason in s.objections if reason in ORDER], key=ORDER.__getitem__)


def would_stand(s: ChamberState, facts: Facts) -> list[Rule]:
    """The rules that would stand against gas if these were the facts; changes nothing."""
    rows = [rule for rule in TABLE if rule.objects]
    return [rule for rule in rows if not _lets(rule, s.objections.get(rule.reason), facts)]


def _lets(rule: Rule, standing: Objection | None, facts: Facts) -> bool:
    if standing is None:
        return rule.permits(facts) is True
    return not standing.latched and rule.ends(facts) is True


def judge(s: ChamberState, facts: Facts, *, closing: bool = False) -> list[Effect]:
    """One evaluation of every row. Changes the objections; returns alarms raised and cleared.

    When ``closing``, gas was shut in this evaluation: rows may join, and none ends, so that the row
    of a closing holds its reason and the number it rests on.
    """
    effects: list[Effect] = []
    objections = s.objections
    for reason, permits, rule in _ROWS:
        standing = objections.get(reason)
        if standing is None:
            if permits(facts) is True:
                continue
            standing = Objection(s.now_ns, rule.evidence(facts), before_ns=_counted_ns(s, rule))
            objections[reason] = standing
            if reason is Reason.CHAMBER_PH_LOST:
                s.proof.doubt(flowing=s.phase is Phase.OPEN)
        elif not closing and not standing.latched and rule.ends(facts) is True:
            del objections[reason]
            _count(s, rule, standing)
            if standing.told:
                effects.append(Clear(reason))
            continue
        if not standing.latched and rule.latches(facts) is True:
            standing.latched = True
        effects += _tell(s, rule, standing, facts)
    return effects


def _stood_ns(s: ChamberState, standing: Objection) -> int:
    """How long it stands, as far as its alarm goes by that."""
    return s.now_ns - standing.since_ns + standing.before_ns


def _count(s: ChamberState, rule: Rule, ended: Objection) -> None:
    """It is over, and counts on when it is soon back: what comes and goes all day is told as well."""
    if rule.delayed:
        s.spells[rule.reason] = Spell(max(_stood_ns(s, ended), ended.before_ns + SPELL_LEAST_NS), s.now_ns)


def _counted_ns(s: ChamberState, rule: Rule) -> int:
    """What earlier spells count; nothing when it was calm for as long as an alarm needs to end."""
    spell = s.spells.pop(rule.reason, None)
    return 0 if spell is None or s.now_ns - spell.ended_ns >= FLAPS_S * NS else spell.counted_ns


def carry_over(s: ChamberState, event: Started) -> None:
    """A start goes on with the closing it finds, with what was latched, and with a rest under way."""
    left = event.left
    s.proof.demand_trial()
    if left is None:
        s.first_reason = Reason.NEW_JOURNAL if event.journal_new else Reason.STARTING
        return
    delivery.carry_over(s, left)
    s.first_reason = left.reason if left.gas is Gas.CLOSED and left.reason else Reason.STARTING
    for reason in left.latched:
        s.objections[reason] = Objection(s.now_ns, "from before the start", latched=True)
        s.foreign_open = s.foreign_open or reason is Reason.FOREIGN_ORDER
    if left.rest_pending:
        s.objections[Reason.PLANNED_REST] = Objection(s.now_ns, "from before the start")


def _tell(s: ChamberState, rule: Rule, standing: Objection, facts: Facts) -> list[Effect]:
    name = facts.limits.name
    kind = rule.latched_alarm if standing.latched and rule.latched_alarm else rule.alarm
    if rule.reason is Reason.SERVICE:
        due = s.service_until_ns is not None and s.now_ns >= s.service_until_ns
        if standing.told or not due:
            return []
        standing.told = True
        return [
            Raise(
                rule.reason,
                AlarmClass.NOTICE,
                f"{name}: gas is still held shut ({facts.service_why}), past the time that was named; "
                f"it stays so until: nightheron service off {name}",
            )
        ]
    if kind is None:
        return []
    if rule.calm(facts) is True and not standing.latched:
        standing.before_ns = standing.since_ns - s.now_ns
        return []
    urgent = rule.urgent(facts) is True
    if urgent and not standing.told_urgent:
        standing.told = standing.told_urgent = True
        text = not_delivered(name, facts.unanswered_s, rule.sentence)
        if rule.urgent_words is not None:
            text = f"{name}: {rule.urgent_words(facts)}"
        return [Raise(rule.reason, AlarmClass.WAKE, text)]
    stood_s = _stood_ns(s, standing) / NS
    waits = rule.delayed and not standing.latched and stood_s < facts.limits.alarm_delay_s
    if waits or (standing.told and (standing.told_latched or not standing.latched)):
        return []
    standing.told, standing.told_latched = True, standing.latched
    shown = rule.evidence(facts) if rule.live and not standing.latched else standing.evidence
    said = f"{rule.sentence} ({shown})" if shown else rule.sentence
    return [Raise(rule.reason, kind, f"{name}: {rule.told_as(facts) if rule.told_as else said}")]
