"""The campaign: seeded nights of dealt chambers and dealt faults, each through the guard's own core.

A night is fixed by its seed and number alone, so that it can be played again exactly, on any machine.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import NS, Reason
from nightheron.rig.dealt import Dealt, dealt
from nightheron.rig.night_plan import (
    HEALTHY,
    NO_BUDGET,
    POOL,
    Happening,
    NightPlan,
    faults,
    plan,
    pool_number,
)
from nightheron.rig.notes import Notes
from nightheron.rig.played import Played, Watcher as Sees
from nightheron.rig.watcher import Watcher

WARM_S = 26 * 3600.0
"""How long a chamber of the pool lives before the night: what is learned needs a day and some cycles."""
CORE: Callable[[ChamberLimits], Chamber] = Chamber
"""What guards; a test puts a worse one here."""
OF_EXTRAS = {
    "freezes": {Reason.GUARD_LATE, Reason.CHAMBER_PH_LOST},
    "keeper_dies": {Reason.KEEPER_LOST, Reason.VALVE_LOST},
    "new_journal": {Reason.NEW_JOURNAL},
    "dies": {Reason.RESTARTS},
}
"""Reasons that come of what happens beside the faults, and name none of them."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one night. Times in seconds into the night, or from the first fault where said."""

    seed: int
    night: int
    case: str
    faults: tuple[str, ...]
    warm: bool
    length_s: float
    broken_s: float
    floor_ph: float
    hazard_s: float = 0.0
    hazards: dict[str, float] = field(default_factory=dict)
    """Seconds in hazard, by why."""
    where: tuple[tuple[str, float, float], ...] = ()
    """The first spans in hazard: why, from, to."""
    opened_s: float = 0.0
    lowest_ph: float = 14.0
    at_best_ph: float | None = None
    """What physics allowed, gas shut as the water passed the floor; None where the depth is not worth it."""
    below_s: float = 0.0
    below_open_s: float = 0.0
    against_s: float = 0.0
    named: dict[str, float] = field(default_factory=dict)
    """Seconds from the first fault to each reason that named something."""
    right: bool | None = None
    """The first name was a right one; None where nothing was named or nothing could be known."""
    knowable: bool = False
    false: tuple[str, ...] = ()
    """Reasons that are not normal on a healthy night, or before the first fault."""
    reached: tuple[str, ...] = ()
    """Faults that stood while gas flowed, and what else happened."""
    pushes: int = 0
    fault: str = ""
    """The program itself broke."""

    @property
    def depth_ph(self) -> float:
        """How far the water went below the floor."""
        return max(0.0, self.floor_ph - self.lowest_ph)


def has(limits: ChamberLimits, chamber: Dealt) -> frozenset[str]:
    """What this site has, beside pH and a valve, by which a fault can be known."""
    found = {one.signal.value for one in limits.senses}
    found |= {"tank"} if limits.tank is not None else set()
    found |= {"tank_required"} if limits.tank is not None and limits.tank.required else set()
    found |= {"feedback"} if limits.valve.feedback else set()
    found |= {"broker"} if chamber.hears_strangers else set()
    found |= {"several"} if len(limits.probes) > 1 else set()
    return frozenset(found)


def chamber_of(night: NightPlan) -> Dealt:
    """The chamber that lives this night."""
    return dealt(night.chamber, budget=night.case != NO_BUDGET)


def warmed(seed: int, place: int) -> bytes:
    """A chamber of the pool after more than a healthy day, with its judge, as bytes."""
    one = dealt(pool_number(seed, place))
    played = _new(one, Watcher(one.limits))
    return pickle.dumps(played.begin().lives(WARM_S))


