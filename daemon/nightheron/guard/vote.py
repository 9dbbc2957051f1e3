"""What one to three probes of a chamber say together.

One probe decides alone. Of two the lower decides, and both must be good. Of three the median
decides, and a probe further than ``spread_ph`` from it is set aside as lost until it has been near for
the settle time; of the two then left the lower decides. One that comes back from a silence is set aside
too while the others decide. Fewer than two in agreement is no majority.

A value that is doubted still counts as low; only permission asks for health.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from nightheron.guard import quality
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.quality import PERMITTING, Track
from nightheron.guard.state import ChamberState
from nightheron.model import NS, Flag, Health

DEEP_READINGS = 3
DEEP_S = 5.0
THREE = 3
_WORST = {health: rank for rank, health in enumerate(Health)}
Assessed = tuple[Health, Flag, str]


@dataclass(slots=True)
class Voted:
    """The chamber's pH at one moment. NBS scale; None where there is no fresh number."""

    ph: float | None
    good: bool
    health: Health
    flag: Flag
    test: str
    why: str
    """The test that failed, and the age of the last reading; empty while it is good."""
    disagree: bool
    settled: bool
    deep_with_gas: bool
    fell_through_floor: bool
    unchanged: bool
    spread_ph: float | None = None


def vote(s: ChamberState, limits: ChamberLimits, *, since_ns: int) -> Voted:
    """The vote at ``s.now_ns``; ``since_ns`` is where standing unchanged begins to count."""
    now_ns = s.now_ns
    if len(s.probes) == 1:
        return _alone(s, limits, since_ns)
    assessed = [
        quality.assess(track, now_ns, one, service=s.held)
        for track, one in zip(s.probes, limits.probes, strict=True)
    ]
    healthy = [i for i, (health, _, _) in enumerate(assessed) if health in PERMITTING]
    voters = [i for i in healthy if i not in s.aside]
    heard = contributing(s, limits)
    tracks = [s.probes[i] for i in heard]
    ph = decides([t.ph for t in tracks if t.ph is not None])
    spread_ph = _spread(s, limits)
    disagree = _disagree(s, limits, healthy, voters, spread_ph)
    good = len(voters) >= 2 or (disagree and len(healthy) >= 2)
    health, flag, test = _together(s, assessed, voters)
    lowest = min(1 if len(tracks) < THREE else 2, len(tracks)) or 1
    return Voted(
        ph=ph,
        good=good,
        health=health,
        flag=flag,
        test=test,
        why="" if good else _why(s, assessed),
        disagree=disagree,
        settled=good and sum(s.probes[i].settled(limits.settle_s) for i in voters) >= 2,
        deep_with_gas=sum(_deep(t) for t in tracks) >= lowest,
        fell_through_floor=any(t.jumped_down and t.ph is not None and t.ph < limits.floor_ph for t in tracks)
        and ph is not None
        and ph < limits.floor_ph,
        unchanged=any(t.is_unchanged(now_ns, since_ns) for t in tracks),
        spread_ph=spread_ph,
    )


def level(s: ChamberState, heard: list[int]) -> tuple[float | None, float]:
    """What proofs compare: the level that decides of those ``heard``, and the noise of the noisiest."""
    if len(heard) == 1:
        return s.probes[heard[0]].level_ph, s.probes[heard[0]].least_noise_ph()
    tracks = [s.probes[i] for i in heard]
    levels = [t.level_ph for t in tracks if t.level_ph is not None]
    return decides(levels), max((t.least_noise_ph() for t in tracks), default=quality.NOISE_UNKNOWN_PH)


def contributing(s: ChamberState, limits: ChamberLimits) -> list[int]:
    """The probes with a fresh value that are not set aside."""
    now_ns, aside = s.now_ns, s.aside
    pairs = enumerate(zip(s.probes, limits.probes, strict=True))
    return [i for i, (t, one) in pairs if i not in aside and t.age_s(now_ns) <= one.stale_s]


def decides(values: list[float]) -> float | None:
    """Of three the median, of fewer the lowest."""
    if len(values) >= THREE:
        return median(values)
    return min(values, default=None)


