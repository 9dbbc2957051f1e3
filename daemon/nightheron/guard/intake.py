"""Take one event into the state of a chamber. Nothing is decided here."""

from __future__ import annotations

from typing import assert_never

from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import (
    NS,
    Acted,
    Committed,
    Event,
    FeedbackSaid,
    Gas,
    JournalSaid,
    KeeperSaid,
    Late,
    Left,
    Observed,
    OtherOrder,
    Reason,
    Signal,
    Started,
    Stopping,
    Ticked,
    ValveSaid,
    Verdict,
)

HOUR_NS = 3600 * NS


def take(s: ChamberState, event: Event, limits: ChamberLimits) -> None:
    """Change ``s`` by what ``event`` says."""
    s.late_s, s.work_done, s.test_asked = 0.0, "", ""
    match event:
        case Observed():
            _observed(s, event, limits)
        case Ticked() | Committed() | Acted():
            pass
        case Started():
            _started(s, event, limits)
        case JournalSaid():
            s.journal_well = event.well
            s.journal_new = s.journal_new or event.replaced
        case ValveSaid():
            _valve_said(s, event)
        case FeedbackSaid():
            _feedback_said(s, event)
        case OtherOrder():
            if event.order is Gas.OPEN and s.phase is not Phase.OPEN:
                s.foreign_open, s.foreign_raw = True, event.raw
        case KeeperSaid():
            _keeper_said(s, event)
        case Late():
            s.late_s = min(max(1e-3, event.gap_s), 1e9)  # this order, so that a NaN is late too
            s.chamber_ph.break_run()
        case Stopping():
            s.starting = s.stopping = True
        case _:
            assert_never(event)


def pass_time(s: ChamberState, dt_ns: int, limits: ChamberLimits) -> None:
    """Let ``dt_ns`` of running time go by, before the event that ends it is taken."""
    if s.phase is Phase.OPEN:
        s.proof.pass_open(dt_ns)
        s.opened_day_ns[-1] += dt_ns
    elif (
        Reason.PLANNED_REST in s.objections
        and not s.service
        and s.chamber_ph.age_s(s.now_ns + dt_ns) <= limits.probe.stale_s
    ):
        s.proof.rest_wait_ns += dt_ns
    s.day_hour_ns += dt_ns
    hours, s.day_hour_ns = divmod(s.day_hour_ns, HOUR_NS)
    for _ in range(min(hours, len(s.opened_day_ns))):
        s.opened_day_ns = [*s.opened_day_ns[1:], 0]


def _observed(s: ChamberState, event: Observed, limits: ChamberLimits) -> None:
    if event.signal is Signal.TANK_PH:
        if limits.tank is not None:
            s.tank_ph.hear(event, limits.tank.probe, limits.tank.clear_ph, limits.tank.low_ph)
        return
    deep_ph = limits.floor_ph - limits.deep_low_margin_ph
    heard = s.chamber_ph.hear(event, limits.probe, limits.resume_ph, deep_ph)
    if s.held:
        s.low_began_with_gas = False
    if not heard or s.held:
        return
    closed_s = (s.now_ns - s.closed_ns) / NS
    if s.chamber_ph.low_run == 1:
        in_tail = closed_s <= limits.tail_s + limits.probe_lag_s and s.proof.verdict is not None
        s.low_began_with_gas = s.phase is Phase.OPEN or in_tail
    if s.chamber_ph.jumped or s.chamber_ph.returned:
        s.proof.set_out_anew()
    elif s.phase is Phase.OPEN:
        s.proof.see_open(s.chamber_ph)
    elif s.phase is Phase.CLOSED:
        s.proof.see_closed(s.chamber_ph, closed_s, limits)


def _started(s: ChamberState, event: Started, limits: ChamberLimits) -> None:
    if s.begun:
        raise RuntimeError("a chamber starts once; a new start needs a new chamber")
    s.begun = True
    s.started_ns = s.closed_ns = s.ordered_ns = event.at_ns
    s.unclean_starts = event.unclean_starts
    s.journal_new = event.journal_new
    s.commissioned = event.commissioned
    if event.left is not None:
        _carry_over(s, event.left)


def _carry_over(s: ChamberState, left: Left) -> None:
    proof = s.proof
    s.service = left.service
    s.service_why = "held since before the start" if left.service else ""
    if left.service_left_s is not None:
        s.service_until_ns = s.started_ns + round(left.service_left_s * NS)
    s.opened_day_ns[-1] = round(left.opened_day_s * NS)
    s.chamber_ph.digit_ph, s.chamber_ph.steps = left.digit_ph, left.steps
    proof.trial_ns = round(left.unanswered_s * NS)
    proof.opening_ns = round(left.opening_s * NS)
    proof.rest_from_trial = left.rest_from_trial
    proof.lowest_ph = left.rest_lowest_ph
    if left.not_proved:
        proof.verdict = Verdict.NOT_PROVED
    elif left.gas is Gas.OPEN or left.rest_pending or left.pending:
        proof.verdict = Verdict.PENDING


def _valve_said(s: ChamberState, event: ValveSaid) -> None:
    if event.link and not s.valve_link:
        # Until this link took CLOSE through, gas may have flowed: settle and rest count from here.
        s.link_up_ns = s.closed_ns = event.at_ns
        s.chamber_ph.break_run()
        s.feedback_heard = False
    s.valve_link, s.valve_why = event.link, event.why
    if not event.link:
        s.seen = s.disagrees_from_ns = None


def _feedback_said(s: ChamberState, event: FeedbackSaid) -> None:
    if event.seen is None:
        return
    s.feedback_heard = True
    s.seen = event.seen
    ordered = Gas.OPEN if s.phase is Phase.OPEN else Gas.CLOSED
    if event.seen is ordered:
        s.disagrees_from_ns = None
    elif s.disagrees_from_ns is None:
        s.disagrees_from_ns = event.at_ns


def _keeper_said(s: ChamberState, event: KeeperSaid) -> None:
    if event.alive is not s.keeper_alive:
        s.valve_link, s.valve_why = False, "no link yet"
        s.seen = s.disagrees_from_ns = None
    s.keeper_alive, s.keeper_why = event.alive, event.why
