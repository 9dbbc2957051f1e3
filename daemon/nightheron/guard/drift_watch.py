"""From the events of a chamber to the streams that are watched for drift. It looks at no clock."""

from __future__ import annotations

from nightheron.guard.limits import ChamberLimits
from nightheron.guard.state import ChamberState, Phase
from nightheron.guard.streams import Stream
from nightheron.model import NS, Cycle, Hour, Reason

OWN_ROUND = frozenset(
    {
        Reason.FLOOR,
        Reason.PLANNED_REST,
        Reason.SETTLING,
        Reason.MIN_REST,
        Reason.VALVE_TURN,
        Reason.FEEDBACK_SILENT,
        Reason.SIGNAL_SILENT,
        Reason.DRIFT,
        Reason.PROBE_DRIFT,
        Reason.TANK_DRIFT,
    }
)
"""While nothing else stands, gas comes and goes by the chamber's own pH."""
SWITCH_NS = round(2.5 * NS)
"""A reading later than this after a switch says nothing of the switch itself."""


def pass_time(s: ChamberState, dt_ns: int, limits: ChamberLimits) -> None:
    """Running time has gone by; once a minute the slow signals are looked at."""
    drift = s.drift
    if not drift.pass_time(dt_ns, flows=s.phase is Phase.OPEN, undisturbed=True):
        return
    if s.service or not s.objections.keys() <= OWN_ROUND:
        drift.now.disturbed = True
    if drift.overdue():
        drift.end_hour(None, len(s.probes))
    if limits.tank is not None and s.tank_ph.age_s(s.now_ns) <= limits.tank.probe.stale_s:
        drift.hear(Stream.TANK, s.tank_ph.ph)
    if len(s.probes) == 2 and not s.service:
        one, other = s.probes
        fresh = all(
            t.age_s(s.now_ns) <= limit.stale_s for t, limit in zip(s.probes, limits.probes, strict=True)
        )
        if fresh and one.ph is not None and other.ph is not None:
            drift.hear(Stream.TWINS, other.ph - one.ph)


def hour(s: ChamberState, event: Hour) -> None:
    """An hour of the day begins; a clock that nobody set names no hour."""
    known = event.synced and 0 <= event.hour < 24
    s.drift.end_hour(event.hour if known else None, len(s.probes))


def cycle(s: ChamberState, over: Cycle) -> None:
    """One opening with its closing, in numbers; one that something disturbed says nothing."""
    if over.doubtful:
        return
    s.drift.hear(Stream.FALL, over.fall_ph_per_min)
    s.drift.hear(Stream.RISE, over.rise_ph_per_min)
    s.drift.hear(Stream.ANSWER, over.proved_s)
    s.drift.hear(Stream.NOISE, over.noise_ph)


def switched(s: ChamberState, before_ph: float | None, before_ns: int, ph: float, at_ns: int) -> None:
    """The first reading of probe 1 after gas was switched, and the one before: water cannot move so fast."""
    if before_ph is None or s.service or not before_ns <= s.ordered_ns < at_ns:
        return
    if at_ns - before_ns <= SWITCH_NS:
        s.drift.hear(Stream.STEP, ph - before_ph if s.phase is Phase.OPEN else before_ph - ph)
