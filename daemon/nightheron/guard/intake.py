"""Take one event into the state of a chamber. Nothing is decided here."""

from __future__ import annotations

from typing import assert_never

from nightheron.guard import drift_kept, drift_watch, learned, quality, sense, vote, water
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.signals import KINDS
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import (
    NS,
    Acted,
    Committed,
    Event,
    FeedbackSaid,
    Gas,
    Hour,
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
    s.late_s, s.work_done, s.test_asked, s.surging_ph_per_min = 0.0, "", "", 0.0
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
            s.watch.doubt("the guard was held up")
            s.late_s = min(max(1e-3, event.gap_s), 1e9)  # this order, so that a NaN is late too
            s.break_runs()
        case Stopping():
            s.starting = s.stopping = True
        case Hour():
            drift_watch.hour(s, event)
        case _:
            assert_never(event)


def pass_time(s: ChamberState, dt_ns: int, limits: ChamberLimits) -> None:
    """Let ``dt_ns`` of running time go by, before the event that ends it is taken."""
    if s.phase is Phase.OPEN:
        s.proof.pass_open(dt_ns)
        s.opened_day_ns[-1] += dt_ns
    elif Reason.PLANNED_REST in s.objections and not s.service and _hears_at(s, s.now_ns + dt_ns, limits):
        s.proof.rest_wait_ns += dt_ns
    drift_watch.pass_time(s, dt_ns, limits)
    s.turn.since_ns += dt_ns
    if s.turn.flows or s.turn.token is not None:
        s.turn.alone_ns += dt_ns
    s.day_hour_ns += dt_ns
    hours, s.day_hour_ns = divmod(s.day_hour_ns, HOUR_NS)
    for _ in range(min(hours, len(s.opened_day_ns))):
        s.opened_day_ns = [*s.opened_day_ns[1:], 0]
        s.tally.roll()


def _observed(s: ChamberState, event: Observed, limits: ChamberLimits) -> None:
    if event.signal is Signal.TANK_PH:
        if limits.tank is not None:
            s.tank_ph.hear(event, limits.tank.probe, limits.tank.clear_ph, limits.tank.low_ph)
        return
    if event.signal is Signal.CHAMBER_PH:
        if 0 <= event.probe < len(s.probes):
            _chamber_ph(s, event, limits)
        return
    for one in limits.senses:
        if one.signal is event.signal:
            here = s.senses.setdefault(one.signal, sense.Sense())
            if s.phase is not Phase.CLOSED and here.value is None:
                here.unwatched = False  # gas flows already; its first word shuts only what it speaks against
            here.hear(event, one)


def _chamber_ph(s: ChamberState, event: Observed, limits: ChamberLimits) -> None:
    track = s.probes[event.probe]
    deep_ph = limits.floor_ph - limits.deep_low_margin_ph
    before_ph, before_ns = track.ph, track.at_ns
    heard = track.hear(event, limits.probes[event.probe], limits.resume_ph, deep_ph)
    if heard and event.probe == 0 and track.ph is not None:
        drift_watch.switched(s, before_ph, before_ns, track.ph, track.at_ns)
    if s.held:
        track.low_with_gas = False
    if not heard:
        return
    vote.set_aside(s, limits, event.probe)
    if s.held:
        return
    closed_s = (s.now_ns - s.closed_ns) / NS
    if track.low_run == 1:
        in_tail = closed_s <= limits.tail_s + limits.probe_lag_s and s.proof.verdict is not None
        track.low_with_gas = s.phase is Phase.OPEN or in_tail
    voices, s.heard = s.heard, vote.contributing(s, limits)
    unlike = (track.jumped or track.returned) and event.probe in s.heard
    water.see(s, limits, anew=voices != s.heard or unlike)


def may_close(event: Observed, limits: ChamberLimits) -> bool:
    """Whether this message speaks against gas: such a one is heard however late it comes."""
    if event.signal is Signal.TANK_PH:
        tank = limits.tank
        ph = None if tank is None else quality.to_ph(event.value, tank.probe.conversion)
        return tank is not None and ph is not None and ph < tank.clear_ph
    if event.signal is Signal.CHAMBER_PH:
        ph = quality.to_ph(event.value, limits.probes[event.probe].conversion)
        return ph is not None and ph < limits.resume_ph
    for one in limits.senses:
        if one.signal is event.signal:
            value = sense.number(event, one)
            return value is not None and not sense.within(value, one.clear_low, one.clear_high)
    return False


def _hears_at(s: ChamberState, now_ns: int, limits: ChamberLimits) -> bool:
    """Enough probes are fresh then for a rest to be answered."""
    fresh = sum(t.age_s(now_ns) <= one.stale_s for t, one in zip(s.probes, limits.probes, strict=True))
    return fresh >= min(2, len(s.probes))


def _started(s: ChamberState, event: Started, limits: ChamberLimits) -> None:
    if s.begun:
        raise RuntimeError("a chamber starts once; a new start needs a new chamber")
    s.begun = True
    s.started_ns = s.closed_ns = s.ordered_ns = event.at_ns
    s.unclean_starts = event.unclean_starts
    s.journal_new = event.journal_new
    s.commissioned = event.commissioned
    s.learned = learned.carried(event.learned, limits)
    s.drift = drift_kept.carried(event.usual, limits)
    for one in limits.senses:
        if KINDS[one.signal].held_from_start:
            s.senses.setdefault(one.signal, sense.Sense()).unwatched = True
    s.known = learned.figures(s.learned)
    s.tally.proved_ns = event.at_ns
    if event.left is not None:
        _carry_over(s, event.left)


def _carry_over(s: ChamberState, left: Left) -> None:
    proof = s.proof
    s.service = left.service
    s.service_why = (left.service_why or "held since before the start") if left.service else ""
    if left.service_left_s is not None:
        s.service_until_ns = s.started_ns + round(left.service_left_s * NS)
    _carry_open_time(s, left)
    digits = ((left.digit_ph, left.steps), *left.more_digits)
    for track, (digit_ph, steps) in zip(s.probes, digits, strict=False):
        track.digit_ph, track.steps = digit_ph, steps
    s.turn.shut = left.turn_shut
    if left.turn_since_s is not None:
        s.turn.since_ns = round(left.turn_since_s * NS)
    s.surges_ns = [s.started_ns - round(age_s * NS) for age_s in left.surge_ages_s]
    s.still_ns = None if left.still_s is None else s.started_ns - round(left.still_s * NS)
    s.still_ph, s.still_seen_ns = left.still_ph or 0.0, s.started_ns
    _carry_verdicts(s, left)
    for signal in left.beyond:
        s.senses.setdefault(signal, sense.Sense()).stands = True
    proof.trial_ns = round(left.unanswered_s * NS)
    proof.opening_ns = round(left.opening_s * NS)
    proof.rest_from_trial = left.rest_from_trial
    proof.lowest_ph = left.rest_lowest_ph
    if left.not_proved:
        proof.verdict, proof.fell_on = Verdict.NOT_PROVED, True
    elif left.proved and left.gas is Gas.CLOSED:
        proof.verdict = Verdict.PROVED
    elif left.gas is Gas.OPEN or left.rest_pending or left.pending:
        proof.verdict = Verdict.PENDING
    s.tally.last = proof.verdict  # counted by the run before


def _carry_open_time(s: ChamberState, left: Left) -> None:
    """Each hour's open time keeps its place; what is not told by hours counts as this hour's."""
    hours_s = left.opened_hours_s[-len(s.opened_day_ns) :]
    for place, open_s in enumerate(reversed(hours_s), start=1):
        s.opened_day_ns[-place] = open_s * NS
    s.opened_day_ns[-1] += round(max(0.0, left.opened_day_s - sum(hours_s)) * NS)


def _carry_verdicts(s: ChamberState, left: Left) -> None:
    tally, hours = s.tally, left.verdict_hours[-len(s.tally.hours) :]
    for place, hour in enumerate(reversed(hours), start=1):
        tally.hours[-place] = list(hour)
    tally.add_up()
    tally.untold = left.untold
    tally.proved_ns = s.started_ns - round(left.unproved_s * NS)


def _valve_said(s: ChamberState, event: ValveSaid) -> None:
    if event.link and not s.valve_link:
        # Until this link took CLOSE through, gas may have flowed: settle and rest count from here.
        s.link_up_ns = s.closed_ns = event.at_ns
        s.break_runs()
        s.feedback_heard = False
    s.valve_link, s.valve_why = event.link, event.why
    if not event.link:
        s.watch.doubt("no link to the valve")
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
        s.watch.doubt("the process that holds the valve was lost")
        s.valve_link, s.valve_why = False, "no link yet"
        s.seen = s.disagrees_from_ns = None
    s.keeper_alive, s.keeper_why = event.alive, event.why
