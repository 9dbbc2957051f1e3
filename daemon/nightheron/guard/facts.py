"""What one evaluation knows, worked out once from the state; the rules look at nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.guard import delivery, quality
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.model import NS, Flag, Gas, Health, Reason

DEEP_READINGS = 3
DEEP_S = 5.0
PERMITTING = frozenset({Health.GOOD, Health.MAINTENANCE})
FEEDBACK_SILENT_S = 60.0
STOPPING = "the service is stopping"


@dataclass(slots=True)
class Facts:
    """One chamber at one moment. pH on the NBS scale; None where there is no number."""

    limits: ChamberLimits
    gas: Gas
    closed_s: float
    ph: float | None
    ph_good: bool
    ph_why: str
    health: Health
    flag: Flag
    test: str
    fell_through_floor: bool
    settled: bool
    deep_with_gas: bool
    tank_ph: float | None
    tank_good: bool
    tank_required: bool
    tank_why: str
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

    @property
    def late(self) -> bool:
        return self.late_s > 0

    @property
    def feedback_silent(self) -> bool:
        return bool(self.feedback_why)


def gather(s: ChamberState, limits: ChamberLimits) -> Facts:
    """The facts of state ``s`` at ``s.now_ns``. Also takes note of starting being over."""
    now_ns, proof, track = s.now_ns, s.proof, s.chamber_ph
    health, flag, test = quality.assess(track, now_ns, limits.probe, service=s.held)
    fresh = track.age_s(now_ns) <= limits.probe.stale_s
    ph = track.ph if fresh else None
    good = health in PERMITTING
    open_ = s.phase is Phase.OPEN  # while the row is being written down, permission to open must go on
    closed_s = 0.0 if open_ else (now_ns - s.closed_ns) / NS
    tank_ph, tank_good, tank_why = _tank(s, limits)
    starting_why = _starting(s, limits, good=good, tank_good=tank_good)
    return Facts(
        limits=limits,
        gas=Gas.OPEN if open_ else Gas.CLOSED,
        closed_s=closed_s,
        ph=ph,
        ph_good=good,
        ph_why=f"{test}, last reading {_age(track, now_ns)}",
        health=health,
        flag=flag,
        test=test,
        fell_through_floor=fresh and track.jumped_down and ph is not None and ph < limits.floor_ph,
        settled=good and track.settled(limits.settle_s),
        deep_with_gas=_deep_with_gas(s),
        tank_ph=tank_ph,
        tank_good=tank_good,
        tank_required=limits.tank is not None and limits.tank.required,
        tank_why=tank_why,
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
        rest_due=open_ and proof.due(limits, unchanged=track.is_unchanged(now_ns, s.ordered_ns)),
        rest_answered=proof.turned() and closed_s >= limits.min_rest_s,
        rest_given_up=Reason.NO_EFFECT in s.objections,
        rest_over=Reason.PLANNED_REST in s.objections and not proof.turned() and proof.has_waited(limits),
        rest_wait_s=proof.rest_wait_ns / NS,
        not_stopping=proof.falls_on(),
    )


def _tank(s: ChamberState, limits: ChamberLimits) -> tuple[float | None, bool, str]:
    tank = limits.tank
    if tank is None:
        return None, True, ""
    health, _, test = quality.assess(s.tank_ph, s.now_ns, tank.probe)
    fresh = s.tank_ph.age_s(s.now_ns) <= tank.probe.stale_s
    ph = s.tank_ph.ph if fresh else None
    shown = f"{ph:.2f}, limit {tank.low_ph:.2f}" if ph is not None else f"no reading ({test})"
    return ph, health in PERMITTING, f'tank "{tank.name}" {shown}'


def _starting(s: ChamberState, limits: ChamberLimits, *, good: bool, tank_good: bool) -> str:
    """What a start still waits for; takes note when that is nothing any more."""
    unheard = _unheard(s, limits, good=good, tank_good=tank_good)
    s.starting = s.starting and (bool(unheard) or s.stopping)
    return STOPPING if s.stopping else unheard


def _unheard(s: ChamberState, limits: ChamberLimits, *, good: bool, tank_good: bool) -> str:
    """Which required signal has not spoken yet; empty when all have."""
    missing = [] if s.begun else ["the start"]
    if not s.keeper_alive or not s.valve_link:
        missing.append("valve")
    if not good and not s.held:
        missing.append("chamber pH")
    if limits.tank is not None and limits.tank.required and not tank_good:
        missing.append("tank pH")
    return "not heard yet: " + ", ".join(missing) if missing else ""


def _deep_with_gas(s: ChamberState) -> bool:
    track = s.chamber_ph
    return (
        track.low_run >= DEEP_READINGS
        and track.at_ns - track.low_from_ns >= DEEP_S * NS
        and s.low_began_with_gas
    )


def _within_grace(s: ChamberState, limits: ChamberLimits) -> bool:
    return (s.now_ns - s.started_ns) / NS <= max(10.0, limits.probe.stale_s)


def _disagrees(s: ChamberState, limits: ChamberLimits) -> bool:
    from_ns = s.disagrees_from_ns
    return from_ns is not None and s.now_ns - from_ns > limits.valve.travel_s * NS


def _feedback_why(s: ChamberState) -> str:
    """Only answers that were understood are remembered; empty while there is nothing to say."""
    silent_s = (s.now_ns - s.link_up_ns) / NS
    if s.feedback_heard or silent_s <= FEEDBACK_SILENT_S:
        return ""
    return f"the valve has never reported a position we know, in {silent_s:.0f} s of this link"


def _age(track: quality.Track, now_ns: int) -> str:
    return f"{track.age_s(now_ns):.1f} s ago" if track.readings else "never"
