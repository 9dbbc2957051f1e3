"""One chamber, composed: events in, effects out, no clock and no I/O.

Every event is one evaluation. Effects come in the order in which they must be carried out: close
first, then record; record, then (when the row is on disk and permission still stands) open. A fault
inside is a state that closes and stays closed until the service is started anew.
"""

from __future__ import annotations

from dataclasses import replace

from nightheron.guard import delivery, drift_kept, drift_watch, hands, intake, snapshot
from nightheron.guard.decide import after_fault, decide
from nightheron.guard.facts import Facts, gather
from nightheron.guard.judge import against, carry_over, judge
from nightheron.guard.learned import figures, learn
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
    CycleOver,
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
    UsualNow,
    ValveSaid,
)

AFTER_FAULT = f"{CORE_FAULT.sentence} until the service is started anew"


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
        s.tally.note(s.proof.verdict, now_ns)
        facts = gather(s, self.limits)
        alarms = judge(s, facts)
        orders = self._order(event)
        if orders and isinstance(orders[0], Close) and s.phase is Phase.CLOSED:
            facts = gather(s, self.limits)
            alarms += judge(s, facts, closing=True)
        effects = [*orders, *self._write(facts, event), *said, *alarms]
        if s.forgot or s.watch.ended is not None or s.watch.over(now_ns):
            effects += self._learns()
        if s.drift.news:
            effects += self._usual()
        return effects

    def _learns(self) -> list[Effect]:
        """A cycle that is over is learned from; what was forgotten is told without one."""
        s = self._s
        if s.watch.over(s.now_ns):
            s.watch.end(s.now_ns, s.proof.verdict, self._digit_ph())
        cycle, s.watch.ended = s.watch.ended, None
        if cycle is not None:
            s.learned = learn(s.learned, cycle)
            drift_watch.cycle(s, cycle)
            s.known = figures(s.learned)
        elif not s.forgot:
            return []
        s.forgot = False
        return [CycleOver(cycle, s.learned)]

    def _usual(self) -> list[Effect]:
        """What is usual is written down when some hours more are in it."""
        drift = self._s.drift
        drift.news = False
        return [UsualNow(drift_kept.kept(drift, self.limits), drift.text())]

    def _digit_ph(self) -> float | None:
        return max((t.digit_ph for t in self._s.probes if t.digit_ph is not None), default=None)

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
            s.watch = s.watch.opened_anew(s.now_ns, s.proof.verdict, self._digit_ph())
            s.proof.open_now()
            s.rate.set_out_anew()
        elif s.now_ns - s.renewed_ns < self.limits.valve.lease_s * NS / 4:
            return []
        s.renewed_ns = s.now_ns
        until_ns = s.now_ns + round(self.limits.valve.lease_s * NS)
        return [OpenUntil(until_ns if s.bleed_until_ns is None else min(until_ns, s.bleed_until_ns))]

    def _close(self, reason: Reason) -> None:
        s = self._s
        if s.phase is Phase.OPEN:
            s.watch.close_now(s.now_ns)
            s.proof.close_now()
            s.rate.set_out_anew()
            s.turn.not_answered()
            delivery.ordered(s, Gas.CLOSED)
            s.disagrees_from_ns = None
        s.phase, s.awaited_token, s.closed_ns, s.first_reason = Phase.CLOSED, None, s.now_ns, reason

    # -- the row --

    def _write(self, facts: Facts, event: Event) -> list[Effect]:
        s = self._s
        before, after = self.decision, decide(s, self.limits, facts)
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
        self.decision = after_fault(s)
        text = f"{self.limits.name}: {CORE_FAULT.sentence} ({s.fault})"
        return (
            Close(),
            Record(self.decision, s.token),
            Raise(Reason.CORE_FAULT, AlarmClass.NOTICE, text),
            Publish(self.decision),
        )
