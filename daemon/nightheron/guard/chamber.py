"""One chamber, composed: events in, effects out, no clock and no I/O.

Every event is one evaluation. Effects come in the order in which they must be carried out: close
first, then record; record, then (when the row is on disk and permission still stands) open. A fault
inside is a state that closes and stays closed until the service is started anew.
"""

from __future__ import annotations

from dataclasses import replace

from nightheron.guard import delivery, hands, intake, snapshot
from nightheron.guard.facts import Facts, gather
from nightheron.guard.interlock import RULES
from nightheron.guard.judge import against, carry_over, judge
from nightheron.guard.left import left_of
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.quality import Track
from nightheron.guard.rule import CORE_FAULT
from nightheron.guard.state import ChamberState, Objection, Phase
from nightheron.model import (
    NS,
    Acted,
    AlarmClass,
    Close,
    Committed,
    Decision,
    Effect,
    Event,
    Flag,
    Gas,
    Health,
    JsonValue,
    Left,
    Observed,
    OpenUntil,
    Publish,
    Raise,
    Reason,
    Record,
    Refused,
    Started,
    State,
    ValveSaid,
    Verdict,
)

AFTER_FAULT = f"{CORE_FAULT.sentence} until the service is started anew"
_WORST = {state: rank for rank, state in enumerate(State)}