def play(
    night: NightPlan,
    lived: bytes | None,
    more: Callable[[Played], Iterable[Sees]] = lambda played: (),
) -> tuple[Outcome, Played]:
    """Play one night; ``lived`` is the chamber of the pool that it is for, ``more`` looks on too."""
    one = chamber_of(night)
    played = _new(one, Watcher(one.limits)) if lived is None else pickle.loads(lived)  # noqa: S301 - our own bytes
    if not isinstance(played, Played) or not isinstance(judge := played.watchers[0], Watcher):
        raise TypeError("a chamber of the pool comes with its judge")
    begins_ms = played.now_ms
    notes = Notes(
        one.limits,
        played.plant,
        played.faults,
        played.now_ns,
        played.now_ns + round(night.broken_s * NS),
    )
    played.watchers = [judge, notes, *more(played)]
    played.plant.reseed(f"{night.seed}/{night.night}")
    opened_s, fault = judge.opened_s, ""
    try:
        if lived is None:
            played.begin()
        for happening in night.happenings:
            played.lives(max(0.0, happening.at_s - (played.now_ms - begins_ms) / 1000))
            happening.done_to(played)
        played.lives(max(0.0, night.length_s - (played.now_ms - begins_ms) / 1000))
    except Exception as why:  # one broken night must not hide the others
        fault = f"{type(why).__name__}: {why}"[:300]
    return _outcome(night, one, judge, notes, opened_s, fault), played


def run(nights: Sequence[NightPlan], over: Callable[[], bool] = lambda: False) -> Iterator[Outcome]:
    """Play nights one after the other; none is begun once it is ``over``."""
    lived: dict[tuple[int, int], bytes] = {}
    for night in nights:
        if over():
            return
        if night.pool is None:
            yield play(night, None)[0]
            continue
        key = (night.seed, night.pool)
        if key not in lived:
            lived[key] = warmed(*key)
        yield play(night, lived[key])[0]


def plans(seed: int, nights: int, *, pool: int = POOL) -> list[NightPlan]:
    """The first nights of a seed."""
    return [plan(seed, number, pool=pool) for number in range(nights)]


def _new(one: Dealt, judge: Watcher) -> Played:
    return Played(
        one.limits,
        one.plant(),
        watchers=[judge],
        stamped=one.stamped,
        hears_strangers=one.hears_strangers,
        core_of=CORE,
    )


def _what(one: Happening) -> str:
    return one.do if one.act is None else one.act.value


def _outcome(
    night: NightPlan, one: Dealt, judge: Watcher, notes: Notes, opened_s: float, fault: str
) -> Outcome:
    begins_s = notes.from_ns / NS
    beside = {r.value for what in night.happenings for r in OF_EXTRAS.get(what.do, ())}
    named = {name: at_s for name, at_s in notes.named.items() if name not in beside | notes.standing_before}
    knows = has(one.limits, one)
    right = frozenset(name for what in night.faults for name in faults()[what].right(knows))
    first_s = min(named.values(), default=None)
    firsts = {name for name, at_s in named.items() if at_s == first_s}
    false = {
        name
        for name, at_s in notes.first.items()
        if name not in beside and (night.case == HEALTHY or at_s < night.broken_s)
    }
    return Outcome(
        seed=night.seed,
        night=night.night,
        case=night.case,
        faults=night.faults,
        warm=night.pool is not None,
        length_s=night.length_s,
        broken_s=night.broken_s,
        floor_ph=one.limits.floor_ph,
        hazard_s=judge.hazards.seconds,
        hazards=dict(judge.hazards.by_why),
        where=tuple((h.why, h.from_s - begins_s, h.to_s - begins_s) for h in judge.hazards.spans[:5]),
        opened_s=judge.opened_s - opened_s,
        lowest_ph=notes.lowest_ph,
        at_best_ph=notes.at_best_ph(),
        below_s=notes.below_s,
        below_open_s=notes.below_open_s,
        against_s=notes.against_s,
        named=named if night.faults else {},
        right=bool(firsts & right) if firsts and right else None,
        knowable=bool(right),
        false=tuple(sorted(false)),
        reached=tuple(sorted({*notes.flowed, *(_what(one) for one in night.happenings)} - {"put"})),
        pushes=len(notes.told),
        fault=fault or ("core_fault" if Reason.CORE_FAULT.value in notes.first else ""),
    )
