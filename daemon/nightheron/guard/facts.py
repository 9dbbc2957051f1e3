"""What one evaluation knows, worked out once from the state; the rules look at nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.guard import delivery, quality, sense
from nightheron.guard.learned import stall_s
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.guard.tally import DAY_NS
from nightheron.guard.vote import Voted, vote
from nightheron.model import NS, Gas, Reason, Signal, Verdict

FEEDBACK_SILENT_S = 60.0
STOPPING = "the service is stopping"


@dataclass(slots=True)
class Shown:
    """What the water has shown lately of valve, gas and flow."""

    pending: bool
    """The present closing has not been answered."""
    turns_s: float | None
    """How soon a closing is usually proved here; None where too little was learned."""
    surge_ph_per_min: float
    surges_day: int
    still_s: float
    stalled: bool
    verdicts_day: tuple[int, int, int]


@dataclass(slots=True)
class Facts:
    """One chamber at one moment. pH on the NBS scale; None where there is no number."""

    limits: ChamberLimits
    gas: Gas
    closed_s: float
    voted: Voted
    tank_ph: float | None
    tank_good: bool
    tank_required: bool
    tank_why: str
    standing: dict[Signal, str]
    """Signals beyond their limits or still held for it, with the evidence."""
    required_lost: str
    """Required signals without a good reading; empty when there is none."""
    optional_silent: str
    signals: tuple[tuple[Signal, float | None], ...]
    opened_day_s: float
    keeper_alive: bool
    keeper_why: str
    valve_link: bool
    valve_why: str
    may_flow: bool
    unanswered_s: float
    seen: Gas | None
    disagrees: bool
    feedback_why: str
    foreign_open: bool
    foreign_raw: str
    late_s: float
    journal_well: bool
    journal_new: bool
    unclean_starts: int
    too_many_starts: bool
    commissioned: bool
    service: bool
    service_why: str
    work_done: str
    starting: bool
    starting_grace: bool
    starting_why: str
    opening_s: float
    rest_asked: str
    rest_due: bool
    rest_answered: bool
    rest_given_up: bool
    rest_over: bool
    rest_wait_s: float
    not_stopping: bool
    shown: Shown
    turn_due: bool
    turn_why: str
    valve_passes: str
    drift: dict[Reason, str]
    """What drifts, in words, by the reason under which it is told."""

    @property
    def ph(self) -> float | None:
        return self.voted.ph

    @property
    def ph_good(self) -> bool:
        return self.voted.good

    @property
    def late(self) -> bool:
        return self.late_s > 0

    @property
    def feedback_silent(self) -> bool:
        return bool(self.feedback_why)


def gather(s: ChamberState, limits: ChamberLimits) -> Facts:
    """The facts of state ``s`` at ``s.now_ns``. Also takes note of starting being over."""
    now_ns, proof = s.now_ns, s.proof
    voted = vote(s, limits, since_ns=s.ordered_ns)
    open_ = s.phase is Phase.OPEN  # while the row is being written down, permission to open must go on
    closed_s = 0.0 if open_ else (now_ns - s.closed_ns) / NS
    tank_ph, tank_good, tank_why = _tank(s, limits)
    standing, required_lost, optional_silent, signals = _senses(s, limits)
    starting_why = _starting(s, limits, good=voted.good, tank_good=tank_good)
    return Facts(
        limits=limits,
        gas=Gas.OPEN if open_ else Gas.CLOSED,
        closed_s=closed_s,
        voted=voted,
        tank_ph=tank_ph,
        tank_good=tank_good,
        tank_required=limits.tank is not None and limits.tank.required,
        tank_why=tank_why,
        standing=standing,
        required_lost=required_lost,
        optional_silent=optional_silent,
        signals=signals,
        opened_day_s=sum(s.opened_day_ns) / NS,
        keeper_alive=s.keeper_alive,
        keeper_why=s.keeper_why,
        valve_link=s.valve_link,
        valve_why=s.valve_why,
        may_flow=delivery.may_flow(s, limits),
        unanswered_s=delivery.unanswered_s(s),
        seen=s.seen,
        disagrees=_disagrees(s, limits),
        feedback_why=_feedback_why(s) if limits.valve.feedback and s.valve_link else "",
        foreign_open=s.foreign_open,
        foreign_raw=s.foreign_raw,
        late_s=s.late_s,
        journal_well=s.journal_well,
        journal_new=s.journal_new,
        unclean_starts=s.unclean_starts,
        too_many_starts=s.unclean_starts > limits.starts_per_hour,
        commissioned=s.commissioned or not limits.commissioning_required,
        service=s.held,
        service_why=s.service_why,
        work_done=s.work_done,
        starting=s.starting,
        starting_grace=s.starting and _within_grace(s, limits),
        starting_why=starting_why,
        opening_s=(proof.trial_ns if proof.trial else proof.opening_ns) / NS,
        rest_asked=s.test_asked if open_ else "",
        rest_due=_rest_due(s, limits, unchanged=voted.unchanged),
        rest_answered=proof.turned() and closed_s >= limits.min_rest_s,
        rest_given_up=Reason.NO_EFFECT in s.objections,
        rest_over=_rest_over(s, limits),
        rest_wait_s=proof.rest_wait_ns / NS,
        not_stopping=proof.falls_on(),
        shown=_shown(s, limits, good=voted.good),
        turn_due=s.phase is Phase.CLOSED and s.bleed_until_ns is None and s.turn.due(limits),
        turn_why=f"valve {s.turn.shut + 1} stays shut alone",
        valve_passes=s.turn.passes,
        drift=s.drift.told,
    )


def _rest_over(s: ChamberState, limits: ChamberLimits) -> bool:
    """A planned rest has waited as long as it may, and the water did not answer."""
    if Reason.PLANNED_REST not in s.objections or s.proof.turned():
        return False
    return s.proof.has_waited(limits, overdue=s.tally.overdue(s.now_ns))


def _shown(s: ChamberState, limits: ChamberLimits, *, good: bool) -> Shown:
    still_s = 0.0 if s.still_ns is None else (s.now_ns - s.still_ns) / NS
    return Shown(
        pending=s.proof.verdict is Verdict.PENDING,
        turns_s=s.known.turns_s,
        surge_ph_per_min=s.surging_ph_per_min,
        surges_day=sum(s.now_ns - at_ns < DAY_NS for at_ns in s.surges_ns) if s.surges_ns else 0,
        still_s=still_s,
        stalled=good and still_s >= stall_s(s.known, limits),
        verdicts_day=s.tally.day,
    )


def _rest_due(s: ChamberState, limits: ChamberLimits, *, unchanged: bool) -> bool:
    """Open long enough; or shut, and a day without a proof asks to see this closing's."""
    if s.phase is Phase.OPEN:
        return s.proof.due(limits, unchanged=unchanged)
    asked = s.phase is Phase.CLOSED and s.proof.verdict is Verdict.PENDING
    return asked and s.tally.overdue(s.now_ns) and Reason.NO_EFFECT not in s.objections and not s.held