def set_aside(s: ChamberState, limits: ChamberLimits, heard: int) -> None:
    """After a reading of probe ``heard``: which of three are far from the median, and which near again."""
    if len(s.probes) < THREE:
        return
    _returned(s, limits, heard)
    values = [
        t.ph if t.age_s(s.now_ns) <= one.stale_s else None
        for t, one in zip(s.probes, limits.probes, strict=True)
    ]
    fresh = [v for v in values if v is not None]
    three = len(fresh) == THREE
    middle, most_ph = median(fresh), limits.spread_ph if three else limits.spread_ph / 2
    for i, value in enumerate(values):
        if value is None or (i not in s.aside and not three):
            continue
        if abs(value - middle) > most_ph or len(fresh) < 2:
            s.aside[i] = max(s.now_ns, s.aside.get(i, 0))
        elif i in s.aside and s.now_ns - s.aside[i] > limits.settle_s * NS:
            del s.aside[i]


def _returned(s: ChamberState, limits: ChamberLimits, heard: int) -> None:
    """One that comes back from a silence stays aside for a proof's time, while two others decide.

    Else a line that comes and goes would change, time and again, what the level is made of, and no
    proof would ever end.
    """
    track = s.probes[heard]
    if not track.returned or track.readings < 2:
        return
    if heard in s.aside or sum(i != heard for i in contributing(s, limits)) >= 2:
        s.aside[heard] = s.now_ns + round((limits.tail_s + limits.probe_lag_s) * NS)


def _alone(s: ChamberState, limits: ChamberLimits, since_ns: int) -> Voted:
    track = s.probes[0]
    health, flag, test = quality.assess(track, s.now_ns, limits.probes[0], service=s.held)
    fresh = track.age_s(s.now_ns) <= limits.probes[0].stale_s
    ph, good = track.ph if fresh else None, health in PERMITTING
    return Voted(
        ph=ph,
        good=good,
        health=health,
        flag=flag,
        test=test,
        why="" if good else f"{test}, last reading {_age(track, s.now_ns)}",
        disagree=False,
        settled=good and track.settled(limits.settle_s),
        deep_with_gas=_deep(track),
        fell_through_floor=fresh and track.jumped_down and ph is not None and ph < limits.floor_ph,
        unchanged=track.is_unchanged(s.now_ns, since_ns),
    )


def _spread(s: ChamberState, limits: ChamberLimits) -> float | None:
    pairs = zip(s.probes, limits.probes, strict=True)
    fresh = [t.ph for t, one in pairs if t.ph is not None and t.age_s(s.now_ns) <= one.stale_s]
    return max(fresh) - min(fresh) if len(fresh) >= 2 else None


def _disagree(
    s: ChamberState, limits: ChamberLimits, healthy: list[int], voters: list[int], spread_ph: float | None
) -> bool:
    """No majority: of three at least two set aside, or two that stand apart."""
    if len(healthy) == THREE:
        return len(voters) < 2
    if len(voters) != 2 or spread_ph is None:
        return False
    one, other = (s.probes[i].ph for i in voters)
    return one is not None and other is not None and abs(one - other) > limits.spread_ph


def _together(s: ChamberState, assessed: list[Assessed], voters: list[int]) -> Assessed:
    """Health of the vote: the worst where it cannot do without, maintenance where one of three is lost."""
    worst = max(assessed, key=lambda one: _WORST[one[0]])
    if len(assessed) < THREE or len(voters) < 2:
        return worst
    found = max((assessed[i] for i in voters), key=lambda one: _WORST[one[0]])
    if len(voters) == len(assessed) or found[0] is not Health.GOOD:
        return found
    return Health.MAINTENANCE, Flag.SUSPECT, "one_probe_lost"


def _why(s: ChamberState, assessed: list[Assessed]) -> str:
    told = [
        f"probe {i + 1} {'set aside' if health in PERMITTING else test}, last reading {_age(track, s.now_ns)}"
        for i, (track, (health, _, test)) in enumerate(zip(s.probes, assessed, strict=True))
        if health not in PERMITTING or i in s.aside
    ]
    return "; ".join(told)


def _deep(track: Track) -> bool:
    return (
        track.low_run >= DEEP_READINGS
        and track.at_ns - track.low_from_ns >= DEEP_S * NS
        and track.low_with_gas
    )


def _age(track: Track, now_ns: int) -> str:
    return f"{track.age_s(now_ns):.1f} s ago" if track.readings else "never"
