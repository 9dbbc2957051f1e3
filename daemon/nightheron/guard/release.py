"""A person releases latched trips: only when each one's cause is gone, and never halfway."""

from __future__ import annotations

from nightheron.guard.facts import Facts
from nightheron.guard.interlock import RULES
from nightheron.guard.state import ChamberState
from nightheron.guard.turn import EVERY_NS
from nightheron.model import Clear, Effect, Reason, Refused, State, Verdict

_BY_MEMORY = frozenset({Reason.NO_EFFECT, Reason.FOREIGN_ORDER, Reason.VALVE_PASSES})
"""Things that happened: their cause is gone when a person says so and the readings are right."""
_BY_READING = frozenset({Reason.NO_EFFECT, Reason.NOT_STOPPING, Reason.DEEP_LOW, Reason.SURGE})


def latched(s: ChamberState) -> list[Reason]:
    """What stands until a person releases it."""
    return [r for r, o in s.objections.items() if o.latched or RULES[r].state is State.LATCHED]


def why_nothing_to_release(s: ChamberState, facts: Facts) -> str:
    """Why a release must be refused, in a sentence; empty when it may go on."""
    for reason in latched(s):
        rule = RULES[reason]
        if rule.release_at_any_time:
            continue
        if reason not in _BY_MEMORY | {Reason.NOT_STOPPING} and rule.permits(facts) is not True:
            return f"{reason} still holds: {rule.evidence(facts)}; opens with {rule.opens_when}"
        if reason in _BY_READING and not _reading_is_right(facts):
            shown = "no good reading" if facts.ph is None or not facts.ph_good else f"pH {facts.ph:.2f}"
            return f"{reason} needs a good reading of pH {facts.limits.resume_ph:.2f} or above; now {shown}"
    return ""


def release(s: ChamberState, facts: Facts) -> list[Effect]:
    """Let every latched objection go, forget what it stood on, and demand a trial; or refuse it all."""
    refusal = why_nothing_to_release(s, facts)
    if refusal:
        return [Refused(refusal)]
    effects: list[Effect] = []
    for reason in latched(s):
        if s.objections[reason].told:
            effects.append(Clear(reason))
        del s.objections[reason]
        _forget(s, reason)
        s.proof.demand_trial(fresh=True)
        s.tally.untold = 0
    return effects


def _forget(s: ChamberState, reason: Reason) -> None:
    match reason:
        case Reason.FOREIGN_ORDER:
            s.foreign_open, s.foreign_raw = False, ""
        case Reason.VALVE_PASSES:
            s.turn.passes, s.turn.since_ns = "", EVERY_NS
        case Reason.SURGE:
            s.surges_ns = []
        case Reason.RESTARTS:
            s.unclean_starts = 0
        case Reason.NEW_JOURNAL:
            s.journal_new = False
        case Reason.NOT_STOPPING:
            s.proof.verdict = Verdict.COULD_NOT_TELL
        case Reason.NO_EFFECT:
            s.objections.pop(Reason.PLANNED_REST, None)
        case _:
            pass


def _reading_is_right(facts: Facts) -> bool:
    return facts.ph_good and facts.ph is not None and facts.ph >= facts.limits.resume_ph
