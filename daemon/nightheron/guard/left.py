"""What a later start must know of this run, in durations."""

from __future__ import annotations

from nightheron.guard.state import ChamberState, Phase
from nightheron.model import NS, Decision, Left, Reason, Verdict


def left_of(s: ChamberState, decision: Decision) -> Left:
    """All that outlives the process, from the state and its latest decision."""
    proof = s.proof
    resting = Reason.PLANNED_REST in s.objections
    proved = proof.turned() and s.phase is Phase.CLOSED
    return Left(
        gas=decision.gas,
        reason=decision.reason,
        latched=tuple(r for r, o in s.objections.items() if o.latched and r is not Reason.CORE_FAULT),
        service=s.service,
        service_why=s.service_why,
        unanswered_s=proof.trial_ns / NS,
        opening_s=proof.opening_ns / NS,
        rest_pending=resting,
        opened_day_s=sum(s.opened_day_ns) / NS,
        rest_lowest_ph=proof.lowest_ph if resting or proved or proof.falls_on() else None,
        rest_from_trial=proof.rest_from_trial,
        trial=proof.trial,
        pending=proof.verdict is Verdict.PENDING,
        not_proved=proof.falls_on(),
        proved=proved,
        taken=s.taken,
        digit_ph=s.probes[0].digit_ph,
        steps=s.probes[0].steps,
        more_digits=tuple((t.digit_ph, t.steps) for t in s.probes[1:]),
        turn_shut=s.turn.shut,
        turn_since_s=s.turn.since_ns / NS,
        beyond=tuple(
            signal
            for signal, sense in s.senses.items()
            if sense.stands or (sense.unwatched and sense.value is not None)
        ),
        opened_hours_s=tuple(-(-hour_ns // NS) for hour_ns in s.opened_day_ns),
        surge_ages_s=tuple(round((s.now_ns - at_ns) / NS, 1) for at_ns in s.surges_ns),
        still_s=None if s.still_ns is None else round((s.now_ns - s.still_ns) / NS, 1),
        still_ph=None if s.still_ns is None else s.still_ph,
        unproved_s=round((s.now_ns - s.tally.proved_ns) / NS, 1),
        untold=s.tally.untold,
        verdict_hours=s.tally.told_hours(),
        service_left_s=None if s.service_until_ns is None else (s.service_until_ns - s.now_ns) / NS,
    )