def _tank(s: ChamberState, limits: ChamberLimits) -> tuple[float | None, bool, str]:
    tank = limits.tank
    if tank is None:
        return None, True, ""
    health, _, test = quality.assess(s.tank_ph, s.now_ns, tank.probe)
    fresh = s.tank_ph.age_s(s.now_ns) <= tank.probe.stale_s
    ph = s.tank_ph.ph if fresh else None
    shown = f"{ph:.2f}, limit {tank.low_ph:.2f}" if ph is not None else f"no reading ({test})"
    return ph, health in quality.PERMITTING, f'tank "{tank.name}" {shown}'


def _starting(s: ChamberState, limits: ChamberLimits, *, good: bool, tank_good: bool) -> str:
    """What a start still waits for; takes note when that is nothing any more."""
    unheard = _unheard(s, limits, good=good, tank_good=tank_good)
    s.starting = s.starting and (bool(unheard) or s.stopping)
    return STOPPING if s.stopping else unheard


def _senses(
    s: ChamberState, limits: ChamberLimits
) -> tuple[dict[Signal, str], str, str, tuple[tuple[Signal, float | None], ...]]:
    standing: dict[Signal, str] = {}
    lost: list[str] = []
    silent: list[str] = []
    signals: list[tuple[Signal, float | None]] = []
    for one in limits.senses:
        here = s.senses.setdefault(one.signal, sense.Sense())
        here.settle(s.now_ns, one)
        fresh = here.fresh(s.now_ns, one)
        signals.append((one.signal, here.value if fresh else None))
        if here.stands:
            standing[one.signal] = sense.describe(here, s.now_ns, one)
        if not fresh and s.now_ns - s.started_ns > one.stale_s * NS:
            (lost if one.required else silent).append(one.signal.value)
    return standing, ", ".join(lost), ", ".join(silent), tuple(signals)


def _unheard(s: ChamberState, limits: ChamberLimits, *, good: bool, tank_good: bool) -> str:
    """Which required signal has not spoken yet; empty when all have."""
    missing = [] if s.begun else ["the start"]
    if not s.keeper_alive or not s.valve_link:
        missing.append("valve")
    if not good and not s.held:
        missing.append("chamber pH")
    if limits.tank is not None and limits.tank.required and not tank_good:
        missing.append("tank pH")
    missing += [
        one.signal.value
        for one in limits.senses
        if one.required and not s.senses[one.signal].fresh(s.now_ns, one)
    ]
    return "not heard yet: " + ", ".join(missing) if missing else ""


def _within_grace(s: ChamberState, limits: ChamberLimits) -> bool:
    return (s.now_ns - s.started_ns) / NS <= max(10.0, *(one.stale_s for one in limits.probes))


def _disagrees(s: ChamberState, limits: ChamberLimits) -> bool:
    from_ns = s.disagrees_from_ns
    return from_ns is not None and s.now_ns - from_ns > limits.valve.travel_s * NS


def _feedback_why(s: ChamberState) -> str:
    """Only answers that were understood are remembered; empty while there is nothing to say."""
    silent_s = (s.now_ns - s.link_up_ns) / NS
    if s.feedback_heard or silent_s <= FEEDBACK_SILENT_S:
        return ""
    return f"the valve has never reported a position we know, in {silent_s:.0f} s of this link"
