"""The decision of one evaluation: what stands against gas, with the numbers it rests on."""

from __future__ import annotations

from nightheron.guard.facts import Facts
from nightheron.guard.interlock import RULES
from nightheron.guard.judge import against
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import NS, Decision, Flag, Gas, Health, Reason, State, Verdict

_WORST = {state: rank for rank, state in enumerate(State)}


def decide(s: ChamberState, limits: ChamberLimits, facts: Facts) -> Decision:
    """The decision that the standing objections and these facts make."""
    standing = against(s)
    states = [State.LATCHED if s.objections[r].latched else RULES[r].state for r in standing]
    health, flag, test = facts.voted.health, facts.voted.flag, facts.voted.test
    if Reason.NO_EFFECT in s.objections:
        health, flag, test = Health.FAILURE, Flag.FAIL, "no_answer"
    elif facts.feedback_silent and health is Health.GOOD:
        health, test = Health.MAINTENANCE, "feedback_silent"
    return Decision(
        at_ns=s.now_ns,
        state=max(states, key=_WORST.__getitem__, default=State.FLOWING),
        gas=Gas.CLOSED if s.phase is Phase.CLOSED else Gas.OPEN,
        reason=s.first_reason,
        reasons=tuple(standing),
        ph=facts.ph,
        health=health,
        flag=flag,
        test=test,
        tank_ph=facts.tank_ph,
        verdict=s.proof.verdict,
        evidence=tuple([(r, _evidence(s, r, facts)) for r in standing]),
        notes=_notes(s),
        delivered=s.delivered,
        ordered_ns=s.ordered_ns,
        taken=s.taken,
        taken_ns=s.taken_ns,
        seen=s.seen,
        trial_ends_ns=_trial_ends_ns(s, limits),
        bleed_ends_ns=s.bleed_until_ns,
        probes=_each_probe(s, limits),
        signals=facts.signals,
        verdict_s=s.proof.verdict_s,
        verdicts_day=facts.shown.verdicts_day,
    )


def _evidence(s: ChamberState, reason: Reason, facts: Facts) -> str:
    standing, rule = s.objections[reason], RULES[reason]
    return rule.evidence(facts) if rule.live and not standing.latched else standing.evidence


def _notes(s: ChamberState) -> tuple[str, ...]:
    notes = [track.note for track in s.probes if track.note]
    return (*notes, s.turn.told) if s.turn.told else tuple(notes)


def _each_probe(s: ChamberState, limits: ChamberLimits) -> tuple[float | None, ...]:
    if len(s.probes) == 1:
        return ()
    pairs = zip(s.probes, limits.probes, strict=True)
    return tuple(t.ph if t.age_s(s.now_ns) <= one.stale_s else None for t, one in pairs)


def _trial_ends_ns(s: ChamberState, limits: ChamberLimits) -> int | None:
    if s.phase is not Phase.OPEN or not s.proof.trial:
        return None
    return s.now_ns + max(0, round(limits.trial_opening_s * NS) - s.proof.trial_ns)


def after_fault(s: ChamberState) -> Decision:
    """The decision once the core has failed: shut, and latched."""
    return Decision(
        at_ns=s.now_ns,
        state=State.LATCHED,
        gas=Gas.CLOSED,
        reason=s.first_reason or Reason.CORE_FAULT,
        reasons=(Reason.CORE_FAULT,),
        ph=None,
        health=Health.FAILURE,
        flag=Flag.FAIL,
        test="core_fault",
        tank_ph=None,
        verdict=Verdict.COULD_NOT_TELL if s.proof.verdict is Verdict.PENDING else s.proof.verdict,
        evidence=((Reason.CORE_FAULT, s.fault),),
        delivered=s.delivered,
        ordered_ns=s.ordered_ns,
        taken=s.taken,
        taken_ns=s.taken_ns,
    )