class Chamber:
    """The guard of one chamber. Feed it events in order of time; carry out what it answers."""

    def __init__(self, limits: ChamberLimits) -> None:
        self.limits = limits
        self._s = ChamberState(probes=[Track() for _ in limits.probes])
        self.decision = Decision(
            at_ns=0,
            state=State.STANDBY,
            gas=Gas.CLOSED,
            reason=Reason.STARTING,
            reasons=(Reason.STARTING,),
            ph=None,
            health=Health.FAILURE,
            flag=Flag.MISSING,
            test="no_good_reading",
            tank_ph=None,
            verdict=None,
        )

    @classmethod
    def restore(cls, limits: ChamberLimits, written: JsonValue) -> Chamber:
        """The chamber that ``snapshot`` wrote, exactly."""
        if not isinstance(written, dict):
            raise TypeError("a snapshot is an object")
        chamber = cls(limits)
        chamber._s = snapshot.from_json(ChamberState, written["state"])
        chamber.decision = snapshot.from_json(Decision, written["decision"])
        return chamber

    def snapshot(self) -> dict[str, JsonValue]:
        """All that the chamber remembers, as plain JSON values."""
        return {"state": snapshot.to_json(self._s), "decision": snapshot.to_json(self.decision)}

    def left(self) -> Left:
        """What a later start must know of this run, in durations."""
        return left_of(self._s, self.decision)

    def feed(self, event: Event) -> tuple[Effect, ...]:
        """Evaluate once. Never raises: a fault inside closes, and stays."""
        if self._s.fault:
            self._hear_only(event)
            return (Close(), Refused(AFTER_FAULT)) if isinstance(event, Acted) else (Close(),)
        try:
            return tuple(self._evaluate(event))
        except Exception as fault:  # any fault at all must end in closed gas
            return self._fault(event.at_ns, fault)

    def _hear_only(self, event: Event) -> None:
        """After a fault nothing is decided any more; whether the valve took the close is still told."""
        s = self._s
        if isinstance(event, ValveSaid):
            s.now_ns = max(event.at_ns, s.now_ns)
            delivery.hear(s, event)
            self.decision = replace(self.decision, delivered=s.delivered, taken=s.taken, taken_ns=s.taken_ns)

    def _evaluate(self, event: Event) -> list[Effect]:
        s = self._s
        now_ns = max(event.at_ns, s.now_ns)
        if event.at_ns != now_ns:
            event = replace(event, at_ns=now_ns)
        if not isinstance(event, Started):
            intake.pass_time(s, now_ns - s.now_ns, self.limits)
        s.now_ns = now_ns
        intake.take(s, event, self.limits)
        if isinstance(event, ValveSaid):
            delivery.hear(s, event)
        if isinstance(event, Started):
            carry_over(s, event)
        said = hands.act(s, event, self.limits) if isinstance(event, Acted) else []
        facts = gather(s, self.limits)
        alarms = judge(s, facts)
        orders = self._order(event)
        if orders and isinstance(orders[0], Close) and s.phase is Phase.CLOSED:
            facts = gather(s, self.limits)
            alarms += judge(s, facts, closing=True)
        return [*orders, *self._write(facts, event), *said, *alarms]

    # -- gas --

    def _order(self, event: Event) -> list[Effect]:
        """What the objections mean for the valve."""
        s = self._s
        standing = against(s)
        if standing:
            s.bleed_until_ns = None
            if s.phase is Phase.CLOSED:
                return (
                    [Close()] if isinstance(event, Started) else s.turn.orders(standing, event, self.limits)
                )
            self._close(standing[0])
            return [Close()]
        if s.phase is Phase.CLOSED:
            s.phase, s.first_reason = Phase.OPENING, None
            s.proof.give_up()
            return []
        if s.phase is Phase.OPENING:
            if not isinstance(event, Committed) or event.token != s.awaited_token:
                return []
            s.phase, s.awaited_token = Phase.OPEN, None
            delivery.ordered(s, Gas.OPEN)
            s.disagrees_from_ns = None
            s.proof.open_now()
        elif s.now_ns - s.renewed_ns < self.limits.valve.lease_s * NS / 4:
            return []
        s.renewed_ns = s.now_ns
        until_ns = s.now_ns + round(self.limits.valve.lease_s * NS)
        return [OpenUntil(until_ns if s.bleed_until_ns is None else min(until_ns, s.bleed_until_ns))]

    def _close(self, reason: Reason) -> None:
        s = self._s
        if s.phase is Phase.OPEN:
            s.proof.close_now()
            delivery.ordered(s, Gas.CLOSED)
            s.disagrees_from_ns = None
        s.phase, s.awaited_token, s.closed_ns, s.first_reason = Phase.CLOSED, None, s.now_ns, reason

    # -- the row --

    def _decide(self, facts: Facts) -> Decision:
        s = self._s
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
            evidence=tuple((r, self._evidence(r, facts)) for r in standing),
            notes=tuple(note for note in (*(track.note for track in s.probes), s.turn.told) if note),
            delivered=s.delivered,
            ordered_ns=s.ordered_ns,
            taken=s.taken,
            taken_ns=s.taken_ns,
            seen=s.seen,
            trial_ends_ns=self._trial_ends_ns(),
            bleed_ends_ns=s.bleed_until_ns,
            probes=self._each_probe(),
            signals=facts.signals,
        )

    def _evidence(self, reason: Reason, facts: Facts) -> str:
        standing, rule = self._s.objections[reason], RULES[reason]
        return rule.evidence(facts) if rule.live and not standing.latched else standing.evidence

    def _each_probe(self) -> tuple[float | None, ...]:
        s = self._s
        if len(s.probes) == 1:
            return ()
        pairs = zip(s.probes, self.limits.probes, strict=True)
        return tuple(t.ph if t.age_s(s.now_ns) <= one.stale_s else None for t, one in pairs)

    def _trial_ends_ns(self) -> int | None:
        s = self._s
        if s.phase is not Phase.OPEN or not s.proof.trial:
            return None
        return s.now_ns + max(0, round(self.limits.trial_opening_s * NS) - s.proof.trial_ns)

    def _write(self, facts: Facts, event: Event) -> list[Effect]:
        s = self._s
        before, after = self.decision, self._decide(facts)
        self.decision = after
        effects: list[Effect] = []
        changed = isinstance(event, Started) or not after.same_as(before)
        if changed:
            s.token += 1
            s.turn.told = ""
            effects.append(Record(after, s.token))
            if s.phase is Phase.OPENING and s.awaited_token is None:
                s.awaited_token = s.token
            if after.reasons == (Reason.VALVE_TURN,) and not s.turn.flows:
                s.turn.token = s.token
        if changed or isinstance(event, Observed) or after.delivered is not before.delivered:
            effects.append(Publish(after))
        return effects

    def _fault(self, at_ns: int, fault: Exception) -> tuple[Effect, ...]:
        s = self._s
        s.fault = f"{type(fault).__name__}: {fault}"[:200]
        s.now_ns = max(at_ns, s.now_ns)
        if s.phase is Phase.OPEN:
            delivery.ordered(s, Gas.CLOSED)
        s.phase, s.token = Phase.CLOSED, s.token + 1
        s.objections[Reason.CORE_FAULT] = Objection(s.now_ns, s.fault, latched=True, told=True)
        self.decision = Decision(
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
        text = f"{self.limits.name}: {CORE_FAULT.sentence} ({s.fault})"
        return (
            Close(),
            Record(self.decision, s.token),
            Raise(Reason.CORE_FAULT, AlarmClass.NOTICE, text),
            Publish(self.decision),
        )
